"""The command `foldbridge learn`: at a terminal or in a pipe. I/O."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import sys
import threading
from pathlib import Path
from typing import TextIO

from bridge.errors import Fault, RigError
from bridge.learning.lesson import MapText
from bridge.learning.map_file import console_map, controller_map
from bridge.learning.session import Session
from bridge.learning.study import Study
from bridge.rig.faults import names_of, shown
from bridge.rig.load import load_rig
from bridge.rig.rig import Rig
from bridge.soundcheck.terminal import LINES_MAX, Voice, read_lines

OK = 0

_SIGNALS = [
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
]


def learn(path: Path, *, controller: str | None = None) -> int:
    """Learn controls of one controller until the person leaves.

    Args:
        path: The rig file.
        controller: Its id; may be left out where the rig has one only.

    Returns:
        0.

    Raises:
        RigError, MapError, LinkError: it cannot be done.
    """
    rig = load_rig(path)
    number = _number(rig, controller)
    map_text = controller_map(rig, number)
    study = Study(rig, number, console_map(rig))
    asyncio.run(_run(study, map_text))
    return OK


def _number(rig: Rig, wanted: str | None) -> int:
    ids = [one.id for one in rig.file.controller]
    if wanted in ids:
        return ids.index(wanted)
    if wanted is None and len(ids) == 1:
        return 0
    if not ids:
        raise RigError([Fault(rig.at(()), "no [[controller]]", "one to learn the controls of")])
    found = "nothing" if wanted is None else shown(wanted)
    raise RigError([Fault("--controller", found, names_of(ids))])


async def _run(study: Study, map_text: MapText) -> None:
    """A lesson on standard input and output."""
    loop = asyncio.get_running_loop()

    def interrupt() -> None:
        session.interrupt()

    voice = Voice(_handle(sys.stdout), interrupt)
    lines: asyncio.Queue[str | None] = asyncio.Queue(LINES_MAX)
    try:
        session = Session(study, map_text, voice.say)
        for number in _SIGNALS:
            with contextlib.suppress(NotImplementedError):
                loop.add_signal_handler(number, interrupt)
        reader = threading.Thread(
            target=read_lines, args=(_handle(sys.stdin), lines, loop), name="keys", daemon=True
        )
        reader.start()
        await session.run(lines)
    finally:
        voice.end()


def _handle(stream: TextIO | None) -> int:
    """The handle of a standard stream; one that cannot be used where it has none."""
    try:
        return -1 if stream is None else stream.fileno()
    except OSError:
        return -1

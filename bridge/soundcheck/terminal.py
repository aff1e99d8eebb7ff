"""A soundcheck at a terminal or in a pipe: keys, signals, lines on the screen. I/O."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import sys
import threading
from collections.abc import Callable
from pathlib import Path

from bridge import daemon
from bridge.soundcheck.marks import checked_name
from bridge.soundcheck.marks_file import Edit, change_marks, read_marks
from bridge.soundcheck.session import Person, Session

LINE_BYTES_MAX = 1000
"""Longest line that is looked at: no word is a tenth as long."""

LINES_MAX = 100
"""Lines that wait to be acted on; whoever writes faster into the pipe waits."""

_SIGNALS = [
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
]


async def run(path: Path, *, by: str | None = None, fresh: bool = False) -> bool:
    """Run a soundcheck on standard input and output.

    Args:
        path: The rig file.
        by: Who listens; the engineer's name when None.
        fresh: Test again what has been tested.

    Returns:
        Whether all went well to the end.

    Raises:
        RigError, MapError, LinkError, MarksError: it cannot run as declared.
    """
    rig, maps = daemon.load(path)
    who = checked_name(by or rig.file.engineer.name, "--by")
    book = read_marks(rig)
    loop = asyncio.get_running_loop()

    async def keep(edit: Edit) -> None:
        await asyncio.to_thread(change_marks, rig, edit)  # a disk may take its time

    def interrupt() -> None:
        session.interrupt()

    person = Person(who, _teller(interrupt), keep)
    session = Session(daemon.Daemon(rig, maps), person, book, fresh=fresh)
    for number in _SIGNALS:
        with contextlib.suppress(NotImplementedError):
            loop.add_signal_handler(number, interrupt)
    lines: asyncio.Queue[str | None] = asyncio.Queue(LINES_MAX)
    reader = threading.Thread(
        target=read_lines, args=(sys.stdin.fileno(), lines, loop), name="keys", daemon=True
    )
    reader.start()
    return await session.run(lines)


def _teller(interrupt: Callable[[], None]) -> Callable[[str], None]:
    """Something that prints a line; where nobody can read it, everything goes down."""
    deaf = False

    def say(text: str) -> None:
        nonlocal deaf
        if deaf:
            return
        try:
            print(text, flush=True)
        except (OSError, ValueError):
            deaf = True
            with contextlib.suppress(OSError):
                os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            asyncio.get_running_loop().call_soon(interrupt)

    return say


def read_lines(
    handle: int, lines: asyncio.Queue[str | None], loop: asyncio.AbstractEventLoop
) -> None:
    """Read lines until the end, which is None; in a thread, since a file cannot be waited for."""
    waiting = b""
    while True:
        try:
            data = os.read(handle, 4096)
        except OSError:
            data = b""
        *whole, waiting = (waiting + data).split(b"\n")
        waiting = waiting[:LINE_BYTES_MAX]
        for line in whole:
            _hand_over(line[:LINE_BYTES_MAX].decode("utf-8", "replace"), lines, loop)
        if not data:
            _hand_over(None, lines, loop)
            return


def _hand_over(
    line: str | None, lines: asyncio.Queue[str | None], loop: asyncio.AbstractEventLoop
) -> None:
    coroutine = lines.put(line)
    try:
        asyncio.run_coroutine_threadsafe(coroutine, loop).result()
    except (RuntimeError, asyncio.CancelledError):  # the loop has ended
        coroutine.close()

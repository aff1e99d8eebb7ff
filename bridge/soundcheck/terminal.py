"""A soundcheck at a terminal or in a pipe: keys, signals, lines on the screen. I/O."""

from __future__ import annotations

import asyncio
import contextlib
import os
import queue
import signal
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import TextIO

from bridge.daemon import Daemon
from bridge.journal.keeper import forget
from bridge.loading import load
from bridge.soundcheck.marks import checked_name
from bridge.soundcheck.marks_file import Edit, change_marks, read_marks
from bridge.soundcheck.session import Person, Session

LINE_BYTES_MAX = 1000
"""Longest line that is looked at: no word is a tenth as long."""

LINES_MAX = 100
"""Lines that wait to be acted on; whoever writes faster into the pipe waits."""

SAID_MAX = 1000
"""Lines that wait for a terminal that is held up; beyond it nobody reads, and all goes down."""

SAY_S = 1.0
"""How long the end waits for such a terminal."""

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
    rig, maps = load(path)
    who = checked_name(by or rig.file.engineer.name, "--by")
    book = read_marks(rig)
    loop = asyncio.get_running_loop()

    async def keep(edit: Edit) -> None:
        await asyncio.to_thread(change_marks, rig, edit)  # a disk may take its time

    def interrupt() -> None:
        session.interrupt()

    voice = Voice(_handle(sys.stdout), interrupt)
    person = Person(who, voice.say, keep)
    forget(rig)  # what a running bridge has kept is not how the console stands after this
    session = Session(Daemon(rig, maps), person, book, fresh=fresh)
    for number in _SIGNALS:
        with contextlib.suppress(NotImplementedError):
            loop.add_signal_handler(number, interrupt)
    lines: asyncio.Queue[str | None] = asyncio.Queue(LINES_MAX)
    reader = threading.Thread(
        target=read_lines, args=(_handle(sys.stdin), lines, loop), name="keys", daemon=True
    )
    reader.start()
    try:
        return await session.run(lines)
    finally:
        voice.end()


def _handle(stream: TextIO | None) -> int:
    """The handle of a standard stream; one that cannot be used where it has none."""
    try:
        return -1 if stream is None else stream.fileno()
    except OSError:
        return -1


class Voice:
    """Writes lines in a thread: a terminal that is held up must not hold up the bridge.

    Args:
        handle: Where to write.
        deaf: Called once in the loop when nobody reads any more.
    """

    def __init__(self, handle: int, deaf: Callable[[], None]) -> None:
        self._handle, self._deaf = handle, deaf
        self._loop = asyncio.get_running_loop()
        self._waiting: queue.Queue[bytes | None] = queue.Queue(SAID_MAX)
        self._told_deaf = False
        self._thread = threading.Thread(target=self._write, name="voice", daemon=True)
        self._thread.start()

    def say(self, text: str) -> None:
        """Have a line written, after those that wait."""
        try:
            self._waiting.put_nowait(f"{text}\n".encode("utf-8", "replace"))
        except queue.Full:
            self._is_deaf()

    def end(self) -> None:
        """Wait a moment for what has not been written yet."""
        with contextlib.suppress(queue.Full):
            self._waiting.put_nowait(None)
            self._thread.join(SAY_S)

    def _write(self) -> None:
        while (data := self._waiting.get()) is not None:
            try:
                while data:
                    data = data[os.write(self._handle, data) :]
            except OSError:
                with contextlib.suppress(RuntimeError):  # the loop has ended
                    self._loop.call_soon_threadsafe(self._is_deaf)
                return

    def _is_deaf(self) -> None:
        if not self._told_deaf:
            self._told_deaf = True
            self._deaf()


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

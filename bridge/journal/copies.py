"""Two copies of the levels on a disk, written in turns by a thread of their own. I/O.

At any byte that a power cut leaves of the one that is being written, the other one is whole.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections.abc import Callable
from pathlib import Path

from bridge.journal import form
from bridge.journal.form import Unusable

PERIOD_S = 0.05
"""Time between two copies while something changes: with the writing itself (1 ms on a disk, some
ten on a card), what a power cut leaves is at most 0.1 s old."""

REFRESH_S = 30.0
"""A copy in which nothing has changed is written again so often: its age says when the machine
was last alive, and a card survives some thousand writes a day."""

RETRY_S = 2.0
"""Time after a copy that could not be written until the next try."""

NAMES = ("levels.a", "levels.b")
COPY_BYTES_MAX = 16_000_000
"""Largest copy: 512 channels in 128 buses are 7 MB."""

Said = Callable[[str, str], None]
"""Hears of a part of the journal how it stands: ``kept``, or why it is not."""


def read_newest(folder: Path) -> tuple[int, bytes, str]:
    """The newest whole copy: sequence number, image, file name.

    Raises:
        Unusable: there is none; says why.
    """
    found: list[tuple[int, bytes, str]] = []
    why = "nothing was kept"
    for name in NAMES:
        try:
            with (folder / name).open("rb") as file:
                found.append((*form.read_copy(file.read(COPY_BYTES_MAX)), name))
        except FileNotFoundError:
            pass
        except OSError as problem:
            why = f"{name} cannot be read: {problem.strerror}"
        except Unusable as problem:
            why = f"{name} is not whole: {problem}"
    if not found:
        raise Unusable(why)
    return max(found)


class Copies:
    """The thread that writes them.

    Args:
        folder: Where to; made when it is missing.
        image: Makes one consistent copy of all levels.
        changed: Whether anything has changed since the last call.
        said: Hears how it stands.
        after: Sequence number and name of the newest copy that is there.

    Attributes:
        written: How many were written.
    """

    def __init__(
        self,
        folder: Path,
        image: Callable[[], bytes],
        changed: Callable[[], bool],
        said: Said,
        *,
        after: tuple[int, str] = (0, NAMES[1]),
    ) -> None:
        self._folder, self._image, self._changed, self._said = folder, image, changed, said
        self._sequence, newest = after
        self._turn = 1 - NAMES.index(newest)  # the newest one is the last to be overwritten
        self._files: dict[str, int] = {}
        self._written_s = self._failed_s = float("-inf")
        self._pending = True
        self.written = 0
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run, name="levels", daemon=True)

    def start(self) -> None:
        """Begin to write."""
        self._thread.start()

    def close(self) -> None:
        """Write what is still to be written, and end."""
        self._end.set()
        if self._thread.ident is not None:
            self._thread.join(timeout=5.0)
        for file in self._files.values():
            os.close(file)
        self._files.clear()

    def _run(self) -> None:
        while not self._end.wait(PERIOD_S):
            self.look(time.monotonic())
        self._failed_s = float("-inf")
        self.look(time.monotonic())

    def look(self, now_s: float) -> None:
        """Write a copy if there is a reason to."""
        self._pending = self._changed() or self._pending
        if now_s - self._failed_s < RETRY_S:
            return
        if not self._pending and now_s - self._written_s < REFRESH_S:
            return
        try:
            self._write()
        except OSError as problem:
            self._failed_s, self._pending = now_s, True
            self._said("disk", f"not kept: {problem.strerror or problem}")
            return
        self._written_s, self._pending = now_s, False
        self._said("disk", "kept")

    def _write(self) -> None:
        name = NAMES[self._turn]
        file = self._files.get(name)
        if file is None:
            file = self._files[name] = self._opened(name)
        data = form.copy_of(self._image(), self._sequence + 1)
        view = memoryview(data)
        at = 0
        while at < len(data):
            at += os.pwrite(file, view[at:], at)
        os.ftruncate(file, len(data))
        getattr(os, "fdatasync", os.fsync)(file)
        self._sequence += 1
        self._turn = 1 - self._turn
        self.written += 1

    def _opened(self, name: str) -> int:
        self._folder.mkdir(parents=True, exist_ok=True)
        file = os.open(self._folder / name, os.O_RDWR | os.O_CREAT, 0o600)
        with contextlib.suppress(OSError):  # have the name itself on the disk
            folder = os.open(self._folder, os.O_RDONLY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)
        return file

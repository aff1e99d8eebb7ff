"""The levels as last told, in memory that outlives the process but not the machine. I/O.

A file in a folder that is memory (`/dev/shm`): a store costs well under a microsecond and never
waits for a disk. (A map of a file on a disk may: its page is locked while it is written back.)
"""

from __future__ import annotations

import fcntl
import mmap
import os
import stat
import struct
from array import array
from collections.abc import Iterable
from pathlib import Path

from bridge.console.kept import Kept
from bridge.journal import form
from bridge.journal.form import HEADER_BYTES, NOTE_BYTES, Shape

SHARED = Path("/dev/shm")


class Busy(Exception):
    """Another bridge keeps this journal."""


def memory_folder(declared: Path | None) -> Path | None:
    """The folder in memory: the declared one, or the system's; None where there is none."""
    if declared is not None:
        return declared
    return SHARED if SHARED.is_dir() and os.access(SHARED, os.W_OK) else None


class Ledger:
    """One image in memory, open for writing.

    Args:
        path: Its file; None keeps the image in this process alone.
        slots: How many slots there are.

    Attributes:
        kept: The levels in it.
        asked: What was asked, one number a slot.
        found: The bytes that lay in the file before; empty when there was none.

    Raises:
        OSError: the file cannot be made or used.
        Busy: another process has it.
    """

    def __init__(self, path: Path | None, slots: int) -> None:
        shape = self.shape = Shape(slots)
        self._file = -1 if path is None else _opened(path)
        self.found = b""
        try:
            if self._file >= 0:
                self.found = _read(self._file)
                os.ftruncate(self._file, shape.size)
                if hasattr(os, "posix_fallocate"):  # a store into a hole would kill when it is full
                    os.posix_fallocate(self._file, 0, shape.size)
            self._map = mmap.mmap(self._file, shape.size)
        except BaseException:
            if self._file >= 0:
                os.close(self._file)
            raise
        view = self._view = memoryview(self._map)
        self._cells = view[:HEADER_BYTES].cast("q")
        self._moments = view[:HEADER_BYTES].cast("d")
        self.asked = view[shape.asked : shape.low].cast("d")
        self.kept = Kept(
            view[HEADER_BYTES : shape.asked].cast("d"),
            view[shape.low : shape.notes].cast("d"),
        )

    def begin(self, mark: bytes, boot: bytes) -> None:
        """Nothing stands from now on, until ``stands``."""
        self._cells[form.STATE_CELL] = form.STARTING
        self._view[:HEADER_BYTES] = form.header(self.shape.slots, mark, boot)
        self._view[HEADER_BYTES : self.shape.asked] = _NAN * self.shape.slots
        self._view[self.shape.low : self.shape.notes] = _NAN * self.shape.slots
        self.kept.changed = True

    def whole(self, told: Iterable[float], asked: Iterable[float]) -> None:
        """Put all levels in anew; whoever is killed meanwhile has left nothing that stands."""
        shape, stood = self.shape, self._cells[form.STATE_CELL]
        self._cells[form.STATE_CELL] = form.STARTING
        self._view[HEADER_BYTES : shape.asked] = array("d", told).tobytes()
        self._view[shape.asked : shape.low] = array("d", asked).tobytes()
        self._cells[form.STATE_CELL] = stood
        self.kept.changed = True

    def stands(self) -> None:
        """The levels are those of a console that the start has been finished with."""
        self._cells[form.STATE_CELL] = form.STANDS
        self.kept.changed = True

    def alive(self, unix_s: float, boot_s: float) -> None:
        """The bridge lives at this moment."""
        self._moments[form.BOOT_S_CELL] = boot_s
        self._moments[form.UNIX_CELL] = unix_s

    def note(self, text: bytes) -> bool:
        """Replace the note about people in one piece; False when it is too long."""
        if len(text) > NOTE_BYTES:
            return False
        half = 1 - (self._cells[form.NOTE_CELL] & 1)
        start = self.shape.notes + NOTE_BYTES * half
        self._view[start : start + len(text)] = text
        self._cells[form.NOTE_CELL] = form.note_cell(half, len(text))
        self.kept.changed = True
        return True

    def image(self) -> bytes:
        """A copy of all that stands, with its note at the end; for another thread.

        No store falls into the middle of the levels: they are copied by one call, which holds the
        interpreter's lock. A note that was replaced meanwhile is copied again.
        """
        while True:
            image = bytes(self._view[: self.shape.notes])
            half, length = form.note_at(image)
            start = self.shape.notes + NOTE_BYTES * half
            note = bytes(self._view[start : start + length])
            if self._cells[form.NOTE_CELL] == form.note_cell(half, length):
                return image + note

    def close(self) -> None:
        """Let go of the file; what was kept stays in it."""
        for view in (self.kept.told, self.kept.low, self.asked, self._cells, self._moments):
            assert isinstance(view, memoryview)
            view.release()
        self._view.release()
        self._map.close()
        if self._file >= 0:
            os.close(self._file)


_NAN = struct.pack("<d", float("nan"))


def _opened(path: Path) -> int:
    """A file of our own that nobody else has open for the same purpose."""
    flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0)
    file = os.open(path, flags, 0o600)
    try:
        facts = os.fstat(file)
        if not stat.S_ISREG(facts.st_mode) or facts.st_uid != os.geteuid() or facts.st_nlink != 1:
            raise PermissionError(f"{path} is not a file of this user alone")
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise Busy(str(path)) from None
    except BaseException:
        os.close(file)
        raise
    return file


def _read(file: int) -> bytes:
    size = os.fstat(file).st_size
    return os.pread(file, size, 0) if size else b""

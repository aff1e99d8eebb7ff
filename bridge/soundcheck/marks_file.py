"""The file of ring marks: found, read, and replaced in one piece or not at all. I/O."""

from __future__ import annotations

import contextlib
import os
import stat
import tempfile
from collections.abc import Callable
from pathlib import Path

from bridge.errors import Fault
from bridge.rig.load import read_text, shown_path
from bridge.rig.rig import Rig
from bridge.soundcheck.marks import Book, MarksError, parse_marks, ring_marks
from bridge.stage.rings import RingMark

Edit = Callable[[Book], Book]
"""A change to a marks file; raises MarksError where it cannot be made."""


def marks_path(rig: Rig) -> Path:
    """Where the marks of a rig are: as its ``[stage]`` says, else beside it, RIG.marks.toml."""
    here = Path(rig.where)
    declared = rig.file.stage.marks if rig.file.stage is not None else None
    if declared is not None:
        return here.parent / declared
    return here.with_name(f"{here.name.removesuffix('.toml')}.marks.toml")


def read_marks(rig: Rig) -> Book:
    """The marks of a rig; an empty book where there is no file yet.

    Raises:
        MarksError: the file cannot be read or says something that cannot be.
    """
    path = marks_path(rig)
    where = shown_path(path)
    try:
        path.stat()
    except FileNotFoundError:
        return Book(where)
    except (OSError, ValueError):
        pass  # reading it says why
    return parse_marks(read_text(path, MarksError), where, rig)


def load_marks(rig: Rig) -> tuple[RingMark, ...]:
    """The marks in force, as the physics has them: one a pair.

    Raises:
        MarksError: the file cannot be read or says something that cannot be.
    """
    return ring_marks(read_marks(rig), rig)


def change_marks(rig: Rig, edit: Edit) -> Book:
    """Change the marks of a rig: what somebody else wrote meanwhile is kept.

    Raises:
        MarksError: the file is damaged, the change is impossible, or it cannot be written; then
            the file is as it was.
    """
    book = edit(read_marks(rig))
    path = marks_path(rig)
    try:
        write_text(path, book.text)
    except (OSError, ValueError) as problem:
        found = f"not written: {getattr(problem, 'strerror', None) or problem}"
        expected = "a file that can be replaced, and room for it"
        raise MarksError([Fault(shown_path(path), found, expected)]) from None
    return book


def write_text(path: Path, text: str) -> None:
    """Replace a file in one piece: whoever reads, and a power cut, sees the old or the new one.

    Raises:
        OSError: it cannot be written; the file is as it was.
        ValueError: the text has letters that no file can hold.
    """
    target = path.resolve()  # a link stays a link
    data = text.encode("utf-8")
    handle, temporary = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            _same_rights(file.fileno(), target)
            os.fsync(file.fileno())
        os.replace(temporary, target)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(temporary)
        raise
    _keep_folder(target.parent)


def _same_rights(handle: int, target: Path) -> None:
    """A new file has the rights of the one that it replaces, or the usual ones."""
    if not hasattr(os, "fchmod"):
        return
    try:
        rights = stat.S_IMODE(target.stat().st_mode)
    except FileNotFoundError:
        mask = os.umask(0)
        os.umask(mask)
        rights = 0o666 & ~mask
    os.fchmod(handle, rights)


def _keep_folder(folder: Path) -> None:
    """Have the new name itself on the disk; some systems know no such thing."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)

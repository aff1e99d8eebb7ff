"""Opens a rig file and its maps, and reports every fault with file, line and key. I/O."""

from __future__ import annotations

from pathlib import Path

from bridge import limits
from bridge.errors import Fault, FileError, MapError, RigError
from bridge.rig.fits import uses
from bridge.rig.rig import Rig, parse_rig

SHOWN_PATH = 160
"""Characters of a path that are shown, its end: more does not fit beside a fault."""


def load_rig(path: Path) -> Rig:
    """Read a rig file.

    Raises:
        RigError: The file can't be read or says something that cannot be; all faults together.
    """
    return parse_rig(read_text(path, RigError), str(path))


def read_text(path: Path, error: type[FileError] = MapError) -> str:
    """The text of a rig or map file.

    Raises:
        FileError: of the kind ``error``: missing, unreadable, too large or not UTF-8.
    """
    most = limits.FILE_BYTES_MAX
    try:
        with path.open("rb") as file:  # no look at the size first: a device or a pipe has none
            data = file.read(most + 1)
        if len(data) > most:
            raise error([Fault(str(path), f"more than {most} bytes", f"at most {most}")])
        return data.decode("utf-8-sig")
    except OSError as problem:
        found, expected = problem.strerror or str(problem), "a readable file"
    except UnicodeDecodeError as problem:
        found, expected = f"byte {problem.start} that is no UTF-8", "a text file in UTF-8"
    except ValueError:
        found, expected = "a name with a zero byte", "the name of a file"
    raise error([Fault(shown_path(path), found, expected)])


def shown_path(path: Path) -> str:
    """A path as it is shown: on one line, and not longer than the line."""
    text = "".join(letter if letter.isprintable() else "?" for letter in str(path))
    return text if len(text) <= SHOWN_PATH else f"...{text[-SHOWN_PATH:]}"


def map_path(rig: Rig, name: str) -> Path:
    """The path of a map that a rig names: relative paths are relative to the rig's file."""
    return Path(rig.where).parent / name


def read_map(rig: Rig, name: str) -> tuple[str, str]:
    """The text of a map that a rig names, and its path for faults.

    Raises:
        MapError: it cannot be read; the fault stands where the rig names it.
    """
    path = map_path(rig, name)
    try:
        return read_text(path), str(path)
    except MapError as error:
        (fault,) = error.faults
        where = next(rig.at(key) for key, used, *_ in uses(rig) if used == name)
        raise MapError([Fault(where, f"{fault.found} at {fault.where}", fault.expected)]) from None

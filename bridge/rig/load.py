"""Opens a rig file and its maps, and reports every fault with file, line and key. I/O."""

from __future__ import annotations

from pathlib import Path

from bridge import limits
from bridge.errors import Fault, FileError, MapError, RigError
from bridge.rig.rig import Rig, parse_rig


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
    try:
        if path.stat().st_size > limits.FILE_BYTES_MAX:
            raise error(
                [
                    Fault(
                        str(path),
                        f"{path.stat().st_size} bytes",
                        f"at most {limits.FILE_BYTES_MAX}",
                    )
                ]
            )
        return path.read_text(encoding="utf-8")
    except OSError as problem:
        raise error(
            [Fault(str(path), problem.strerror or str(problem), "a readable file")]
        ) from None
    except UnicodeDecodeError as problem:
        raise error(
            [Fault(str(path), f"byte {problem.start} that is no UTF-8", "a text file in UTF-8")]
        ) from None


def map_path(rig: Rig, name: str) -> Path:
    """The path of a map that a rig names: relative paths are relative to the rig's file."""
    return Path(rig.where).parent / name

"""TOML text to a table, and a key path to its line. Pure.

``tomllib`` does not keep line numbers, and a fault without a line is hard to find in a long rig.
So the line is looked up afterwards, only when there is a fault to tell.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from typing import Any

from bridge.errors import Fault, FileError

_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\]#]+?)\s*\]")
_KEY = re.compile(r"""^\s*("[^"]*"|'[^']*'|[\w-]+)\s*(?:\.[^=]*)?=""")
_SYNTAX = re.compile(r"^(?P<what>.*) \(at (?:line (?P<line>\d+), column \d+|end of document)\)$")

Path = Sequence[str | int]


def read_toml(text: str, where: str, error: type[FileError]) -> dict[str, Any]:
    """Parse TOML text.

    Args:
        text: The file's text.
        where: The file's name, for the fault.
        error: What to raise.

    Raises:
        FileError: of the kind ``error``, when the text is not TOML.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        said = _SYNTAX.match(str(problem))
        line = said["line"] if said and said["line"] else str(text.count("\n") + 1)
        what = said["what"] if said else str(problem)
        raise error([Fault(f"{where}:{line}", what, "TOML 1.0")]) from None


def line_of(text: str, path: Path) -> int:
    """The line (from 1) where a key path stands, or that of its nearest parent that stands there.

    Args:
        text: TOML text.
        path: Keys and, for arrays of tables, indexes: ``("bus", 2, "start_db")``.
    """
    best_line, best_depth = 1, 0
    counts: dict[tuple[str, ...], int] = {}
    table: tuple[str | int, ...] = ()
    for number, line in enumerate(text.splitlines(), start=1):
        header = _HEADER.match(line)
        if header:
            table = _table_path(header[1], header[2], counts)
            here = table
        else:
            key = _KEY.match(line)
            if not key:
                continue
            here = (*table, key[1].strip("\"'"))
        depth = len(here)
        if best_depth < depth <= len(path) and tuple(path[:depth]) == here:
            best_line, best_depth = number, depth
    return best_line


def _table_path(
    brackets: str, name: str, counts: dict[tuple[str, ...], int]
) -> tuple[str | int, ...]:
    """The key path of a table header; ``counts`` numbers the tables of an array."""
    names = tuple(part.strip().strip("\"'") for part in name.split("."))
    if brackets == "[[":
        counts[names] = counts.get(names, -1) + 1
    path: list[str | int] = []
    for depth, part in enumerate(names, start=1):
        path.append(part)
        if names[:depth] in counts:
            path.append(counts[names[:depth]])
    return tuple(path)


def place(text: str, where: str, path: Path) -> str:
    """``file:line key.path``, the way a fault says where it is."""
    dotted = ".".join(str(part) for part in path)
    return f"{where}:{line_of(text, path)} {dotted}".rstrip()

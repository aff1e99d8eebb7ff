"""The last line of an error: which command says more about it. I/O.

Nothing here is loaded before something has gone wrong, and nothing here may make it worse.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from bridge.errors import FileError
from bridge.explain.table import Table, parse_table

CODES_SHOWN = 3
"""Codes in one last line: the first faults are the ones that get repaired first."""

LINES_READ = 40
"""Lines of an error that are looked at."""

_PATH = Path(__file__).with_name("table.toml")


def the_table() -> Table:
    """The table of this installation.

    Raises:
        OSError, ValueError: its file is missing or damaged.
    """
    return parse_table(_PATH.read_text(encoding="utf-8"))


def hint(*errors: BaseException) -> str:
    """The line below errors: ``more: foldbridge explain rig-address``; empty where none helps.

    Args:
        errors: What was told, in that order.
    """
    said = [(_kinds(error), line) for error in errors for line in _lines(error)]
    return _line(said[:LINES_READ])


def hint_of(warnings: Iterable[str]) -> str:
    """The same below warnings."""
    return _line([((), warning) for warning in warnings])


def _line(said: Iterable[tuple[tuple[str, ...], str]]) -> str:
    try:
        table = the_table()
    except (OSError, ValueError):
        return ""  # what was told already is complete without it
    found = [table.of_error(kinds, line) for kinds, line in said]
    codes = dict.fromkeys(failure.code for failure in found if failure is not None)
    return f"more: foldbridge explain {' '.join(list(codes)[:CODES_SHOWN])}" if codes else ""


def _lines(error: BaseException) -> list[str]:
    if isinstance(error, FileError):
        return [str(fault) for fault in error.faults]
    return [line for line in str(error).splitlines() if line]


def _kinds(error: BaseException) -> tuple[str, ...]:
    return tuple(kind.__name__ for kind in type(error).__mro__)

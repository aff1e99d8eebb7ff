"""TOML text to a table, and a key path to its line. Pure.

``tomllib`` does not keep line numbers, and a fault without a line is hard to find in a long rig.
So the text is read a second time, only when there is a fault to tell. That reading knows just as
much of TOML 1.0 as a line needs: strings, comments, brackets, and text that is right already.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Any

from bridge import limits
from bridge.errors import Fault, FileError

_SYNTAX = re.compile(r"^(?P<what>.*) \(at (?:line (?P<line>\d+), column \d+|end of document)\)$")
_TOKEN = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}'  # up to two quotes may stand before the closing three
    r"|'''.*?'{3,5}"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'"
    r"|\#[^\n]*"
    r"|[\n\[\]{}=,.]"
    r"""|[^\s\[\]{}=,.\#"']+""",
    re.DOTALL,
)

KEY_SHOWN = 60
"""Characters of a key that are shown: ids have 40."""

Path = Sequence[str | int]
_Spot = tuple[str | int, ...]


def read_toml(text: str, where: str, error: type[FileError]) -> dict[str, Any]:
    """Parse TOML text.

    Args:
        text: The file's text.
        where: The file's name, for the fault.
        error: What to raise.

    Raises:
        FileError: of the kind ``error``, when the text is not TOML.
    """
    if _longest_key(text) > limits.KEY_NAMES_MAX:
        found = f"a key of {_longest_key(text)} names"
        raise error([Fault(where, found, f"at most {limits.KEY_NAMES_MAX}")])
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        said = _SYNTAX.match(str(problem))
        line = said["line"] if said and said["line"] else str(text.count("\n") + 1)
        what = said["what"] if said else str(problem)
        raise error([Fault(f"{where}:{line}", what, "TOML 1.0")]) from None
    except RecursionError:
        found = "brackets within brackets, too deep to read"
    except ValueError:
        found = "a number of thousands of digits"
    raise error([Fault(where, found, "TOML 1.0 of a reasonable size")])


def line_of(text: str, path: Path) -> int:
    """The line (from 1) where a key path stands, or that of its nearest parent that stands there.

    Args:
        text: TOML text, free of syntax errors.
        path: Keys and, for lists and arrays of tables, indexes: ``("bus", 2, "start_db")``.
    """
    lines = _lines(text)
    spot = tuple(path)
    while spot and spot not in lines:
        spot = spot[:-1]
    return lines.get(spot, 1)


def place(text: str, where: str, path: Path) -> str:
    """``file:line key.path``, the way a fault says where it is."""
    dotted = ".".join(map(_shown_key, path))
    return f"{where}:{line_of(text, path)} {dotted}".rstrip()


def _shown_key(part: str | int) -> str:
    """A key as it is shown: whatever a file says, a fault stays on one line of letters."""
    text = str(part)
    fits = len(text) <= KEY_SHOWN and text.isprintable()
    return text if fits else repr(text[:KEY_SHOWN])


@lru_cache(maxsize=8)
def _lines(text: str) -> Mapping[_Spot, int]:
    """Every key path of a text with its line; kept, as many faults ask about one text."""
    scan = _Scan()
    for word, line in _tokens(text):
        scan.take(word, line)
    return scan.lines


def _tokens(text: str) -> Iterator[tuple[str, int]]:
    """Strings, brackets, signs, bare words and line ends with their lines; no comments."""
    line = 1
    for match in _TOKEN.finditer(text):
        word = match[0]
        if word[0] != "#":
            yield word, line
        line += word.count("\n")


def _longest_key(text: str) -> int:
    """Names with dots between them in one row: ``tomllib`` takes hours over a million."""
    longest = dots = 0
    for word, _ in _tokens(text):
        if word == ".":
            dots += 1
            longest = max(longest, dots)
        elif word in _ACTS:
            dots = 0
    return longest + 1


class _Scan:
    """Where the scan stands, and what it found.

    Attributes:
        lines: Key paths with their lines.
    """

    def __init__(self) -> None:
        self.lines: dict[_Spot, int] = {}
        self._table: _Spot = ()
        self._value: _Spot = ()  # the key whose value is read
        self._names: list[str] | None = []  # the key that is read; None inside a value
        self._header = ""
        self._open: list[tuple[_Spot, int]] = []  # open lists with an index, inline tables with -1
        self._sizes: dict[_Spot, int] = {}

    def take(self, word: str, line: int) -> None:
        """Take the next token."""
        act = _ACTS.get(word)
        if act is not None:
            act(self, line)
        elif self._names is not None:
            self._names.append(_bare(word))
        else:
            self._note(self._here(), line)

    def _note(self, spot: _Spot, line: int) -> None:
        """A key, and with it the tables that it stands in, unless they were seen before."""
        for depth in range(len(spot), 0, -1):
            if spot[:depth] in self.lines:
                return
            self.lines[spot[:depth]] = line

    def _here(self) -> _Spot:
        """The path of the value that is read."""
        if self._open and self._open[-1][1] >= 0:
            return (*self._open[-1][0], self._open[-1][1])
        return self._value

    def _opens(self, line: int) -> None:
        if self._names is not None:
            self._header += "["
            return
        self._note(self._here(), line)
        self._open.append((self._here(), 0))

    def _closes(self, line: int) -> None:
        if not self._header:
            self._open.pop()
        elif self._names is not None:
            self._table = self._headed(self._names, line)
            self._names = None

    def _headed(self, names: list[str], line: int) -> _Spot:
        """The path of a table header; a name in front means the last table of its array."""
        spot: _Spot = ()
        for name in names[:-1]:
            spot = (*spot, name)
            if spot in self._sizes:
                spot = (*spot, self._sizes[spot] - 1)
        spot = (*spot, names[-1])
        if self._header == "[[":
            self._sizes[spot] = self._sizes.get(spot, 0) + 1
            spot = (*spot, self._sizes[spot] - 1)
        self._note(spot, line)
        self.lines[spot] = line  # the header itself, though a table inside came before it
        return spot

    def _begins(self, line: int) -> None:
        self._note(self._here(), line)
        self._open.append((self._here(), -1))
        self._names = []

    def _ends(self, line: int) -> None:
        self._open.pop()
        self._names = None

    def _equals(self, line: int) -> None:
        assert self._names is not None, "an equals sign in a value stands in a string"
        table = self._open[-1][0] if self._open else self._table
        self._value, self._names = (*table, *self._names), None
        self._note(self._value, line)

    def _next(self, line: int) -> None:
        spot, index = self._open[-1]
        if index >= 0:
            self._open[-1] = (spot, index + 1)
        else:
            self._names = []

    def _turns(self, line: int) -> None:
        if not self._open:
            self._names, self._header = [], ""

    def _dot(self, line: int) -> None:
        """Between the names of a key, or in a number."""


_ACTS = {
    "[": _Scan._opens, "]": _Scan._closes, "{": _Scan._begins, "}": _Scan._ends,
    "=": _Scan._equals, ",": _Scan._next, "\n": _Scan._turns, ".": _Scan._dot,
}  # fmt: skip


def _bare(word: str) -> str:
    """A key as it is meant: without quotes and escapes."""
    if word[0] == '"':
        return str(tomllib.loads(f"key = {word}")["key"])
    return word.strip("'")

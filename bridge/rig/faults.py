"""What pydantic found wrong in a file, as faults that a person can act on. Pure."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from difflib import get_close_matches
from typing import Any

from pydantic import ValidationError

from bridge import limits
from bridge.errors import Fault
from bridge.rig.fields import ID_PATTERN, NAME_PATTERN, SEEN_PATTERN
from bridge.rig.toml import Path, place

CHOICES_SHOWN = 13
"""Words that a fault lists in full: as many as fit on two lines."""

_QUOTED = re.compile(r"'([^']*)'")

SHOWN_CHARACTERS = 60
"""As much of a wrong value is repeated as fits on a line beside its place."""

_WORDS = {
    "missing": "this key",
    "extra_forbidden": "no such key",
    "model_type": "a table",
    "dict_type": "a table",
    "list_type": "a list",
    "tuple_type": "a list",
    "int_from_float": "a whole number",
    "int_type": "a whole number",
    "int_parsing": "a whole number",
    "string_type": "a text in quotes",
    "float_type": "a number",
    "float_parsing": "a number",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "too_short": "at least {min_length} in the list",
    "too_long": "at most {max_length} in the list",
    "string_too_short": "at least one character",
    "string_too_long": "at most {max_length} characters",
    ID_PATTERN: "1 to 40 of a-z, 0-9, _ and -, the first one a letter or a digit",
    SEEN_PATTERN: "a text that is not blank",
    NAME_PATTERN: "letters that can be shown, on one line",
}
"""What stands for pydantic's own words, by its names of errors or by the pattern missed."""


def shown(value: object) -> str:
    """A value as it is repeated in a fault: as in the file, and short, whatever its size."""
    if isinstance(value, str):
        more = "..." if len(value) > SHOWN_CHARACTERS - 8 else ""
        return repr(value[: SHOWN_CHARACTERS - 8])[: SHOWN_CHARACTERS - 3] + more
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list | tuple):
        return f"a list of {len(value)}" if value else "[]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int) and value.bit_length() > 64:
        return f"a number of about {int(value.bit_length() * math.log10(2)) + 1} digits"
    return str(value)[:SHOWN_CHARACTERS]


def names_of(known: Iterable[str]) -> str:
    """What a name could be: ``one of front, kit``."""
    names = sorted(known)
    more = len(names) - limits.NAMES_SHOWN
    listed = ", ".join(map(_on_one_line, names[: limits.NAMES_SHOWN]))
    return f"one of {listed}" + (f" and {more} more" if more > 0 else "")


def _on_one_line(name: str) -> str:
    """A name as it is; one that no rig could have, as it is repeated in a fault."""
    return name if len(name) <= SHOWN_CHARACTERS and name.isprintable() else shown(name)


def first_of(faults: Sequence[Fault], where: str) -> Sequence[Fault]:
    """As many faults as a person can use, and how many more there are."""
    more = len(faults) - limits.FAULTS_SHOWN
    if more <= 0:
        return faults
    rest = Fault(where, f"{more} more faults", "the ones above to be repaired first")
    return [*faults[: limits.FAULTS_SHOWN], rest]


def faults_in(
    problem: ValidationError, table: Mapping[str, Any], text: str, where: str
) -> list[Fault]:
    """One fault a place; of the several readings of a value each says what it expects.

    Args:
        problem: What pydantic says.
        table: What the file says.
        text: The same as text, for the lines.
        where: The file's path.
    """
    faults: dict[str, Fault] = {}
    for error in problem.errors(include_url=False):
        at = place(text, where, _real_path(error["loc"], table, error["type"] == "missing"))
        found, expected = _told(error)
        before = faults.get(at)
        if before is not None:
            known = before.expected.split(", or ")
            found = before.found
            expected = ", or ".join(dict.fromkeys([*known, expected]))
        faults[at] = Fault(at, found, expected)
    return list(faults.values())


def _told(error: Any) -> tuple[str, str]:
    """What one of pydantic's errors found and expected."""
    kind, facts, key = error["type"], error.get("ctx", {}), error["loc"][-1]
    if kind == "missing" and isinstance(key, int):
        return shown(error["input"]), f"a list of {key + 1}"
    if kind in ("enum", "literal_error"):
        return shown(error["input"]), _one_of(str(error["input"]), facts["expected"])
    words = _WORDS.get(facts.get("pattern", kind))
    found = "nothing" if kind == "missing" else shown(error["input"])
    return found, words.format(**facts) if words else _said(error["msg"])


def _one_of(found: str, expected: str) -> str:
    """The words that a key may hold; of many those that look like what was found."""
    choices = _QUOTED.findall(expected)
    if len(choices) <= CHOICES_SHOWN:
        return expected
    near = get_close_matches(found, choices, 3, 0.5) or choices[:3]
    return f"{', '.join(map(repr, near))} or one of {len(choices) - len(near)} others (see schema)"


def _said(message: str) -> str:
    return message.removeprefix("Input should be ").replace(" after validation", "")


def _real_path(loc: Sequence[str | int], table: Any, missing: bool) -> Path:
    """The part of pydantic's location that stands in the file, with a key that is missing."""
    path: list[str | int] = []
    for number, key in enumerate(loc):
        fits = isinstance(key, int) and isinstance(table, list) and key < len(table)
        if fits or (isinstance(table, Mapping) and key in table):
            table = table[key]
            path.append(key)
        elif missing and number == len(loc) - 1 and isinstance(table, Mapping):
            path.append(key)
    return path

"""Texts with places in them: ``/out/{bus:02}/in/{channel-1}``. Pure.

A field is ``{what}``, ``{what+40}`` or ``{what-1}`` (the number plus or minus some), each with an
optional ``:02`` (that many digits) or ``:letters`` (the name with that number in a list).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

FIELDS = ("channel", "bus", "performer", "group", "preset")
"""What a field may stand for."""

OSC_FORBIDDEN = frozenset(" #*,/?[]{}")
"""Characters that no part of an OSC address may have (OSC 1.0, "OSC Address Spaces")."""

_FIELD = re.compile(r"\{([a-z]+)([+-]\d{1,5})?(?::([A-Za-z0-9_]+))?\}")
_ADDRESS = re.compile(r"/[!\"$-)+.->@-Z^-z|~/\\-]*")
_ANY = re.compile(r"\{[^{}]*\}?|\}")

Lists = Mapping[str, Sequence[str]]
Names = Mapping[str, int | str]


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a template.

    Attributes:
        what: ``channel``, ``bus``, ``performer`` or ``group``.
        plus: Added to the number.
        width: Least number of digits.
        words: The list to take the name from; empty for the number itself.
    """

    what: str
    plus: int
    width: int
    words: tuple[str, ...]

    def fill(self, names: Names) -> str:
        """The field's text at a place.

        Raises:
            ValueError: the place has no such number in the list, or a number below zero.
        """
        name = names[self.what]
        if isinstance(name, str):
            return name
        number = name + self.plus
        if not self.words:
            if number < 0:
                raise ValueError(f"{self.what} {name} gives {number}, expected 0 or more")
            return f"{number:0{self.width}}"
        if not 1 <= number <= len(self.words):
            raise ValueError(f"{self.what} {name} is beyond the list's {len(self.words)} names")
        return self.words[number - 1]


class Template:
    """A compiled text.

    Attributes:
        text: The text as written.
        fields: What it has fields for.
    """

    __slots__ = ("_parts", "fields", "text")

    def __init__(self, text: str, lists: Lists) -> None:
        """Compile a text.

        Raises:
            ValueError: a field that is none, or a list that there is not.
        """
        self.text = text
        self._parts: list[str | Field] = []
        end = 0
        for found in _ANY.finditer(text):
            self._parts += [text[end : found.start()], _field(found[0], lists)]
            end = found.end()
        self._parts.append(text[end:])
        self.fields = frozenset(one.what for one in self._parts if isinstance(one, Field))

    def fill(self, names: Names) -> str:
        """The text at a place.

        Raises:
            ValueError: the place has no text here.
        """
        return "".join(one if isinstance(one, str) else one.fill(names) for one in self._parts)

    def only(self) -> Field | None:
        """The field, when the text is one field and nothing else."""
        parts = [one for one in self._parts if one != ""]
        return parts[0] if len(parts) == 1 and isinstance(parts[0], Field) else None


def _field(text: str, lists: Lists) -> Field:
    found = _FIELD.fullmatch(text)
    if not found or found[1] not in FIELDS:
        raise ValueError(f"{text} is no field, expected {{channel}}, {{bus:02}}, {{channel-1}}")
    form = found[3] or "1"
    if form.isdigit():
        if len(form) > 2:
            raise ValueError(f"{text} asks for {form} digits, expected 1 to 99")
        return Field(found[1], int(found[2] or 0), int(form), ())
    if form not in lists:
        known = ", ".join(lists) or "none"
        raise ValueError(f"{text} names the list {form!r}, expected one of [names]: {known}")
    return Field(found[1], int(found[2] or 0), 1, tuple(lists[form]))


def address_flaw(address: str) -> str:
    """Why a text is no OSC address; empty when it is one."""
    if _ADDRESS.fullmatch(address):
        return ""
    if not address.startswith("/"):
        return f"{address!r} does not start with /"
    wrong = sorted(set(address) & (OSC_FORBIDDEN - {"/"}))
    if wrong:
        return f"{address!r} has {wrong[0]!r}"
    if not address.isascii() or not address.isprintable():
        return f"{address!r} is not printable ASCII"
    return ""

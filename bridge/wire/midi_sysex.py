"""System exclusive messages from a template that a person writes. Pure.

    F0 7D 01 {bus} {channel} {value:2} {checksum} F7

Words are separated by blanks:

* two hex digits: that byte; the first is F0, the last F7, all between are 00..7F;
* ``{name}``: one byte, 0..127; ``{name:2}``: a number in 2 bytes of 7 bits (1 to 4), MSB first;
  ``{name:2:lsb}``: the same, LSB first;
* ``{checksum}`` or ``{checksum:sum}``: the byte that makes the 7-bit sum zero (two's complement);
  ``{checksum:xor}``: the exclusive or. It covers the bytes between ``(`` and ``)`` if the template
  has them, else all data bytes after the manufacturer id, without the checksum itself.

The id is the byte after F0, or three bytes if that is 00; 7D is free for non-commercial use and
7E and 7F are universal (MIDI 1.0 Detailed Specification 4.2, "System Exclusive").
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import reduce
from operator import xor
from typing import Final

from bridge.errors import WireError

FIELD_BYTES_MAX: Final = 4
"""Widest field: 28 bits are more than any level's resolution."""

TEMPLATE_BYTES_MAX: Final = 256
"""Longest message that a template may describe; longer ones are dumps, not settings."""

CHECKSUMS: Final[dict[str, Callable[[bytes], int]]] = {
    "sum": lambda span: -sum(span) & 0x7F,
    "xor": lambda span: reduce(xor, span, 0) & 0x7F,
}
"""Checksum algorithms over 7-bit bytes, by the name that a template uses."""

_FIELD: Final = re.compile(r"\{([a-z][a-z0-9_]*)(?::([1-9]))?(?::(lsb|msb))?\}")
_CHECKSUM: Final = re.compile(r"\{checksum(?::([a-z0-9]*))?\}")
_WORD: Final = re.compile(r"\{[^{}\s]*\}|[()]|[^\s(){}]+|\S")


@dataclass(frozen=True, slots=True)
class _Field:
    name: str
    at: int
    shifts: tuple[int, ...]

    def write(self, value: int, out: bytearray) -> None:
        for at, shift in enumerate(self.shifts, self.at):
            out[at] = value >> shift & 0x7F

    def read(self, data: bytes) -> int:
        return sum(data[at] << shift for at, shift in enumerate(self.shifts, self.at))


class SysexTemplate:
    """One compiled template.

    Attributes:
        text: The template as written.
        fields: The largest value (smallest is 0) of each field, by name.
        size: Length of its messages in bytes, F0 and F7 included.
    """

    __slots__ = (
        "_checksum",
        "_checksum_at",
        "_fields",
        "_fixed",
        "_frame",
        "_span",
        "fields",
        "size",
        "text",
    )

    def __init__(self, text: str) -> None:
        """Compile ``text``.

        Raises:
            WireError: the text is no template; the reason names the word, and what could stand
                there.
        """
        self.text = text
        parts = _Parser(text)
        self._frame = bytes(parts.frame)
        self._fields = tuple(parts.fields)
        self._checksum, self._checksum_at, self._span = parts.checksum()
        self.size = len(self._frame)
        self.fields = {field.name: (1 << 7 * len(field.shifts)) - 1 for field in self._fields}
        free = {
            at for field in self._fields for at in range(field.at, field.at + len(field.shifts))
        }
        self._fixed = tuple(
            (at, byte)
            for at, byte in enumerate(self._frame)
            if at not in free and at != self._checksum_at
        )

    def encode(self, fields: Mapping[str, int]) -> bytes:
        """The message with these values; names that the template does not have are left out.

        Raises:
            WireError: a field is missing or does not fit its bytes.
        """
        out = bytearray(self._frame)
        for field in self._fields:
            value = fields.get(field.name, -1)
            highest = self.fields[field.name]
            if not (isinstance(value, int) and 0 <= value <= highest):
                found = value if field.name in fields else "missing"
                raise WireError(f"sysex field {field.name} is {found}, expected 0..{highest}")
            field.write(value, out)
        if self._checksum is not None:
            out[self._checksum_at] = self._checksum(self._covered(out))
        return bytes(out)

    def decode(self, data: bytes) -> dict[str, int] | None:
        """The values in a message, or None if it is not one of this template's; never raises."""
        if len(data) != self.size or any(data[at] != byte for at, byte in self._fixed):
            return None
        if max(data[1:-1]) > 0x7F:
            return None
        if self._checksum is not None and data[self._checksum_at] != self._checksum(
            self._covered(data)
        ):
            return None
        return {field.name: field.read(data) for field in self._fields}

    def _covered(self, data: bytes | bytearray) -> bytes:
        """The bytes that the checksum is over: its span without itself."""
        first, end = self._span
        return bytes(data[at] for at in range(first, end) if at != self._checksum_at)


class _Parser:
    """Reads a template word by word into a frame of bytes with holes (zeros) for the fields."""

    def __init__(self, text: str) -> None:
        self.frame = bytearray()
        self.fields: list[_Field] = []
        self._algorithm = ""
        self._checksum_at = -1
        self._brackets: list[int] = []
        for word in _WORD.findall(text):
            self._take(word)
            if len(self.frame) > TEMPLATE_BYTES_MAX:
                raise WireError(f"sysex template is over {TEMPLATE_BYTES_MAX} bytes long")
        self._check_ends()

    def checksum(self) -> tuple[Callable[[bytes], int] | None, int, tuple[int, int]]:
        """Algorithm, position and span (first, end); None and -1 where there is no checksum."""
        if not self._algorithm:
            return None, -1, (0, 0)
        default = (4 if self.frame[1] == 0 else 2, len(self.frame) - 1)
        first, end = self._brackets or default
        return CHECKSUMS[self._algorithm], self._checksum_at, (first, end)

    def _take(self, word: str) -> None:
        if word in "()":
            self._take_bracket(word)
        elif _CHECKSUM.fullmatch(word):
            self._take_checksum(word)
        elif word.startswith("{"):
            self._take_field(word)
        elif re.fullmatch("[0-9A-Fa-f]{2}", word):
            self.frame.append(int(word, 16))
        else:
            raise self._fault(word, "two hex digits, a {field}, ( or )")

    def _take_bracket(self, word: str) -> None:
        if len(self._brackets) != "()".index(word):
            raise self._fault(word, "one pair of brackets around the bytes of the checksum")
        self._brackets.append(len(self.frame))

    def _take_checksum(self, word: str) -> None:
        found = _CHECKSUM.fullmatch(word)
        algorithm = (found and found[1]) or "sum"
        if algorithm not in CHECKSUMS:
            raise self._fault(word, f"a checksum of {' or '.join(CHECKSUMS)}")
        if self._algorithm:
            raise self._fault(word, "one checksum")
        self._algorithm, self._checksum_at = algorithm, len(self.frame)
        self.frame.append(0)

    def _take_field(self, word: str) -> None:
        found = _FIELD.fullmatch(word)
        width = int(found[2] or 1) if found else 0
        if not found or width > FIELD_BYTES_MAX:
            raise self._fault(word, f"{{name}}, {{name:1}} to {{name:{FIELD_BYTES_MAX}}}, :lsb")
        name = found[1]
        if any(field.name == name for field in self.fields):
            raise self._fault(word, "each field once")
        shifts = range(0, 7 * width, 7) if found[3] == "lsb" else range(7 * width - 7, -1, -7)
        self.fields.append(_Field(name, len(self.frame), tuple(shifts)))
        self.frame.extend(bytes(width))

    def _check_ends(self) -> None:
        frame = self.frame
        if len(frame) < 3 or frame[0] != 0xF0 or frame[-1] != 0xF7:
            raise WireError("sysex template must begin with F0, an id, and end with F7")
        high = [byte for byte in frame[1:-1] if byte > 0x7F]
        if high:
            raise WireError(f"sysex template has {high[0]:02X} inside, expected 00..7F")
        if any(field.at == 1 for field in self.fields) or self._checksum_at == 1:
            raise WireError("sysex template must begin with F0 and a manufacturer id")
        if self._brackets and not self._algorithm:
            raise WireError("sysex template has brackets but no {checksum}")
        if len(self._brackets) == 1:
            raise WireError("sysex template has '(' without ')'")
        if len(set(self._brackets)) < len(self._brackets):
            raise WireError("sysex template has no byte between '(' and ')'")

    def _fault(self, word: str, expected: str) -> WireError:
        at = len(self.frame)
        return WireError(f"sysex template byte {at}: found {word!r}, expected {expected}")

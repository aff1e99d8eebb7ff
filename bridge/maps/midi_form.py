"""The MIDI messages that a map's entries describe: their shapes, numbers and bytes. Pure."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from functools import partial
from typing import NamedTuple

from bridge.errors import WireError
from bridge.maps.flaw import Flaw
from bridge.maps.model import MidiEntry, Numbering
from bridge.maps.scales import Carrier
from bridge.maps.template import FIELDS, Names
from bridge.wire import midi_encode, midi_events
from bridge.wire.midi_sysex import SysexTemplate

_Say = Callable[[int, int, int], tuple[bytes, ...]]


class Shape(NamedTuple):
    """What a kind of message looks like.

    Attributes:
        kind: Its kind of event.
        top: Highest value.
        numbers: Highest number; -1 when it has none.
        say: Encoder of MIDI channel, number and value.
        careful: The same for a receiver that keeps the old fine half, where there is one.
    """

    kind: int
    top: int
    numbers: int
    say: _Say
    careful: _Say | None = None


def _halves(kind: int, numbers: int, say: Callable[..., tuple[bytes, ...]]) -> Shape:
    return Shape(kind, 16383, numbers, say, partial(say, careful=True))


SHAPES: dict[str, Shape] = {
    "note": Shape(midi_events.NOTE, 127, 127, midi_encode.note),
    "control change": Shape(midi_events.CONTROL, 127, 119, midi_encode.control_change),
    "control change 14": _halves(midi_events.CONTROL14, 31, midi_encode.control_change_14),
    "nrpn": _halves(midi_events.NRPN, 16382, midi_encode.nrpn),
    "rpn": _halves(midi_events.RPN, 16382, midi_encode.rpn),
    "pitch bend": Shape(
        midi_events.BEND, 16383, -1, lambda port, _, value: midi_encode.pitch_bend(port, value)
    ),
    "program change": Shape(
        midi_events.PROGRAM,
        127,
        127,
        lambda port, number, value: midi_encode.program_change(
            port, value if number < 0 else number
        ),
    ),
    "channel pressure": Shape(
        midi_events.PRESSURE,
        127,
        -1,
        lambda port, _, value: midi_encode.channel_pressure(port, value),
    ),
}
"""Every message but system exclusive. Controllers 120 to 127 are channel mode messages and no
controls (MIDI 1.0 Detailed Specification 4.2, "Channel Mode Messages")."""

_FIELD = re.compile(r"\{([a-z]+)([+-]\d{1,5})((?::[a-z0-9]+)*)\}")
_WORD = re.compile(r"\{([a-z]+)([+-]\d{1,5})?\}|([0-9A-Fa-f]{2})")


class MidiForm:
    """One entry, compiled: a kind of message and its numbers."""

    def __init__(self, entry: MidiEntry) -> None:
        """Compile an entry.

        Raises:
            Flaw: its numbers or its template cannot be.
        """
        self.entry = entry
        self.shape = SHAPES.get(entry.message)
        self.sysex: Bytes | None = None
        if self.shape is None:
            self.sysex = _sysex(entry)
            self.fields = self.sysex.places
            return
        if entry.template is not None:
            raise Flaw("template", entry.template, f"no template for a {entry.message}")
        self._check_number(entry)
        used = [entry.midi_channel, entry.number]
        rules = [one for one in used if isinstance(one, Numbering)]
        per = {"channel": [one.per_channel for one in rules], "bus": [one.per_bus for one in rules]}
        self.fields = frozenset(what for what, steps in per.items() if any(steps))

    def _check_number(self, entry: MidiEntry) -> None:
        assert self.shape is not None
        number, top = entry.number, self.shape.numbers
        if top < 0 and number is not None:
            raise Flaw("number", number, f"no number for a {entry.message}")
        if top < 0 or (number is None and entry.message == "program change"):
            return
        if number is None:
            raise Flaw("number", "nothing", f"0 to {top} or a rule for a {entry.message}")
        if isinstance(number, int) and number > top:
            raise Flaw("number", number, f"0 to {top} for a {entry.message}")

    @property
    def coarse(self) -> bool:
        """Only the coarse half of a parameter is said."""
        return self.entry.bits == 7 and self.entry.message in ("nrpn", "rpn")

    @property
    def kept(self) -> bool:
        """The receiver may keep the old fine half when a coarse one comes."""
        return self.entry.fine_half == "kept" and not self.coarse and not self.entry.lsb_first

    @property
    def in_steps(self) -> bool:
        """The receiver may act on each half of a value."""
        halves = self.shape is not None and self.shape.careful is not None and not self.coarse
        return halves and self.entry.fine_half != "awaited"

    @property
    def carrier(self) -> Carrier:
        """What its value can carry."""
        if self.sysex is not None:
            top = self.sysex.top
        else:
            assert self.shape is not None
            top = 127 if self.coarse else self.shape.top
        on_from = 1 if self.entry.message == "note" else 0
        return Carrier(whole=True, single=False, top=top, on_from=on_from)

    def numbers(self, names: Names) -> tuple[int, int]:
        """MIDI channel and number at a place; number -1 when there is none.

        Raises:
            Flaw: they are out of range there.
        """
        assert self.shape is not None
        channel = _counted("midi_channel", self.entry.midi_channel, names)
        if not 1 <= channel <= 16:
            raise Flaw("midi_channel", _told(channel, names), "1 to 16; limit channels or buses")
        if self.entry.number is None:
            return channel, -1
        number = _counted("number", self.entry.number, names)
        if not 0 <= number <= self.shape.numbers:
            expected = f"0 to {self.shape.numbers}; limit the entry with channels or buses"
            raise Flaw("number", _told(number, names), expected)
        return channel, number


def _told(number: int, names: Names) -> str:
    at = " ".join(f"{what} {name}" for what, name in names.items())
    return f"{number} at {at}" if at else str(number)


def _counted(key: str, rule: int | Numbering, names: Names) -> int:
    if isinstance(rule, int):
        return rule
    total = rule.first
    for what, per in (("channel", rule.per_channel), ("bus", rule.per_bus)):
        if per:
            total += per * (_whole(key, what, names) - 1)
    return total


def _whole(key: str, what: str, names: Names) -> int:
    name = names[what]
    if isinstance(name, str):
        raise Flaw(key, f"{what} {name!r}", "numbers in the rig: MIDI counts, it has no names")
    return name


class Bytes:
    """A MIDI message as text in hex with fields."""

    def __init__(self, key: str, text: str) -> None:
        """Compile a text.

        Raises:
            Flaw: it is no message.
        """
        self._key, self.text = key, text
        self.plus = {found[1]: int(found[2]) for found in _FIELD.finditer(text)}
        self._template: SysexTemplate | None = None
        self._words: list[int | str] = []
        if text.split()[:1] in (["F0"], ["f0"]):
            try:
                self._template = SysexTemplate(_FIELD.sub(r"{\1\3}", text))
            except WireError as problem:
                raise Flaw(key, problem.reason, "F0 7D 01 {bus} {value:2} F7") from None
            self.fields = frozenset(self._template.fields)
        else:
            self._read_words(text)
            self.fields = frozenset(one for one in self._words if isinstance(one, str))
        strangers = self.fields - {*FIELDS, "value"}
        if strangers:
            raise Flaw(key, f"{{{min(strangers)}}}", "{channel}, {bus}, {group} or {value}")

    @property
    def exclusive(self) -> bool:
        """It is system exclusive."""
        return self._template is not None

    @property
    def places(self) -> frozenset[str]:
        """The fields that say where."""
        return self.fields - {"value"}

    @property
    def top(self) -> int:
        """Highest value."""
        assert self._template is not None
        return self._template.fields["value"]

    def _read_words(self, text: str) -> None:
        for word in text.split():
            found = _WORD.fullmatch(word)
            if not found:
                raise Flaw(self._key, repr(word), "two hex digits or {channel-1}")
            if found[1]:
                self.plus[found[1]] = int(found[2] or 0)
            self._words.append(found[1] or int(found[3], 16))
        sizes = {0xC0: 2, 0xD0: 2}
        status = self._words[0]
        fits = isinstance(status, int) and 0x80 <= status < 0xF0
        if not fits or len(self._words) != sizes.get(int(status) & 0xF0, 3):
            raise Flaw(self._key, repr(text), "one MIDI message in hex")
        if any(isinstance(one, int) and one > 0x7F for one in self._words[1:]):
            raise Flaw(self._key, repr(text), "data bytes 00 to 7F")

    def numbers(self, names: Names) -> dict[str, int]:
        """The numbers in the fields at a place.

        Raises:
            Flaw: a name stands where a number is needed.
        """
        return {
            what: _whole(self._key, what, names) + self.plus.get(what, 0) for what in self.places
        }

    def write(self, numbers: Mapping[str, int]) -> bytes:
        """The message with these numbers.

        Raises:
            Flaw: one does not fit.
        """
        try:
            if self._template is not None:
                return self._template.encode(numbers)
            return bytes(numbers[one] if isinstance(one, str) else one for one in self._words)
        except (WireError, ValueError) as problem:
            raise Flaw(self._key, problem, "numbers that fit their bytes") from None

    def read(self, data: bytes) -> dict[str, int] | None:
        """The numbers in a message, None when it is another one."""
        return None if self._template is None else self._template.decode(data)


def _sysex(entry: MidiEntry) -> Bytes:
    if entry.template is None:
        raise Flaw("template", "nothing", "the message in hex, F0 7D 01 {bus} {value:2} F7")
    form = Bytes("template", entry.template)
    if not form.exclusive:
        raise Flaw("template", entry.template, "F0 7D 01 {bus} {value:2} F7")
    if "value" not in form.fields:
        raise Flaw("template", entry.template, "a {value}")
    return form

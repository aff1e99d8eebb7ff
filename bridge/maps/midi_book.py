"""What a map's MIDI messages say, both ways: bytes to spots and numbers, and back. Pure.

A *spot* is an int that numbers one entry at one place. Short messages are looked up by kind, MIDI
channel and number; system exclusive ones by the numbers in their fields.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from typing import NamedTuple

from bridge.maps.flaw import Flaw
from bridge.maps.midi_form import Bytes, MidiForm
from bridge.maps.model import MapFile, Message
from bridge.maps.scale import Raw
from bridge.maps.template import Names
from bridge.wire import midi_events

Heard = tuple[int, Raw]
_STEPS = {midi_events.NRPN: midi_events.NRPN_STEP, midi_events.RPN: midi_events.RPN_STEP}
_STEPPED = {steps: kind for kind, steps in _STEPS.items()}


class _Spot(NamedTuple):
    form: MidiForm
    channel: int
    number: int
    fields: Mapping[str, int]


class MidiBook:
    """All that is said and heard in MIDI; hears one port's complete messages."""

    def __init__(self, *, careful: bool = False) -> None:
        """Open an empty book.

        Args:
            careful: What is said moves levels at a console, so no half of a value may be louder.
        """
        self._careful = careful
        self._spots: list[_Spot] = []
        self._heard: dict[tuple[int, int, int], list[int]] = {}
        self._sysex: dict[int, tuple[Bytes, dict[tuple[int, ...], list[int]]]] = {}
        self._plain: dict[int, Bytes] = {}  # by the identity of what the map holds
        self._exact: dict[bytes, int] = {}
        self._assembler: midi_events.EventAssembler | None = None
        self.flaw = ""

    def add(self, form: MidiForm, names: Names, *, hear: bool) -> int:
        """Enter an entry at a place; answers its spot.

        Raises:
            Flaw: the place has no such message.
        """
        spot = len(self._spots)
        if form.sysex is not None:
            fields = form.sysex.numbers(names)
            form.sysex.write({**fields, "value": 0})
            self._spots.append(_Spot(form, 0, 0, fields))
            if hear:
                known = self._sysex.setdefault(id(form), (form.sysex, {}))[1]
                key = tuple(fields[what] for what in sorted(fields))
                known.setdefault(key, []).append(spot)
            return spot
        channel, number = form.numbers(names)
        self._spots.append(_Spot(form, channel, number, {}))
        if hear:
            assert form.shape is not None
            kind = form.shape.kind
            if form.entry.action == "relative":
                kind = _STEPS.get(kind, kind)
            at = 0 if form.shape.numbers < 0 else number
            self._heard.setdefault((kind, channel, at), []).append(spot)
        return spot

    def add_token(
        self,
        message: Message,
        map_file: MapFile,
        *,
        names: Names,
        token: int,
        exact: bool,
        key: str,
    ) -> Callable[[], bytes]:
        """Enter a message without a value; answers what writes its bytes.

        Args:
            message: The message in hex.
            map_file: The map.
            names: The place.
            token: What ``hear`` answers for it, below 0; 0 when it is only said.
            exact: In MIDI every byte counts anyway.
            key: The key that declares it.

        Raises:
            Flaw: the message cannot be.
        """
        if not isinstance(message, str):
            raise Flaw(key, "a table", "bytes in hex")
        form = self._plain.get(id(message))
        if form is None:
            form = self._plain[id(message)] = Bytes(key, message)
        data = form.write(form.numbers(names))
        if token:
            self._exact[data] = token
        return lambda: data

    def say(self, spot: int, raw: Raw) -> tuple[bytes, ...]:
        """The messages of a spot with a number."""
        form, channel, number, fields = self._spots[spot]
        value = int(raw)
        if form.sysex is not None:
            return (form.sysex.write({**fields, "value": value}),)
        assert form.shape is not None
        if form.coarse:
            return form.shape.say(channel, number, value << 7)[:3]
        careful = form.shape.careful
        if careful is not None and self._careful and form.kept:
            return careful(channel, number, value)
        messages = form.shape.say(channel, number, value)
        if form.entry.lsb_first and form.shape.top > 127 and form.shape.numbers >= 0:
            return (*messages[:-2], messages[-1], messages[-2])
        return messages

    def address(self, spot: int) -> Hashable:
        """What tells a spot's message from others whatever its value."""
        form, channel, number, fields = self._spots[spot]
        if form.sysex is not None:
            return (form.sysex.text, *sorted(fields.items()))
        assert form.shape is not None
        return (form.shape.kind, channel, number)

    def short_cut(self, _: bytes) -> None:
        """None: a value may need several messages."""

    def speaker(self, spot: int) -> None:
        """No short cut: a MIDI link is slower than any encoder."""

    def hear(self, data: bytes) -> list[Heard]:
        """What a message says: spots with numbers, tokens with 0; never raises."""
        token = self._exact.get(data) if self._exact else None
        if token is not None:
            return [(token, 0)]
        assembler = self._assembler or self._seal()
        heard: list[Heard] = []
        for event in assembler.feed(data):
            found = self._meaning(event)
            if not found:
                self.flaw = data[:24].hex(" ").upper()
            heard += found
        return heard

    def _meaning(self, event: midi_events.Event) -> list[Heard]:
        kind, channel, number, value, _ = event
        if isinstance(value, bytes):
            return self._exclusive(value)
        spots = self._heard.get((kind, channel, number))
        if spots is None:
            if kind != midi_events.PROGRAM:
                return []
            return [(spot, number) for spot in self._heard.get((kind, channel, -1), ())]
        return [(spot, value >> 7 if self._spots[spot].form.coarse else value) for spot in spots]

    def _exclusive(self, data: bytes) -> list[Heard]:
        heard: list[Heard] = []
        for form, known in self._sysex.values():
            fields = form.read(data)
            if fields is not None:
                key = tuple(fields[what] for what in sorted(fields) if what != "value")
                heard += [(spot, fields["value"]) for spot in known.get(key, ())]
        return heard

    def overlaps(self) -> list[tuple[str, list[int]]]:
        """Messages that mean several spots, each in words."""
        found = [
            (f"{midi_events.KIND_NAMES[kind]} {number} on MIDI channel {channel}", spots)
            for (kind, channel, number), spots in self._heard.items()
        ]
        for form, known in self._sysex.values():
            found += [(f"sysex {form.text} at {key}", spots) for key, spots in known.items()]
        return [(text, spots) for text, spots in found if len(spots) > 1]

    def clear(self) -> None:
        """Forget half of a 14-bit value, as after a reconnect."""
        if self._assembler is not None:
            self._assembler.clear()

    def release(self) -> list[Heard]:
        """What a value says whose fine half does not come: it waited for long enough."""
        assembler = self._assembler
        if assembler is None:
            return []
        return [one for event in assembler.release() for one in self._meaning(event)]

    @property
    def waiting(self) -> bool:
        """Whether the coarse half of a value waits for its fine half."""
        return self._assembler is not None and self._assembler.waiting

    def _seal(self) -> midi_events.EventAssembler:
        """Tell the assembler which halves belong together, and which of them come together."""
        pairs, parameters, first, awaited = set(), set(), set(), set()
        for (heard, channel, number), spots in self._heard.items():
            kind = _STEPPED.get(heard, heard)
            if kind == midi_events.CONTROL14:
                pairs.add((channel, number))
            elif kind in _STEPS:
                parameters.add((kind, channel, number))
            else:
                continue
            forms = [self._spots[spot].form for spot in spots]
            if any(form.entry.lsb_first for form in forms):
                first.add((kind, channel, number))
            elif heard == kind and not any(form.coarse for form in forms):
                awaited.add((kind, channel, number))
        self._assembler = midi_events.EventAssembler(
            frozenset(pairs),
            frozenset(parameters),
            lsb_first=frozenset(first),
            awaited=frozenset(awaited - first),
        )
        return self._assembler

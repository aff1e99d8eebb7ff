"""The console's words, compiled from its address map and read from either end. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Literal

from bridge.errors import WireError
from bridge.maps.book import Book, Line
from bridge.maps.flaw import Flaw
from bridge.maps.midi_form import MidiForm
from bridge.maps.model import MapFile, Message
from bridge.maps.places import ConsoleNames, Place
from bridge.maps.scale import Raw, Scale
from bridge.rig.layout import Layout

__all__ = ["ALIVE", "ASKED", "ASK_ALL", "PROBE", "RENEW", "ConsoleNames", "ConsoleWords", "Heard"]

ALIVE = -1
"""Heard: the console lives."""

ASKED = -2
"""Heard at the console's end: ``ASKED - slot`` asks for that slot."""

ASK_ALL, RENEW, PROBE = -1_000_000, -1_000_001, -1_000_002
"""Heard at the console's end: questions for everything, for a longer subscription, for life."""

_TALKED = -2_000_000
"""Heard, but nothing new: the second message of several that mean one thing."""

Heard = tuple[int, float]
"""A slot and its value, or one of the numbers above and 0."""

_Fast = tuple[Callable[[bytes, int], tuple[Raw, ...]], int, Callable[[Raw], float]]


class ConsoleWords:
    """What can be said to a console and heard from it.

    Attributes:
        language: ``osc`` or ``midi``.
        can_set: Slots that the console can be told.
        can_read: Slots that the console tells.
        echoes: The console repeats every change to the one who made it.
        messages_per_s: Default budget of the link, messages a second; inf is none.
        bytes_per_s: Default budget of the link, bytes a second; inf is none.
        ask_all: Messages that make the console tell everything.
        renew: Messages that renew the subscription.
        renew_every_s: How often, seconds; 0 is never.
        probe: Messages that the console answers while it lives.
        probe_every_s: How often, seconds; 0 is never.
        alive: What the console says that shows that it lives.
        halves: Slots that the console may move in two steps, one for each half of a word.
        doubles: Slots that several entries say; the first one is used.
        unknown: How many messages meant nothing here.
        last_unknown: The last of them, short.
    """

    def __init__(
        self,
        map_file: MapFile,
        layout: Layout,
        names: ConsoleNames | None = None,
        end: Literal["bridge", "console"] = "bridge",
    ) -> None:
        """Compile a console's map.

        Args:
            map_file: What ``parse_map`` answered.
            layout: The rig's layout.
            names: The console's own numbers or names; 1, 2, 3 ... when None.
            end: Who speaks: the bridge, or the console stand-in.

        Raises:
            MapError: the map is no console's, or does not suit the names.
        """
        names = names or ConsoleNames.counted(layout)
        self._book = Book(map_file, layout, names, careful=end == "bridge")
        self._layout = layout
        self._says, self._hears = ("set", "read") if end == "bridge" else ("read", "set")
        self._say: dict[int, tuple[int, Scale]] = {}
        self._heard: dict[int, tuple[int, Scale]] = {}
        self._quick: dict[int, Callable[[float], tuple[bytes, ...]]] = {}
        self._fast: dict[bytes, _Fast] = {}
        self._asks: dict[int, Callable[[], bytes]] = {}
        self.doubles: list[int] = []
        self.halves: set[int] = set()
        self._sets: set[int] = set()
        self._reads: set[int] = set()
        for line in self._book.lines:
            for place in self._book.walk(line):
                self._enter(line, place)
        self._take_talk(map_file)
        self._book.check()
        self.language = map_file.language
        self.can_set, self.can_read = frozenset(self._sets), frozenset(self._reads)
        self.unknown, self.last_unknown = 0, ""

    def _enter(self, line: Line, place: Place) -> None:
        uses = line.entry.use or ["set", "read"]
        says, hears = self._says in uses, self._hears in uses
        if "set" in uses:
            self._sets.add(place.slot)
        if "read" in uses:
            self._reads.add(place.slot)
        spot = self._book.add(line, place, hear=hears)
        if hears:
            self._heard[spot] = (place.slot, line.scale)
        if says:
            if place.slot in self._say:
                self.doubles.append(place.slot)
            self._say.setdefault(place.slot, (spot, line.scale))
            if isinstance(line.form, MidiForm) and line.form.in_steps:
                self.halves.add(place.slot)
        if line.entry.ask is not None:
            self._enter_ask(line, place)

    def _enter_ask(self, line: Line, place: Place) -> None:
        assert line.entry.ask is not None
        token = ASKED - place.slot if self._says == "read" else 0
        try:
            self._asks[place.slot] = self._book.talk.add_token(
                line.entry.ask,
                self._book.map_file,
                names=place.names,
                token=token,
                exact=True,
                key="ask",
            )
        except Flaw as flaw:
            self._book.fault(flaw, line)

    def _take_talk(self, map_file: MapFile) -> None:
        talk = map_file.console
        bridge = self._says == "set"
        self.echoes = talk.echoes
        self.messages_per_s = talk.messages_per_s or math.inf
        self.bytes_per_s = talk.bytes_per_s or math.inf
        self.renew_every_s, self.probe_every_s = talk.renew_every_s, talk.probe_every_s
        self.alive = self._talk("alive", talk.alive, ALIVE if bridge else 0, exact=False)
        self.ask_all = self._talk("ask_all", talk.ask_all, 0 if bridge else ASK_ALL)
        self.renew = self._talk("renew", talk.renew, 0 if bridge else RENEW)
        self.probe = self._talk("probe", talk.probe, 0 if bridge else PROBE)

    def _talk(
        self, key: str, messages: Sequence[Message], token: int, *, exact: bool = True
    ) -> tuple[bytes, ...]:
        """Messages about the conversation; of several questions the first one counts."""
        said = []
        for number, message in enumerate(messages):
            meant = _TALKED if token not in (0, ALIVE) and number > 0 else token
            try:
                write = self._book.talk.add_token(
                    message, self._book.map_file, names={}, token=meant, exact=exact, key=key
                )
                said.append(write())
            except Flaw as flaw:
                self._book.faults.append(flaw.fault(self._book.map_file, ("console",)))
        return tuple(said)

    def encode(self, slot: int, value: float) -> tuple[bytes, ...]:
        """The messages that say a value; levels are rounded down to what they can carry.

        Raises:
            KeyError: there is no message for this slot.
        """
        quick = self._quick.get(slot)
        if quick is None:
            quick = self._quick[slot] = self._speaker(slot)
        return quick(value)

    def _speaker(self, slot: int) -> Callable[[float], tuple[bytes, ...]]:
        spot, scale = self._say[slot]
        raw_of, say, speaker = scale.raw, self._book.talk.say, self._book.talk.speaker(spot)
        if speaker is not None:
            pack, head, tail = speaker
            if tail:
                return lambda value: (head + pack(raw_of(value)) + tail,)
            return lambda value: (head + pack(raw_of(value)),)
        return lambda value: say(spot, raw_of(value))

    def held(self, slot: int, value: float) -> float:
        """What the other end understands of a value; a level never above it.

        Where a level can neither be low enough nor off, it is the lowest that there is.

        Raises:
            KeyError: there is no message for this slot.
        """
        scale = self._say[slot][1]
        return scale.value(scale.raw(value))

    @property
    def waiting(self) -> bool:
        """Whether a coarse half was heard whose fine half has not come yet."""
        return self._book.talk.waiting

    def release(self) -> tuple[Heard, ...]:
        """What the half that waits means alone: its fine half did not come."""
        return self._meant(self._book.talk.release())

    def longest(self) -> tuple[int, int]:
        """Messages and bytes of the longest word or question, each."""
        said = [self.encode(slot, 0.0) for slot in self.can_set]
        asked = [self.ask(slot) for slot in self.can_read]
        return (
            max((len(each) for each in (*said, *asked)), default=1),
            max((sum(map(len, each)) for each in (*said, *asked)), default=1),
        )

    def ask(self, slot: int) -> tuple[bytes, ...]:
        """The messages that ask for a slot; none where it cannot be asked for."""
        write = self._asks.get(slot)
        return () if write is None else (write(),)

    def decode(self, data: bytes) -> tuple[Heard, ...]:
        """What the other end says; nothing, and one more in ``unknown``, for what is rubbish."""
        fast = self._fast.get(data[:-4])
        if fast is not None:
            value = fast[2](fast[0](data, -4)[0])
            if value == value:
                return ((fast[1], value),)
        try:
            heard = self._book.talk.hear(data)
        except WireError as problem:
            return self._rubbish(problem.reason)
        found = self._meant(heard)
        if len(found) == 1 and found[0][0] >= 0:
            self._remember(data)
        if self._book.talk.flaw:
            self._rubbish(self._book.talk.flaw)
            self._book.talk.flaw = ""
        return tuple(one for one in found if one[0] != _TALKED)

    def _meant(self, heard: Sequence[tuple[int, Raw]]) -> tuple[Heard, ...]:
        found = []
        for spot, raw in heard:
            if spot < 0:
                found.append((spot, 0.0))
                continue
            slot, scale = self._heard[spot]
            value = scale.value(raw)
            if value == value:
                found.append((slot, value))
            else:
                self._rubbish(f"{self._layout.name(slot)}: {raw!r:.40}")
        return tuple(found)

    def _remember(self, data: bytes) -> None:
        """Next time a look-up of the bytes before the value is enough; one entry a spot at most."""
        short_cut = self._book.talk.short_cut(data)
        if short_cut is not None:
            slot, scale = self._heard[short_cut[1]]
            self._fast[data[:-4]] = (short_cut[0], slot, scale.value)

    def _rubbish(self, what: str) -> tuple[Heard, ...]:
        self.unknown += 1
        self.last_unknown = what[:80]
        return ()

    def overlaps(self) -> list[tuple[str, tuple[int, ...]]]:
        """Messages that mean several slots, in words, with the slots."""
        return [
            (text, tuple(self._heard[spot][0] for spot in spots))
            for text, spots in self._book.talk.overlaps()
        ]

    def clear(self) -> None:
        """Forget half a value, as after a reconnect."""
        self._book.talk.clear()

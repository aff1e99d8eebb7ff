"""A controller's words, compiled from its address map: messages to moves, values to lamps. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from bridge import limits
from bridge.errors import WireError
from bridge.maps.book import Book, Line
from bridge.maps.flaw import Flaw
from bridge.maps.model import LongPress, MapFile, MidiEntry
from bridge.maps.move import FLIP, SET, STEP, Move
from bridge.maps.places import SCOPE_FIELDS, ConsoleNames, Place
from bridge.maps.press import Button, Presses
from bridge.maps.scale import Raw, Scale
from bridge.rig.layout import KINDS, Kind, Layout, Parameter
from bridge.units import Law
from bridge.wire.midi_encode import RELATIVE

__all__ = ["FLIP", "SET", "STEP", "ConsoleNames", "Control", "ControllerWords", "Move"]

CLICKS_MAX = 127
"""Most clicks that one message may mean; the widest MIDI coding says 64."""


@dataclass(frozen=True, slots=True)
class Control:
    """What stays the same about one control.

    Attributes:
        label: Its name, shown to people.
        action: ``absolute``, ``relative``, ``toggle``, ``momentary``, ``set`` or ``step``.
        takeover: ``jump``, ``pickup`` or ``scaled`` for an absolute level; empty for others.
        step_db: dB a click or a press.
        law: Its law between travel and dB; None where it is no level.
        slots: The parameters that it may move; a long press has its own.
        feedback: Its slot is shown at the controller.
    """

    label: str
    action: str
    takeover: str
    step_db: float
    law: Law | None
    slots: tuple[int, ...]
    feedback: bool


_Fast = tuple[Callable[[bytes, int], tuple[Any, ...]], int, int, Callable[[Raw], float]]
"""How the last 4 bytes are read, the control, its slot, and what the number means."""


class _Live(NamedTuple):
    """A control while it runs."""

    hear: Callable[[_Live, Raw, float], list[Move]]
    control: int
    slot: int
    scale: Scale
    step_db: float
    clicks: tuple[int, ...]
    button: Button | None


class ControllerWords:
    """What a controller says and can be shown.

    Attributes:
        language: ``osc`` or ``midi``.
        controls: Every control; a move names its own by index.
        unknown: How many messages meant nothing here.
        last_unknown: The last of them, short.
    """

    def __init__(
        self, map_file: MapFile, layout: Layout, names: ConsoleNames | None = None
    ) -> None:
        """Compile a controller's map.

        Args:
            map_file: What ``parse_map`` answered.
            layout: The rig's layout.
            names: The numbers or names that the controller has for channels and buses; 1, 2, 3 ...
                when None. ``ConsoleNames.own`` numbers a performer's own buses.

        Raises:
            MapError: the map does not suit the rig.
        """
        self._layout = layout
        self._book = Book(map_file, layout, names or ConsoleNames.counted(layout))
        self._live: dict[int, _Live] = {}
        self._show: dict[int, list[tuple[int, Scale]]] = {}
        self._presses = Presses()
        self._half_due_s = math.inf
        self._fast: dict[bytes, _Fast] = {}
        self._hears = {"absolute": self._absolute, "relative": self._relative}
        self._controls: list[Control] = []
        self.unknown, self.last_unknown = 0, ""
        placed = [(line, place) for line in self._book.lines for place in self._book.walk(line)]
        self._shown = {place.slot for line, place in placed if "show" in (line.entry.use or ())}
        for line, place in placed:
            self._enter(line, place)
        self._book.check()
        self.language = map_file.language
        self.controls = tuple(self._controls)

    def _enter(self, line: Line, place: Place) -> None:
        uses = line.entry.use or ["move"]
        spot = self._book.add(line, place, hear="move" in uses)
        if "show" in uses:
            self._show.setdefault(place.slot, []).append((spot, line.scale))
        if "move" not in uses:
            return
        entry = line.entry
        control = len(self._controls)
        button = None
        if entry.action not in ("absolute", "relative"):
            button = self._button(line, place, control)
        clicks = RELATIVE[entry.relative] if isinstance(entry, MidiEntry) else ()
        if not (isinstance(entry, MidiEntry) and entry.message == "control change"):
            clicks = ()
        hear = self._hears.get(entry.action, self._press)
        self._live[spot] = _Live(
            hear, control, place.slot, line.scale, entry.step_db, clicks, button
        )
        self._controls.append(self._control(line, place, button))

    def _control(self, line: Line, place: Place, button: Button | None) -> Control:
        entry = line.entry
        level = KINDS[entry.parameter][0] is Kind.LEVEL
        long = () if button is None or button.long is None else (button.long.slot,)
        return Control(
            label=entry.label or self._layout.name(place.slot),
            action=entry.action,
            takeover=entry.takeover if level and entry.action == "absolute" else "",
            step_db=entry.step_db,
            law=line.scale.law,
            slots=tuple(dict.fromkeys((place.slot, *long))),
            feedback=place.slot in self._shown,
        )

    def _button(self, line: Line, place: Place, control: int) -> Button:
        entry = line.entry
        press = _deed(control, place.slot, entry.action, entry.to, entry.step_db)
        release = Move(control, place.slot, SET, 0.0) if entry.action == "momentary" else None
        one_way = getattr(entry, "type", "") == "none" or (
            getattr(entry, "message", "") == "program change"
        )
        long, hold_s = None, 0.0
        if entry.long_press is not None:
            hold_s = entry.long_press.hold_s
            long = self._long(entry.long_press, line, place, control)
        return Button(press, release, long, hold_s, entry.releases and not one_way)

    def _long(self, long: LongPress, line: Line, place: Place, control: int) -> Move | None:
        try:
            at = self._long_place(long, place)
        except (ValueError, KeyError) as problem:
            self._book.fault(Flaw("long_press", problem, "a place in the rig"), line)
            return None
        slot = self._book.places.slot(long.parameter, at)
        return _deed(control, slot, long.action, long.to, long.step_db)

    def _long_place(self, long: LongPress, place: Place) -> dict[str, int]:
        at = {}
        for what in SCOPE_FIELDS[KINDS[long.parameter][1]]:
            own = getattr(long, what, None)
            if own is not None:
                at[what] = self._book.places.index(what, own)
            elif what in place.at or long.parameter is not Parameter.FREEZE:
                at[what] = place.at[what]
        return at

    def decode(self, data: bytes, now_s: float) -> list[Move]:
        """What a message means; nothing, and one more in ``unknown``, for what is rubbish.

        Args:
            data: A datagram, or one complete MIDI message.
            now_s: This moment, seconds.
        """
        fast = self._fast.get(data[:-4])
        if fast is not None:
            read, control, slot, meaning = fast
            value = meaning(read(data, -4)[0])
            if value == value:
                return [Move(control, slot, SET, value)]
        talk = self._book.talk
        try:
            heard = talk.hear(data)
        except WireError as problem:
            self._rubbish(problem.reason)
            return []
        moves = self._meant(heard, now_s)
        self._half_due_s = now_s + limits.HALF_S if talk.waiting else math.inf
        if len(moves) == 1:
            self._remember(data)
        if talk.flaw:
            self._rubbish(talk.flaw)
            talk.flaw = ""
        return moves

    def _remember(self, data: bytes) -> None:
        """Next time a look-up of the bytes before the value is enough, where no travel counts."""
        short_cut = self._book.talk.short_cut(data)
        if short_cut is None:
            return
        live = self._live[short_cut[1]]
        if live.hear == self._absolute and not self._catches(live):
            self._fast[data[:-4]] = (short_cut[0], live.control, live.slot, live.scale.value)

    def _catches(self, live: _Live) -> bool:
        return self._controls[live.control].takeover in ("pickup", "scaled")

    def _meant(self, heard: Sequence[tuple[int, Raw]], now_s: float) -> list[Move]:
        moves: list[Move] = []
        for spot, raw in heard:
            live = self._live[spot]
            moves += live.hear(live, raw, now_s)
        return moves

    def _absolute(self, live: _Live, raw: Raw, _: float) -> list[Move]:
        value = live.scale.value(raw)
        if value != value:
            return self._meaningless(live, raw)
        position = live.scale.position(raw) if self._catches(live) else math.nan
        return [Move(live.control, live.slot, SET, value, position)]

    def _relative(self, live: _Live, raw: Raw, _: float) -> list[Move]:
        if isinstance(raw, str) or not -CLICKS_MAX <= raw <= CLICKS_MAX:
            return self._meaningless(live, raw)
        clicks = live.clicks[int(raw)] if live.clicks else raw
        return [Move(live.control, live.slot, STEP, clicks * live.step_db)] if clicks else []

    def _press(self, live: _Live, raw: Raw, now_s: float) -> list[Move]:
        pressed = live.scale.value(raw)
        if pressed != pressed or live.button is None:
            return self._meaningless(live, raw)
        return self._presses.hear(live.button, pressed >= 0.5, now_s)

    def _meaningless(self, live: _Live, raw: Raw) -> list[Move]:
        self._rubbish(f"{self._layout.name(live.slot)}: {raw!r:.40}")
        return []

    def _rubbish(self, what: str) -> None:
        self.unknown += 1
        self.last_unknown = what[:80]

    def advance(self, now_s: float) -> list[Move]:
        """Time has passed; answers what that means, as a press that has become a long one."""
        halves: list[Move] = []
        if now_s >= self._half_due_s:
            self._half_due_s = math.inf
            halves = self._meant(self._book.talk.release(), now_s)
        return halves + self._presses.advance(now_s)

    def next_wake_s(self) -> float:
        """When ``advance`` has something to say, seconds; inf when never."""
        return min(self._half_due_s, self._presses.next_wake_s())

    def feedback(self, slot: int, value: float) -> tuple[bytes, ...]:
        """The messages that show a value at the controller; none where nothing shows it."""
        say = self._book.talk.say
        shown = self._show.get(slot, ())
        return tuple(data for spot, scale in shown for data in say(spot, scale.raw(value)))

    @property
    def shows(self) -> frozenset[int]:
        """Slots that the controller can be shown."""
        return frozenset(self._show)

    def overlaps(self) -> list[tuple[str, tuple[int, ...]]]:
        """Messages that mean several slots, in words, with the slots."""
        return [
            (text, tuple(self._live[spot].slot for spot in spots))
            for text, spots in self._book.talk.overlaps()
        ]

    def clear(self) -> None:
        """Forget half a value and held buttons, as after a reconnect."""
        self._book.talk.clear()
        self._presses.clear()
        self._half_due_s = math.inf


def _deed(control: int, slot: int, action: str, to: float | None, step_db: float) -> Move:
    """What a press does."""
    if action == "toggle":
        return Move(control, slot, FLIP, 0.0)
    if action == "step":
        return Move(control, slot, STEP, step_db)
    return Move(control, slot, SET, 1.0 if to is None else to)

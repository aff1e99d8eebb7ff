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
from bridge.maps.lamps import Lamps
from bridge.maps.model import Entry, MapFile, MidiEntry, Press
from bridge.maps.move import FLIP, NOWHERE, SET, STEP, TURN_BY, TURN_TO, Move
from bridge.maps.places import SCOPE_FIELDS, ConsoleNames, Place
from bridge.maps.press import Button, Presses
from bridge.maps.scale import Raw, Scale
from bridge.maps.turns import ALWAYS, Turns
from bridge.rig.layout import KINDS, Kind, Layout, Parameter
from bridge.units import Law
from bridge.wire.midi_encode import RELATIVE

__all__ = ["FLIP", "SET", "STEP", "ConsoleNames", "Control", "ControllerWords", "Move"]

CLICKS_MAX = 127
"""Most clicks that one message may mean; the widest MIDI coding says 64."""

_AROUND = {"next turn": 1.0, "previous turn": -1.0}


def _nothing() -> None:
    """Nobody wants to know."""


@dataclass(frozen=True, slots=True)
class Control:
    """What stays the same about one control.

    Attributes:
        label: Its name, shown to people.
        action: As the map says it: ``absolute``, ``relative``, ``toggle`` ...
        takeover: ``jump``, ``pickup`` or ``scaled`` for an absolute level; empty for others.
        step_db: dB a click or a press.
        law: Its law between travel and dB; None where it is no level.
        slots: The parameters that it may move; a long and a double press have their own.
        feedback: One of them is shown at the controller.
        turn: Number of the turn in which it speaks; ``ALWAYS`` where it speaks in all of them.
    """

    label: str
    action: str
    takeover: str
    step_db: float
    law: Law | None
    slots: tuple[int, ...]
    feedback: bool
    turn: int = ALWAYS


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
        turns: Which turn is on, and who speaks in it.
        on_turn: Called when another turn is on: what ``turning`` names is to be shown anew, and
            controls that speak in one turn only must take their levels over again.
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
        talk = self._book.talk
        self.turns = Turns(map_file.turn)
        self.on_turn: Callable[[], None] = _nothing
        self._in_turn = bool(self.turns)
        self._lamps = Lamps(self.turns, talk.say, talk.address)
        self._presses = Presses()
        self._half_due_s = math.inf
        self._fast: dict[bytes, _Fast] = {}
        self._hears = {"absolute": self._absolute, "relative": self._relative}
        self._controls: list[Control] = []
        self.unknown, self.last_unknown = 0, ""
        placed = [(line, place) for line in self._book.lines for place in self._book.walk(line)]
        self._shown = {place.slot for line, place in placed if "show" in (line.entry.use or ())}
        self._shown.discard(NOWHERE)
        for line, place in placed:
            self._enter(line, place)
        self._book.check()
        self.language = map_file.language
        self.controls = tuple(self._controls)

    def _enter(self, line: Line, place: Place) -> None:
        uses = line.entry.use or ["move"]
        spot = self._book.add(line, place, hear="move" in uses)
        entry = line.entry
        turn = self.turns.number(entry.in_turn)
        if "show" in uses and spot >= 0:
            if place.slot == NOWHERE:
                self._lamps.add_turn(self.turns.number(entry.turn), spot, line.scale, turn)
            else:
                self._lamps.add(place.slot, spot, line.scale, turn)
        if "move" not in uses:
            return
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
        self.turns.bind(spot, turn, control)
        self._controls.append(self._control(line, place, button))

    def _control(self, line: Line, place: Place, button: Button | None) -> Control:
        entry = line.entry
        level = entry.parameter is not None and KINDS[entry.parameter][0] is Kind.LEVEL
        deeds = () if button is None else (button.long, button.double)
        moved = dict.fromkeys((place.slot, *(deed.slot for deed in deeds if deed is not None)))
        slots = tuple(slot for slot in moved if slot != NOWHERE)
        about = entry.action if place.slot == NOWHERE else self._layout.name(place.slot)
        return Control(
            label=entry.label or about,
            action=entry.action,
            takeover=entry.takeover if level and entry.action == "absolute" else "",
            step_db=entry.step_db,
            law=line.scale.law,
            slots=slots,
            feedback=not self._shown.isdisjoint(slots),
            turn=self.turns.number(entry.in_turn),
        )

    def _button(self, line: Line, place: Place, control: int) -> Button:
        entry = line.entry
        one_way = getattr(entry, "type", "") == "none" or (
            getattr(entry, "message", "") == "program change"
        )
        long, twice = entry.long_press, entry.double_press
        return Button(
            press=self._deed(control, place.slot, entry),
            release=Move(control, place.slot, SET, 0.0) if entry.action == "momentary" else None,
            long=self._other("long_press", long, line, place),
            hold_s=long.hold_s if long is not None else 0.0,
            releases=entry.releases and not one_way,
            double=self._other("double_press", twice, line, place),
            within_s=twice.within_s if twice is not None else 0.0,
        )

    def _other(self, key: str, press: Press | None, line: Line, place: Place) -> Move | None:
        """What another kind of press does, at the places that it names itself."""
        if press is None:
            return None
        control = len(self._controls)
        if press.parameter is None:
            return self._deed(control, NOWHERE, press)
        try:
            at = self._press_place(press, press.parameter, place)
        except (ValueError, KeyError) as problem:
            self._book.fault(Flaw(key, problem, "a place in the rig"), line)
            return None
        return self._deed(control, self._book.places.slot(press.parameter, at), press)

    def _press_place(self, press: Press, parameter: Parameter, place: Place) -> dict[str, int]:
        at = {}
        for what in SCOPE_FIELDS[KINDS[parameter][1]]:
            own = getattr(press, what, None)
            if own is not None:
                at[what] = self._book.places.index(what, own)
            elif what in place.at or parameter is not Parameter.FREEZE:
                at[what] = place.at[what]
        return at

    def _deed(self, control: int, slot: int, press: Entry | Press) -> Move:
        """What a press does; a preset is called for, never switched off."""
        if press.action == "turn":
            return Move(control, slot, TURN_TO, float(self.turns.number(press.turn)))
        if press.action in _AROUND:
            return Move(control, slot, TURN_BY, _AROUND[press.action])
        if press.action == "toggle" and press.parameter is not Parameter.PRESET:
            return Move(control, slot, FLIP, 0.0)
        if press.action == "step":
            return Move(control, slot, STEP, press.step_db)
        return Move(control, slot, SET, 1.0 if press.to is None else press.to)

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
        if self._in_turn:
            heard = self.turns.speaking(heard, self._presses.is_down)
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
        moves = self._presses.hear(live.button, pressed >= 0.5, now_s)
        return self._turned(moves) if self._in_turn else moves

    def _turned(self, moves: list[Move]) -> list[Move]:
        """Do what moves say about the turn; answers the others."""
        moves, turned = self.turns.take(moves)
        if turned:
            self._fast.clear()
            self.on_turn()
        return moves

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
        moves = self._presses.advance(now_s)
        return halves + (self._turned(moves) if self._in_turn and moves else moves)

    def next_wake_s(self) -> float:
        """When ``advance`` has something to say, seconds; inf when never."""
        return min(self._half_due_s, self._presses.next_wake_s())

    def understands(self, data: bytes) -> bool:
        """Whether a message means something in some turn; nothing is done about it."""
        try:
            return bool(self._book.talk.hear(data))
        except WireError:
            return False
        finally:
            self._book.talk.flaw = ""

    def feedback(self, slot: int, value: float) -> tuple[bytes, ...]:
        """The messages that show a value at the controller; none where nothing shows it now.

        Args:
            slot: A slot, or one of ``lamps``.
            value: Its value; not used for a lamp.
        """
        return self._lamps.feedback(slot, value)

    @property
    def shows(self) -> frozenset[int]:
        """Slots that the controller can be shown, in some turn at least."""
        return frozenset(self._lamps.slots)

    @property
    def lamps(self) -> tuple[int, ...]:
        """What else it can be shown, as slots below zero: what depends on the turn alone."""
        return self._lamps.lamps

    @property
    def turning(self) -> tuple[int, ...]:
        """Slots and lamps to be shown anew when another turn is on."""
        return tuple(self._lamps.turning)

    def overlaps(self) -> list[tuple[str, tuple[int, ...]]]:
        """Messages that mean several slots, in words, with the slots."""
        found = [(text, self.turns.clashing(spots)) for text, spots in self._book.talk.overlaps()]
        return [
            (text, tuple(self._live[one].slot for one in spots)) for text, spots in found if spots
        ]

    def skip(self, seconds: float) -> None:
        """Let time that has passed count for no press: the bridge stood still."""
        self._presses.skip(seconds)

    def clear(self) -> None:
        """Forget half a value and held buttons, as after a reconnect."""
        self._book.talk.clear()
        self._presses.clear()
        self._half_due_s = math.inf

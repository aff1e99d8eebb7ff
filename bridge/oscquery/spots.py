"""What a controller's map says address by address, as far as its hands may touch it. Pure.

The map is walked as ``ControllerWords`` walks it, with the names that the running bridge uses, so
an address that stands here is one that it decodes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from bridge.maps.book import Book, Line
from bridge.maps.controller import ControllerWords
from bridge.maps.model import Entry, MapFile, OscEntry, Press
from bridge.maps.move import NOWHERE
from bridge.maps.osc_form import OscForm, Spoken
from bridge.maps.places import ConsoleNames, Place
from bridge.maps.scale import Scale
from bridge.maps.turns import ALWAYS
from bridge.mix.guard import Guard
from bridge.rig.layout import KINDS, Kind, Parameter
from bridge.rig.rig import ENGINEER, Rig

_CALLS = frozenset(
    (
        Parameter.ASK,
        Parameter.PRESET_NEXT,
        Parameter.PRESET_PREVIOUS,
        Parameter.PRESET_HOUSE,
        Parameter.PRESET_UNDO,
        Parameter.SOUND_LEVEL,
    )
)
"""What is said to the bridge and has no state that could be read."""

_TURNING = frozenset(("turn", "next turn", "previous turn"))
"""Actions that move no parameter but the meaning of other controls: nobody's right is touched."""


@dataclass(frozen=True, slots=True)
class Spot:
    """One entry of the map at one place.

    Attributes:
        entry: What the map says.
        slot: The parameter; ``NOWHERE`` for another turn.
        scale: Between its value and what the message carries.
        spoken: The message, all but the value.
        moves: The bridge takes it from these hands.
        readable: Its value can be told.
        turn: Number of the turn in which it speaks; ``ALWAYS`` for all of them.
    """

    entry: OscEntry
    slot: int
    scale: Scale
    spoken: Spoken
    moves: bool
    readable: bool
    turn: int = ALWAYS


def names_of(rig: Rig, who: int) -> ConsoleNames:
    """How a controller counts: a performer's own buses are 1, 2 ..., the engineer's are all.

    Args:
        rig: The rig.
        who: Performer's number, -1 the engineer.
    """
    if who == ENGINEER:
        return ConsoleNames.counted(rig.layout)
    buses = tuple(rig.layout.buses.index(name) for name in rig.file.performer[who].buses)
    return ConsoleNames.own(rig.layout, buses)


class Rights:
    """What one pair of hands may do, whatever the moment: freezes and holds pass.

    Args:
        guard: The rights of the rig.
        who: Performer's number, -1 the engineer.
        silence: The slot of "silence all", which anybody may say and only the engineer unsay.
    """

    def __init__(self, guard: Guard, who: int, silence: int) -> None:
        self._may, self._silence, self.who = guard.may[who], silence, who

    def touches(self, slot: int) -> bool:
        """Whether they may do anything to a slot."""
        return slot == self._silence or bool(self._may[slot])

    def only_on(self, slot: int) -> bool:
        """Whether they may switch a slot on but not off."""
        return slot == self._silence and self.who != ENGINEER

    def allow(self, slot: int, press: Entry | Press) -> bool:
        """Whether what a press does to a slot may come through."""
        if not self.touches(slot):
            return False
        ends_it = press.action == "set" and press.to is not None and press.to < 0.5
        return not (ends_it and self.only_on(slot))


def spots_of(rig: Rig, map_file: MapFile, words: ControllerWords, rights: Rights) -> Iterator[Spot]:
    """Everything in a map that these hands may say or be told.

    Args:
        rig: The rig.
        map_file: The controller's map, in OSC.
        words: The same map, as the running bridge has compiled it.
        rights: Whose hands they are.
    """
    book = Book(map_file, rig.layout, names_of(rig, rights.who))
    number = 0
    for line in book.lines:
        uses = line.entry.use or ["move"]
        for place in book.walk(line):
            slots: tuple[int, ...] = ()
            if "move" in uses:
                slots = words.controls[number].slots
                number += 1
            spot = _spot(line, place, words, rights, slots)
            if spot is not None:
                yield spot
    assert number == len(words.controls), "both walk the map in the same order"


def _spot(
    line: Line, place: Place, words: ControllerWords, rights: Rights, slots: tuple[int, ...]
) -> Spot | None:
    """An entry at a place; None where it is nothing to these hands."""
    entry, slot = line.entry, place.slot
    assert isinstance(entry, OscEntry) and isinstance(line.form, OscForm), "a map in OSC"
    moves = "move" in (entry.use or ["move"]) and _may_move(entry, slot, rights, slots)
    touches = slot != NOWHERE and rights.touches(slot)
    readable = touches and _is_readable(entry)
    if not (moves or readable):
        return None
    turn = words.turns.number(entry.in_turn)
    return Spot(entry, slot, line.scale, line.form.place(place.names), moves, readable, turn)


def _may_move(entry: OscEntry, slot: int, rights: Rights, slots: tuple[int, ...]) -> bool:
    """Whether anything that an entry may do comes through the rights."""
    if entry.action in _TURNING or any(one.action in _TURNING for one in _others(entry)):
        return True
    if slot != NOWHERE and rights.allow(slot, entry):
        return True
    presses = [one for one in _others(entry) if one.parameter is Parameter.SILENCE]
    silence = [one for one in slots if rights.only_on(one)]
    if silence and any(rights.allow(silence[0], one) for one in presses):
        return True
    return any(rights.touches(one) for one in slots if one != slot and one not in silence)


def _others(entry: OscEntry) -> list[Press]:
    """Other kinds of press than the plain one."""
    return [one for one in (entry.long_press, entry.double_press) if one is not None]


def _is_readable(entry: OscEntry) -> bool:
    """Whether an entry's parameter has a state, and the message carries it.

    Of a button only what it switches: beside a level its lamp says no more than loud or not.
    """
    if entry.parameter is None or entry.parameter in _CALLS or entry.type == "none":
        return False
    if entry.action == "absolute":
        return True
    switches = KINDS[entry.parameter][0] in (Kind.SWITCH, Kind.TAP)
    return switches and "show" in (entry.use or ())


def is_level(entry: OscEntry) -> bool:
    """Whether an entry carries a level, and not a press or clicks."""
    level = entry.parameter is not None and KINDS[entry.parameter][0] is Kind.LEVEL
    return level and entry.action == "absolute"

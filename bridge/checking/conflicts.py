"""Where the maps and the rig contradict one another: two meanings, rights, dead controls. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from typing import NamedTuple

from bridge.checking.ground import Ground, Hands, Remark, some
from bridge.maps.book import Book
from bridge.maps.console import ConsoleWords
from bridge.maps.controller import Control, ControllerWords
from bridge.maps.model import MapFile
from bridge.maps.places import ConsoleNames
from bridge.maps.reach import find_conflicts
from bridge.rig.layout import Parameter

NEEDS_CONSOLE = frozenset({
    Parameter.CHANNEL_FADER, Parameter.CHANNEL_MUTE, Parameter.SEND_LEVEL, Parameter.SEND_TAP,
    Parameter.SEND_PAN, Parameter.BUS_MASTER,
})  # fmt: skip
"""What the bridge cannot do without the console: the rest it does by levels, or inside."""


def remarks(ground: Ground) -> Iterator[Remark]:
    """Every contradiction."""
    yield from _console(ground)
    told: set[tuple[str, str]] = set()
    for hands in ground.hands:
        for remark in _two_meanings(ground, hands):
            if (remark.where, remark.what) not in told:
                told.add((remark.where, remark.what))
                yield remark
        yield from _dead(ground, hands)
        yield from _forbidden(ground, hands)
    yield from _takeovers(ground)


# -- two meanings -------------------------------------------------------------------------------


def _console(ground: Ground) -> Iterator[Remark]:
    rig = ground.rig
    map_file = ground.maps[rig.file.console.map]
    names = ConsoleNames(
        tuple(channel.console for channel in rig.file.channel),
        tuple(bus.console for bus in rig.file.bus),
    )
    book = Book(map_file, rig.layout, names)
    places = {
        map_file.at((map_file.language, line.number)): [p.slot for p in book.walk(line)]
        for line in book.lines
    }
    yield from _told(ground, map_file, ground.console, places)
    for where, slots in places.items():
        if not slots:
            yield Remark(where, "this entry is about nothing in the rig",
                         "check its channels and buses against the rig's keys")  # fmt: skip


def _two_meanings(ground: Ground, hands: Hands) -> Iterator[Remark]:
    places = {entry.where: list(_all_slots(entry.controls)) for entry in hands.entries}
    yield from _told(ground, hands.map_file, hands.words, places)


def _all_slots(controls: tuple[Control, ...]) -> Iterator[int]:
    for control in controls:
        yield from control.slots


def _told(
    ground: Ground,
    map_file: MapFile,
    words: ConsoleWords | ControllerWords,
    places: dict[str, list[int]],
) -> Iterator[Remark]:
    """What the map's own check found, each with the line of the last entry that it is about."""
    layout = ground.rig.layout
    for text in find_conflicts(map_file, words, layout):
        where = map_file.at(())
        longest = 0
        for entry, slots in places.items():
            for name in map(layout.name, slots):
                if len(name) >= longest and name in text:
                    where, longest = entry, len(name)
        yield Remark(where, text, "let one message mean one thing, in one way")


# -- controls that do nothing -------------------------------------------------------------------


def _dead(ground: Ground, hands: Hands) -> Iterator[Remark]:
    """Entries about nothing, and controls of what the console cannot be told."""
    layout, can_set = ground.rig.layout, ground.console.can_set
    for entry in hands.entries:
        if not entry.slots:
            yield Remark(entry.where, f"reaches nothing at {hands.declared.id}",
                         "check its channel, bus or group against the rig")  # fmt: skip
        lame = [
            layout.name(slot)
            for slot in dict.fromkeys(_all_slots(entry.controls))
            if slot not in can_set and layout.place(slot).parameter in NEEDS_CONSOLE
        ]
        if lame:
            yield Remark(entry.where, f"{hands.declared.id} moves {some(lame)}, "
                         "and the console cannot be told",
                         "add it to the console's map, or take the control out")  # fmt: skip


def _forbidden(ground: Ground, hands: Hands) -> Iterator[Remark]:
    """Controls that their person may not move."""
    layout = ground.rig.layout
    for entry in hands.entries:
        slots = dict.fromkeys(_all_slots(entry.controls))
        barred = [layout.name(slot) for slot in slots if not ground.may(hands, slot)]
        if barred:
            yield Remark(entry.where, f"{ground.rig.person(hands.who)} at {hands.declared.id} may "
                         f"not move {some(barred)}", "give the right in the performer's buses "
                         "and may_touch, or take the control out")  # fmt: skip


# -- takeovers of several controllers -----------------------------------------------------------


class _Blind(NamedTuple):
    """An absolute control that is not shown its level, so it may stand elsewhere."""

    hands: Hands
    control: Control
    where: str


def _takeovers(ground: Ground) -> Iterator[Remark]:
    """Two controllers that take one level over in ways that do not go together."""
    blind: dict[int, list[_Blind]] = {}
    movers: dict[int, dict[int, Hands]] = {}
    for hands in ground.hands:
        for entry in hands.entries:
            for control in entry.controls:
                for slot in control.slots:
                    if not ground.may(hands, slot):
                        continue
                    movers.setdefault(slot, {})[hands.number] = hands
                    if control.takeover and not control.feedback:
                        blind.setdefault(slot, []).append(_Blind(hands, control, entry.where))
    told: dict[tuple[str, str, str], list[str]] = {}
    for slot, controls in blind.items():
        for where, what, remedy in _clashes(controls, movers[slot]):
            told.setdefault((where, what, remedy), []).append(ground.rig.layout.name(slot))
    for (where, what, remedy), names in told.items():
        yield Remark(where, f"{some(names)}: {what}", remedy)


def _clashes(controls: list[_Blind], movers: dict[int, Hands]) -> Iterator[tuple[str, str, str]]:
    for one, two in combinations(controls, 2):
        if one.hands is not two.hands and one.control.takeover != two.control.takeover:
            what = (f"{two.hands.declared.id} takes it over by {two.control.takeover}, "
                    f"{one.hands.declared.id} by {one.control.takeover}")  # fmt: skip
            yield two.where, what, "use one takeover, or show the level at both"
    for jumper in controls:
        others = [h.declared.id for n, h in movers.items() if n != jumper.hands.number]
        if jumper.control.takeover == "jump" and others:
            what = (f"{jumper.hands.declared.id} jumps to where its control stands, "
                    f"and {some(others)} moves it too")  # fmt: skip
            yield jumper.where, what, "use pickup or scaled, or show the level there"

"""What a map may not say of its turns. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from bridge.maps.flaw import Flaw
from bridge.maps.model import Entry, MapFile, Press
from bridge.maps.turns import ANY
from bridge.rig.faults import names_of
from bridge.rig.layout import KINDS, Kind

AROUND = ("next turn", "previous turn")
"""Actions that go from one turn to its neighbour, around the list."""

TURNING = ("turn", *AROUND)
"""Actions that change the turn and move no parameter."""


def is_about_turns(entry: Entry) -> bool:
    """Whether an entry moves or shows the turn, and so no parameter."""
    return entry.turn is not None or entry.action in TURNING


def entry_flaws(entry: Entry, map_file: MapFile) -> Iterator[Flaw]:
    """What is wrong with what an entry of a controller says of turns."""
    if is_about_turns(entry):
        yield from _parameter_flaws(entry)
        yield from _turning_flaws(entry, map_file)
    elif entry.parameter is None:
        yield Flaw("parameter", "nothing", "what the message is about, or a turn and no parameter")
    if entry.in_turn is not None:
        yield from _unknown("in_turn", entry.in_turn, map_file)
        jumps = (entry.action, entry.takeover) == ("absolute", "jump")
        if jumps and (entry.use or ["move"]) == ["move"]:
            expected = "pickup or scaled: it stands elsewhere when its turn comes"
            yield Flaw("takeover", "'jump'", expected)
        if entry.action == "absolute" and _moves(entry) and _kind(entry) is Kind.PAN:
            expected = "no pan: nothing takes it over, so it would jump when its turn comes"
            yield Flaw("in_turn", repr(entry.in_turn), expected)


def _kind(entry: Entry) -> Kind | None:
    return None if entry.parameter is None else KINDS[entry.parameter][0]


def _moves(entry: Entry) -> bool:
    return "move" in (entry.use or ["move"])


def _parameter_flaws(entry: Entry) -> Iterator[Flaw]:
    if entry.parameter is not None:
        yield Flaw("parameter", repr(entry.parameter.value), "none: this is about the turn")


def _turning_flaws(entry: Entry, map_file: MapFile) -> Iterator[Flaw]:
    if entry.turn == ANY:
        if _moves(entry):
            yield Flaw("turn", repr(ANY), 'use = ["show"], or the id of one turn')
        if not map_file.turn:
            yield from _unknown("turn", ANY, map_file)
        return
    if not _moves(entry):
        yield from _target_flaws("turn", entry.turn, map_file)
        return
    if entry.action not in TURNING:
        yield Flaw("action", repr(entry.action), 'turn, or use = ["show"]')
        return
    if entry.action in AROUND and "show" in (entry.use or ()):
        yield Flaw("use", "'show'", "an entry of its own that shows a turn")
    yield from action_flaws(entry, map_file)


def action_flaws(deed: Entry | Press, map_file: MapFile) -> Iterator[Flaw]:
    """What is wrong with where a turning action goes."""
    if deed.action == "turn":
        yield from _target_flaws("turn", deed.turn, map_file)
    elif deed.turn is not None:
        yield Flaw("turn", repr(deed.turn), f"none: {deed.action} goes around")
    elif not map_file.turn:
        yield Flaw("action", repr(deed.action), "[[turn]] tables to go around")


def press_flaws(press: Press, map_file: MapFile) -> Iterator[Flaw]:
    """What is wrong with what a long or double press says of turns."""
    if press.action not in TURNING:
        if press.parameter is None:
            yield Flaw("parameter", "nothing", "what it moves, or an action that turns")
        if press.turn is not None:
            yield Flaw("turn", repr(press.turn), "none: the action does not turn")
        return
    if press.parameter is not None:
        yield Flaw("parameter", repr(press.parameter.value), "none: the action turns")
    yield from action_flaws(press, map_file)


def _target_flaws(key: str, name: str | None, map_file: MapFile) -> Iterator[Flaw]:
    if name is None:
        yield Flaw(key, "nothing", "the id of a [[turn]]")
    else:
        yield from _unknown(key, name, map_file)


def _unknown(key: str, name: str, map_file: MapFile) -> Iterator[Flaw]:
    known = [one.id for one in map_file.turn]
    if name not in known:
        yield Flaw(key, repr(name), names_of(known) if known else "a [[turn]] with this id")


# -- the turns of a map ----------------------------------------------------------------------------


def map_flaws(map_file: MapFile) -> Iterator[tuple[int, Flaw]]:
    """What is wrong with the turns together, each with the turn's number."""
    ids = [one.id for one in map_file.turn]
    if len(ids) == 1:
        yield 0, Flaw("", "one turn", "two at least, or none")
    for number, name in enumerate(ids):
        if name in ids[:number]:
            yield number, Flaw("id", repr(name), "an id that no other turn has")
    if len(set(ids)) == len(ids) > 1:
        roads = _roads(map_file, ids)
        reached = _reached(roads)
        for number, ways in enumerate(roads):
            if number not in reached:
                yield number, Flaw("", "a turn that no control comes to", "an action that turns")
            elif not ways - {number}:
                expected = "an action that turns here too"
                yield number, Flaw("", "a turn that no control leaves", expected)


def _roads(map_file: MapFile, ids: list[str]) -> list[set[int]]:
    """Where the controls that speak in each turn go from it."""
    roads: list[set[int]] = [set() for _ in ids]
    for entry in map_file.entries:
        if not _moves(entry):
            continue
        here = range(len(ids)) if entry.in_turn not in ids else (ids.index(entry.in_turn),)
        deeds: list[Entry | Press | None] = [entry, entry.long_press, entry.double_press]
        for deed in deeds:
            for number in here:
                roads[number] |= _goes(deed, number, ids)
    return roads


def _goes(deed: Entry | Press | None, number: int, ids: list[str]) -> set[int]:
    if deed is None:
        return set()
    if deed.action in AROUND:
        return {(number + (1 if deed.action == "next turn" else -1)) % len(ids)}
    if deed.action == "turn" and deed.turn in ids:
        return {ids.index(deed.turn)}
    return set()


def _reached(roads: list[set[int]]) -> set[int]:
    reached, new = {0}, {0}
    while new:
        new = {to for number in new for to in roads[number]} - reached
        reached |= new
    return reached

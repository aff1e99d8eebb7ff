"""Who can move and read what, and where a map contradicts itself. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import NamedTuple

from bridge.maps.console import ConsoleWords
from bridge.maps.controller import ControllerWords
from bridge.maps.model import MapFile
from bridge.maps.move import NOWHERE
from bridge.maps.turns import ALWAYS
from bridge.rig.layout import Layout

CONFLICTS_MAX = 50
"""Most conflicts told; who has more has one mistake in a template."""


_Name = Callable[[int], str]


class Reach(NamedTuple):
    """Who can do what with one slot.

    Attributes:
        slot: The slot.
        name: The slot in words.
        set: The console can be told.
        read: The console tells it.
        ask: The console can be asked for it alone.
        movers: Controllers that can move it.
        shown: Controllers that show it.
    """

    slot: int
    name: str
    set: bool
    read: bool
    ask: bool
    movers: tuple[str, ...]
    shown: tuple[str, ...]


def reach(
    layout: Layout, console: ConsoleWords, controllers: Mapping[str, ControllerWords]
) -> list[Reach]:
    """Who can set, read, move and show every slot that anybody can.

    Args:
        layout: The rig's layout.
        console: The console's words, at the bridge's end.
        controllers: The controllers' words by name.
    """
    movers: dict[int, dict[str, None]] = {}
    shown: dict[int, dict[str, None]] = {}
    for name, words in controllers.items():
        for slot in {slot for control in words.controls for slot in control.slots}:
            movers.setdefault(slot, {})[name] = None
        for slot in words.shows:
            shown.setdefault(slot, {})[name] = None
    known = sorted(console.can_set | console.can_read | movers.keys() | shown.keys())
    return [
        Reach(
            slot,
            layout.name(slot),
            slot in console.can_set,
            slot in console.can_read,
            bool(console.ask(slot)),
            tuple(movers.get(slot, ())),
            tuple(shown.get(slot, ())),
        )
        for slot in known
    ]


def find_conflicts(
    map_file: MapFile, words: ConsoleWords | ControllerWords, layout: Layout | None = None
) -> list[str]:
    """What a map says that cannot all be meant, in words; empty when there is nothing.

    Args:
        map_file: The map.
        words: Its words, compiled.
        layout: The rig's layout; with it slots have names instead of numbers.
    """

    def name(slot: int) -> str:
        if slot == NOWHERE:
            return "another turn"
        return layout.name(slot) if layout is not None else f"slot {slot}"

    found = list(_overlaps(words, name))
    found += (
        _takeovers(words, name) if isinstance(words, ControllerWords) else _doubles(words, name)
    )
    more = len(found) - CONFLICTS_MAX
    told = [f"{map_file.map.name}: {one}" for one in found[:CONFLICTS_MAX]]
    return [*told, f"{map_file.map.name}: and {more} more"] if more > 0 else told


def _overlaps(words: ConsoleWords | ControllerWords, name: _Name) -> Iterator[str]:
    for text, slots in words.overlaps():
        meant = " and ".join(dict.fromkeys(name(slot) for slot in slots))
        yield f"{text} means {meant}" if len(set(slots)) > 1 else f"{text} means {meant} twice"


def _takeovers(words: ControllerWords, name: _Name) -> Iterator[str]:
    kinds: dict[tuple[int, int], dict[str, str]] = {}
    turns = range(max(1, len(words.turns.names)))
    for control in words.controls:
        for turn in turns if control.turn == ALWAYS else (control.turn,):
            for slot in control.slots if control.takeover else ():
                kinds.setdefault((slot, turn), {}).setdefault(control.takeover, control.label)
    told: set[int] = set()
    for (slot, _), takeovers in kinds.items():
        if len(takeovers) > 1 and slot not in told:
            told.add(slot)
            by = ", ".join(f"{label} ({kind})" for kind, label in takeovers.items())
            yield f"{name(slot)} is taken over in different ways: {by}"


def _doubles(words: ConsoleWords, name: _Name) -> Iterator[str]:
    for slot in words.doubles:
        yield f"{name(slot)} is set by several entries; the first one is used"

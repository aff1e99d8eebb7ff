"""What people and programs should know about a spot: its range, its unit, and words. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable

from bridge import units
from bridge.maps.controller import ControllerWords
from bridge.maps.model import OscEntry
from bridge.maps.move import NOWHERE
from bridge.maps.turns import ALWAYS
from bridge.mix.ceilings import Ceilings
from bridge.mix.engine import Engine
from bridge.oscquery.methods import Facts
from bridge.oscquery.ranges import item_of, presses_only, unit_of
from bridge.oscquery.spots import Rights, Spot, is_level
from bridge.rig.layout import KINDS, Kind, Layout
from bridge.rig.rig import Rig

_ACTS: dict[str, Callable[[OscEntry, str], str]] = {
    "absolute": lambda entry, name: name,
    "relative": lambda entry, name: f"{name}, {entry.step_db:+g} dB a click",
    "toggle": lambda entry, name: f"{name}, the other way with each press",
    "momentary": lambda entry, name: f"{name}, while pressed",
    "set": lambda entry, name: f"{name}, to {_aim(entry)}",
    "step": lambda entry, name: f"{name}, {entry.step_db:+g} dB a press",
    "turn": lambda entry, name: f"to turn {entry.turn}",
    "next turn": lambda entry, name: "to the next turn",
    "previous turn": lambda entry, name: "to the turn before",
}
"""What a control does, by the map's word for it."""


def _aim(entry: OscEntry) -> str:
    """Where a press takes its parameter."""
    to = 1.0 if entry.to is None else entry.to
    kind = Kind.SWITCH if entry.parameter is None else KINDS[entry.parameter][0]
    if kind is Kind.LEVEL:
        return units.text(to)
    if kind is Kind.PAN:
        return f"{to:+.2f}"
    return ("post" if to >= 0.5 else "pre") if kind is Kind.TAP else "on" if to >= 0.5 else "off"


class Describer:
    """Knows the facts of spots.

    Args:
        rig: The rig.
        engine: Its rules: what is declared is asked of them, not what holds at the moment.
        words: The controller's words.
        rights: Whose hands are on it.
    """

    def __init__(self, rig: Rig, engine: Engine, words: ControllerWords, rights: Rights) -> None:
        self._layout = labelled(rig)
        self._words, self._rights = words, rights
        declared = Ceilings(rig, engine.matrix)
        self._hard, self._own = declared.hard, declared.own[rights.who]
        self._groups, self._group = engine.groups, range(engine.matrix.group, engine.matrix.sound)

    def ceiling(self, slot: int) -> float:
        """The declared ceiling of a slot for these hands, dB; ``inf`` for none.

        A group is as loud as its loudest, so the highest of their ceilings is its own.
        """
        if slot in self._group:
            return max((self.ceiling(s) for s in self._groups.members(slot)), default=math.inf)
        return min(self._hard[slot], self._own[slot])

    def of(self, spot: Spot) -> Facts:
        """The facts of a spot."""
        only_on = spot.slot != NOWHERE and self._rights.only_on(spot.slot)
        item = item_of(spot, self.ceiling, only_on)
        one_word = only_on or presses_only(spot.entry)
        return Facts(item, unit_of(spot), self._text(spot), off=not one_word)

    def _text(self, spot: Spot) -> str:
        entry = spot.entry
        name = "" if spot.slot == NOWHERE else self._layout.name(spot.slot)
        text = _ACTS[entry.action](entry, name)
        if is_level(entry) and spot.moves and entry.takeover != "jump":
            text += ", once it has met the level"
        if entry.label:
            text = f"{entry.label}: {text}"
        if entry.long_press is not None or entry.double_press is not None:
            text += "; held or pressed twice it means something else"
        if spot.turn != ALWAYS:
            text += f" (in turn {self._words.turns.names[spot.turn]})"
        return text


def labelled(rig: Rig) -> Layout:
    """The layout with what people call everything in place of the ids."""
    file = rig.file
    buses = tuple(rig.bus_label(number) for number in range(len(file.bus)))
    names = dict(zip(rig.layout.buses, buses, strict=True))
    return Layout(
        tuple(rig.channel_label(number) for number in range(len(file.channel))),
        buses,
        tuple(rig.person(number) for number in range(len(file.performer))),
        tuple(f"{group.id} in {names[group.bus]}" for group in file.group),
        rig.layout.presets,
    )

"""What a page shows, as latest values by key; only what changed is told again. Pure.

A *scene* is shared by all pages that show the same: one for each performer, one for the engineer.
Keys: a slot's number for its value, ``b`` and a bus for its state, ``h`` and a slot for the hands
on it, ``s`` and a slot for what became of the last wish there, and words for all else.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any

from bridge import units
from bridge.controllers import Controllers
from bridge.house import House
from bridge.mix.engine import Engine
from bridge.mix.gesture import OUTCOMES, RULES, TAKEN, Verdict
from bridge.mix.matrix import RUNNING
from bridge.pages.tops import Tops

BEAT_S = 2.0
"""Time between two signs of life: a page that hears none for three times as long is cut off."""

HANDS_S = 2.0
"""For so long after a movement a control counts as moved by somebody."""

WHY = {
    "rig ceiling": "the house limit",
    "bus ceiling": "the limit of this mix",
    "own ceiling": "your own limit",
    "engineer ceiling": "the engineer's limit",
    "post-fader ceiling": "the limit that the channel fader leaves",
    "feedback": "the feedback limit",
    "exposure": "the limit at an ear",
    "amplifier": "the most that the loudspeaker gives",
    "room window": "the edge of this room's preset",
}
"""What ends the room of a level, in the words of its bar: "3.0 dB to the house limit"."""

NO_HANDS = frozenset({"stage", "preset"})
"""Roads of wishes that no hand lies on: nobody is there to be careful of."""

Row = list[Any]


def shown(level_db: float) -> float | None:
    """A level for a page: tenths of a dB, null is off or not known."""
    return None if not level_db >= units.FLOOR_DB else round(level_db, 1)


def room(top_db: float) -> float | None:
    """A ceiling for a page: tenths rounded down, so that no page promises what is not there."""
    return None if not top_db < 1000.0 else int(top_db * 10.0 // 1.0) / 10.0


def said(verdict: Verdict) -> str:
    """A verdict in the words that stand at the control that was moved."""
    if verdict.outcome == TAKEN:
        if verdict.left_db < 1.0 and verdict.near in WHY:
            near = "at" if verdict.left_db < 0.05 else f"{verdict.left_db:.1f} dB below"
            return f"{near} {WHY[verdict.near]}"
        return ""
    return RULES[verdict.rule].format(level=units.text(verdict.level))


def top_of(engine: Engine, bus: int) -> float:
    """The right end of the bars of a bus, dB: the highest that the rig lets any of them go."""
    m, hard = engine.matrix, engine.ceilings.hard
    highest = max(hard[slot] for slot in (m.master + bus, *m.sends_of_bus(bus)))
    return float(min(20.0, max(0.0, highest)))


class Scene:
    """The latest values of one page, for one person.

    Args:
        house: What is shown.
        who: Performer's number, -1 the engineer.

    Attributes:
        values: All that the page shows, by key.
    """

    def __init__(self, house: House, who: int) -> None:
        self.house, self.who = house, who
        self.engine, self.matrix = house.engine, house.engine.matrix
        self.values: dict[str, Any] = {}
        self._own: list[float] = []
        self._stale: set[str] = set()

    # -- what changed ---------------------------------------------------------------------------

    def own_changed(self) -> bool:
        """Whether the engineer set this person another limit since the last time."""
        own = self.engine.ceilings.own[self.who]
        if own == self._own:
            return False
        self._own = list(own)
        return True

    def put(self, key: str, value: Any) -> None:
        """Take a value in; it is news when it differs."""
        if self.values.get(key, self) != value:
            self.values[key] = value
            self._stale.add(key)

    def news(self) -> set[str]:
        """Keys that changed since the last time."""
        stale, self._stale = self._stale, set()
        return stale

    def whole(self) -> list[str]:
        """Every key that a page needs that has just come; what was said before is over."""
        return [key for key in self.values if not (key[0] == "s" and key[1:].isdecimal())]

    # -- what there is to see -------------------------------------------------------------------

    def buses(self) -> Iterable[int]:
        """Numbers of the buses that are shown."""
        return range(self.matrix.buses)

    def look(self, bus: int, tops: Tops) -> None:
        """Take in all that there is to see of one bus."""
        m = self.matrix
        for slot in m.sends_of_bus(bus):
            if m.can_set[slot]:
                self.put(str(slot), self._level(slot, tops))
        self.put(str(m.master + bus), self._level(m.master + bus, tops))
        for first in (m.mute, m.open, m.dim, m.hold):
            self.put(str(first + bus), int(m.asked[first + bus] >= 0.5))
        self.put(f"b{bus}", self.engine.buses.state(bus))

    def _level(self, slot: int, tops: Tops) -> Row:
        """Asked, told, ceiling, rule; told is left out where nothing is on its way."""
        m = self.matrix
        top, rule = tops.of(slot, self.who)
        asked, told = shown(m.asked[slot]), shown(m.told[slot])
        return [asked, told, room(top), rule]

    def around(self, now_s: float) -> None:
        """Take in all that belongs to no bus: called with every look, so it is cheap."""
        m, engine = self.matrix, self.engine
        self.put("beat", int(now_s / BEAT_S))
        self.put("console", self.house.console.state)
        self.put("ready", int(engine.phase == RUNNING))
        self.put(str(m.silence), int(m.asked[m.silence] >= 0.5))

    # -- what was said and done -----------------------------------------------------------------

    def shows(self, slot: int) -> bool:
        """Whether a slot is on this page."""
        return str(slot) in self.values

    def hands(self, slot: int, names: list[list[str]]) -> None:
        """Who moves a control now: name and road of each."""
        if self.shows(slot):
            self.put(f"h{slot}", names)

    def told(self, number: int, verdict: Verdict) -> None:
        """A verdict that is this person's; the same words said twice are said twice."""
        words = said(verdict)
        if words or f"s{verdict.slot}" in self.values:
            self.put(f"s{verdict.slot}", [number, OUTCOMES[verdict.outcome], words])


class Talk:
    """Reads what the controllers' side notes of every wish, from wherever it came.

    Args:
        controllers: The side that notes it.
        name: The name of a performer, by number.
    """

    def __init__(self, controllers: Controllers, name: Callable[[int], str]) -> None:
        self._controllers, self._name = controllers, name
        self._read = sum(controllers.counts)
        self._hands: dict[int, dict[tuple[int, str], float]] = {}
        self._held: dict[int, set[tuple[int, str]]] = {}

    def new(self) -> Iterator[tuple[int, str, Verdict]]:
        """Verdicts since the last time, oldest first: running number, road, verdict."""
        kept = self._controllers.verdicts
        total = sum(self._controllers.counts)
        fresh = min(total - self._read, len(kept))
        self._read = total
        for place in range(fresh):
            at_s, road, verdict = kept[len(kept) - fresh + place]
            if road not in NO_HANDS:
                moved = self._hands.setdefault(verdict.slot, {})
                moved[verdict.who, road] = at_s + HANDS_S
            yield total - fresh + place, road, verdict

    def grip(self, slot: int | None, who: int, road: str) -> None:
        """A finger lies on a page's control; ``None``: on none."""
        for fingers in self._held.values():
            fingers.discard((who, road))
        if slot is not None:
            self._held.setdefault(slot, set()).add((who, road))

    def hands(self, now_s: float) -> dict[int, list[list[str]]]:
        """Who moves what: name and road, by slot; an empty list where nobody does any more."""
        found: dict[int, list[list[str]]] = {}
        for slot in [*self._hands.keys() | self._held.keys()]:
            moved = self._hands.get(slot, {})
            for key in [key for key, until_s in moved.items() if until_s <= now_s]:
                del moved[key]
            there = sorted(moved.keys() | self._held.get(slot, set()))
            found[slot] = [[self._name(who), road] for who, road in there]
            if not there:
                self._hands.pop(slot, None)
                self._held.pop(slot, None)
        return found

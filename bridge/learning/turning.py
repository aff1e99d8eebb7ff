"""One 7-bit controller: a place, clicks in one of three codings, or a button. Pure.

An endless knob says how far it was turned, with numbers near 0 and 127, near 64, or near 0 and 64;
a potentiometer says where it stands. What tells them apart without guessing: a potentiometer gets
from one side of a coding to the other only through the number that the coding has for standing
still, and no knob says that one. So a coding that is seen on both sides is certain, and one that is
seen on one side only needs another movement.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

from bridge.learning.finding import (
    ABSOLUTE,
    PRESS,
    RELATIVE,
    Ask,
    Movement,
    Sure,
    all_values,
)
from bridge.learning.presses import alternates, button, every_other_is_zero
from bridge.learning.watch import JITTER, Direction
from bridge.wire.midi_encode import RELATIVE as CODINGS

CLICKS_MAX = 24
"""Most clicks that one message of a knob says that is turned slowly (from memory)."""

CLICKS_MEAN = 12.0
"""Most clicks that it says on average."""

SHORT, LONG = 16, 64
"""Travel from which on a place is likely one, and certainly one, in steps of 7 bits."""


class Reading(NamedTuple):
    """One thing that it can be.

    Attributes:
        kind: As in ``finding``.
        sure: How sure that is.
        coding: The coding of clicks; empty for others.
        backwards: It counts down where the person turned it up.
    """

    kind: str
    sure: Sure
    coding: str = ""
    backwards: bool = False


class Coding(NamedTuple):
    """A coding that the numbers may be in; the better ones first when sorted."""

    backwards: bool
    clicks: float
    name: str
    both_ways: bool


def codings(moved: Sequence[Movement]) -> list[Coding]:
    """The codings of clicks that all numbers may be in, the likeliest first."""
    found = (_coding(name, table, moved) for name, table in CODINGS.items())
    return sorted(coding for coding in found if coding is not None)


def _coding(name: str, table: Sequence[int], moved: Sequence[Movement]) -> Coding | None:
    steps = [table[int(value)] for value in all_values(moved)]
    sizes = [abs(step) for step in steps]
    if not steps or min(sizes) == 0 or max(sizes) > CLICKS_MAX:
        return None
    mean = sum(sizes) / len(sizes)
    up, down = (_turned(table, moved, way) for way in (Direction.UP, Direction.DOWN))
    if mean > CLICKS_MEAN or up * down > 0:
        return None
    return Coding(up - down < 0, mean, name, min(steps) < 0 < max(steps))


def _turned(table: Sequence[int], moved: Sequence[Movement], way: Direction) -> int:
    """How far it was turned while the person was asked to turn it one way."""
    return sum(table[int(v)] for one in moved if one.direction is way for v in one.values)


def read_turning(moved: Sequence[Movement]) -> tuple[list[Reading], Ask | None]:
    """What a controller of 7 bits can be, the likeliest first, and what would make it surer.

    Args:
        moved: Its numbers 0..127, at least one.
    """
    values = all_values(moved)
    low, high = min(values), max(values)
    possible = codings(moved)
    both = [one for one in possible if one.both_ways]
    if low == high:
        return _steady(moved, possible)
    if _is_button(moved, high - low) and not both:
        pressed = button(moved, lambda value: value > low)
        place = [Reading(ABSOLUTE, Sure.UNSURE)] if len(values) < 6 else []
        return [Reading(pressed.kind, pressed.sure), *place], pressed.ask
    if both:
        return _clicks(moved, both)
    if possible:
        return _one_sided(moved, possible)
    return _place(high - low)


def _is_button(moved: Sequence[Movement], distance: float) -> bool:
    two = len(set(all_values(moved))) == 2 and alternates(moved)
    return distance > JITTER and (two or every_other_is_zero(moved))


def _place(distance: float) -> tuple[list[Reading], Ask | None]:
    """No knob says this: it is a place, unless it only trembles."""
    if distance <= JITTER:
        return [Reading(ABSOLUTE, Sure.UNSURE), Reading(PRESS, Sure.UNSURE)], Ask.FARTHER
    if distance < SHORT:
        return [Reading(ABSOLUTE, Sure.UNSURE)], Ask.FARTHER
    return [Reading(ABSOLUTE, Sure.CERTAIN if distance >= LONG else Sure.LIKELY)], None


def _clicks(moved: Sequence[Movement], both: Sequence[Coding]) -> tuple[list[Reading], Ask | None]:
    """Numbers on both sides of standing still, and never there."""
    best = both[0]
    rest = [Reading(RELATIVE, Sure.UNSURE, one.name, one.backwards) for one in both[1:]]
    values = all_values(moved)
    asked = any(one.direction is Direction.UP and one.values for one in moved)
    clear = repeats(moved) >= 0.2 or asked or _far_apart(values, best.name)
    if len(values) >= 6 and clear:
        return [Reading(RELATIVE, Sure.CERTAIN, best.name, best.backwards), *rest], None
    other = button(moved, lambda value: value == max(values))
    others = [Reading(other.kind, Sure.UNSURE)] if len(set(values)) == 2 else []
    first = Reading(RELATIVE, Sure.UNSURE, best.name, best.backwards)
    return [first, *rest, *others, Reading(ABSOLUTE, Sure.UNSURE)], Ask.UP


def _far_apart(values: Sequence[float], coding: str) -> bool:
    """Whether several numbers lie on each side, and a wide gap between that nothing fell into."""
    table = CODINGS[coding]
    sides = [[v for v in values if (table[int(v)] > 0) == up] for up in (True, False)]
    gap = max(min(sides[0]) - max(sides[1]), min(sides[1]) - max(sides[0]))
    return gap >= SHORT and min(map(len, sides)) >= 3


def _one_sided(
    moved: Sequence[Movement], possible: Sequence[Coding]
) -> tuple[list[Reading], Ask | None]:
    """A knob turned one way, or a place that was moved a little."""
    place = Reading(ABSOLUTE, Sure.UNSURE)
    turned = [Reading(RELATIVE, Sure.UNSURE, one.name, one.backwards) for one in possible]
    ask = _next_question(moved, possible)
    if _goes_on(moved) or repeats(moved) < 0.2:
        if ask is None and all(one.direction is not Direction.DOWN for one in moved):
            ask = Ask.DOWN
        likely = place._replace(sure=Sure.LIKELY if ask is None else Sure.UNSURE)
        return [likely, *turned], ask
    if ask is None:
        turned[0] = turned[0]._replace(sure=Sure.LIKELY)
    return [*turned, place], ask


def _steady(
    moved: Sequence[Movement], possible: Sequence[Coding]
) -> tuple[list[Reading], Ask | None]:
    """Always the same number: clicks one way, or a button that tells its presses."""
    press = Reading(PRESS, Sure.UNSURE)
    if len(all_values(moved)) == 1:
        return [press, *(Reading(RELATIVE, Sure.UNSURE, one.name) for one in possible)], Ask.AGAIN
    turned = [Reading(RELATIVE, Sure.UNSURE, one.name, one.backwards) for one in possible]
    if not turned:
        ways = {one.direction for one in moved if one.values}
        sure = Sure.CERTAIN if {Direction.UP, Direction.DOWN} <= ways else Sure.LIKELY
        return [press._replace(sure=sure)], None
    ask = _next_question(moved, possible)
    if ask is None and turned[0].backwards:
        return [press._replace(sure=Sure.LIKELY), *turned], None
    if ask is None:
        turned[0] = turned[0]._replace(sure=Sure.LIKELY)
    return [*turned, press], ask


def _next_question(moved: Sequence[Movement], possible: Sequence[Coding]) -> Ask | None:
    """Up first; down as well where up fits two codings alike."""
    asked = {one.direction for one in moved if one.values}
    if Direction.UP not in asked:
        return Ask.UP
    alike = [one for one in possible if one[:2] == possible[0][:2]]
    return Ask.DOWN if len(alike) > 1 and Direction.DOWN not in asked else None


def _goes_on(moved: Sequence[Movement]) -> bool:
    """Whether the numbers themselves went up while it was turned up."""
    values = [value for one in moved if one.direction is Direction.UP for value in one.values]
    rises = [b - a for a, b in pairwise(values)]
    return len(rises) >= 3 and sum(rise > 0 for rise in rises) >= 0.7 * len(rises)


def repeats(moved: Sequence[Movement]) -> float:
    """Share of numbers that are the same as the one before."""
    pairs = [pair for one in moved for pair in pairwise(one.values)]
    return sum(a == b for a, b in pairs) / len(pairs) if pairs else 0.0

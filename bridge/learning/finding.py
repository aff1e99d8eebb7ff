"""What a movement may have been: kinds of controls, and how sure that is. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import Enum, IntEnum
from typing import NamedTuple

from bridge.learning.watch import Direction, Take, Trace

ABSOLUTE, RELATIVE = "absolute", "relative"
MOMENTARY, LATCHING, PRESS = "momentary", "latching", "press"
"""Kinds of controls: a place, clicks, a button that tells press and release, one that keeps its own
state and tells it, one that tells presses only."""

KIND_WORDS = {
    ABSOLUTE: "a fader, knob or pedal that says where it stands",
    RELATIVE: "an endless knob that says its clicks",
    MOMENTARY: "a button that says press and release",
    LATCHING: "a button that keeps its own state",
    PRESS: "a button that says its presses only",
}
"""What people call the kinds."""

Setting = bool | int | float | str | list[bool | int | float | str]
"""What a key of an entry may be set to here."""


class Sure(IntEnum):
    """How sure a finding is."""

    UNSURE = 0
    LIKELY = 1
    CERTAIN = 2


SURE_WORDS = {Sure.UNSURE: "unsure", Sure.LIKELY: "likely", Sure.CERTAIN: "certain"}


class Ask(Enum):
    """What the person could do to make it surer."""

    UP = Direction.UP
    DOWN = Direction.DOWN
    HOLD = Direction.HOLD
    FARTHER = "farther"
    AGAIN = "again"

    @property
    def direction(self) -> Direction:
        """What the next take is then."""
        return self.value if isinstance(self.value, Direction) else Direction.FREE


class Movement(NamedTuple):
    """The numbers of one take: what was asked for, each number, and when it came (s)."""

    direction: Direction
    values: tuple[float, ...]
    at_s: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that the control can be.

    Attributes:
        kind: ``absolute``, ``relative``, ``momentary``, ``latching`` or ``press``.
        keys: The keys of its entry that say which message, ready for the map.
        words: The same for a person.
        sure: How sure it is.
        went: Absolute: lowest and highest number that came.
        ends: Absolute: numbers at both ends of the travel, as far as they are known.
        span: The same where an entry has to say them; None where the message's own will do.
        unit_db: Absolute: the number counts in so many dB; 0 where it is a travel.
        off: Absolute, in dB: the number that says off; None where none was seen.
        states: Button: what says 0 and what says 1, as heard; None where any number may.
        plain: A map needs no words for these states.
        backwards: Relative: it counts down where the person turned it up.
        notes: What else a person should know.
    """

    kind: str
    keys: Mapping[str, Setting]
    words: str
    sure: Sure
    went: tuple[float, float] | None = None
    ends: tuple[float, float] | None = None
    span: tuple[float, float] | None = None
    unit_db: float = 0.0
    off: float | None = None
    states: tuple[bool | int | float | str, bool | int | float | str] | None = None
    plain: bool = True
    backwards: bool = False
    notes: tuple[str, ...] = ()

    @property
    def told(self) -> str:
        """All of it in words."""
        return f"{KIND_WORDS[self.kind]}: {self.words}"

    def at_most(self, sure: Sure, *notes: str) -> Finding:
        """The same, no surer than that, with notes."""
        return replace(self, sure=min(sure, self.sure), notes=(*self.notes, *notes))


MOVING, STEADY, TREMBLING = 2, 1, 0
"""How much something moves: from place to place, always the same word, hardly."""


@dataclass(slots=True)
class Group:
    """Messages that belong together, and what they can be.

    Attributes:
        findings: The likeliest first.
        ask: What would make it surer.
        moves: ``MOVING``, ``STEADY`` or ``TREMBLING``.
        weight: How much was said.
    """

    findings: list[Finding]
    ask: Ask | None = None
    moves: int = MOVING
    weight: int = 0
    notes: list[str] = field(default_factory=list)


def movements(takes: Sequence[Take], traces: Sequence[Trace | None]) -> list[Movement]:
    """The numbers of one key in every take that has any.

    Args:
        takes: The takes.
        traces: The key's trace in each of them.
    """
    found = []
    for take, trace in zip(takes, traces, strict=True):
        if trace is None:
            continue
        samples = [one for one in trace.samples if isinstance(one.value, int)]
        values = tuple(float(one.value) for one in samples if isinstance(one.value, int))
        found.append(Movement(take.direction, values, tuple(one.at_s for one in samples)))
    return found


def all_values(moved: Sequence[Movement]) -> list[float]:
    """Every number of every take."""
    return [value for one in moved for value in one.values]

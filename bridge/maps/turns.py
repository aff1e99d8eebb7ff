"""Controls that mean several things in turn: which turn is on, and who speaks in it. Pure.

A turn belongs to one controller. What a press meant when it began it means to its end: a foot that
stays on a switch while another one turns still lets go of what it held.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from bridge.maps.model import Turn
from bridge.maps.move import TURN_BY, TURN_TO, Move
from bridge.maps.scale import Raw
from bridge.units import Law

ALWAYS = -1
"""The turn of what speaks in all of them."""

ANY = "*"
"""What a map calls whichever turn is on."""


class Turns:
    """The turns of one controller.

    Attributes:
        now: Number of the turn that is on, from 0.
        names: What people call each; empty for a controller without turns.
    """

    def __init__(self, turns: Sequence[Turn]) -> None:
        self.names = tuple(one.label or one.id for one in turns)
        self._ids = tuple(one.id for one in turns)
        self._of_spot: dict[int, tuple[int, int]] = {}
        self.now = 0

    def __bool__(self) -> bool:
        """Whether there are any."""
        return bool(self.names)

    def number(self, name: str | None) -> int:
        """The number of a turn by its id; ``ALWAYS`` for None and for any."""
        return self._ids.index(name) if name in self._ids else ALWAYS

    def bind(self, spot: int, turn: int, control: int) -> None:
        """A control's spot speaks in one turn only."""
        if turn != ALWAYS:
            self._of_spot[spot] = (turn, control)

    def turn_of(self, spot: int) -> int:
        """The turn in which a spot speaks."""
        return self._of_spot.get(spot, (ALWAYS, 0))[0]

    def speaking(
        self, heard: Sequence[tuple[int, Raw]], is_down: Callable[[int], bool]
    ) -> Sequence[tuple[int, Raw]]:
        """Of what a message may mean, what it means in this turn.

        Args:
            heard: Spots with their numbers.
            is_down: Whether a control is held; if it has been since another turn, it alone speaks.
        """
        held = [one for one in heard if self._is_elsewhere(one[0], is_down)]
        return held or [one for one in heard if self.turn_of(one[0]) in (ALWAYS, self.now)]

    def _is_elsewhere(self, spot: int, is_down: Callable[[int], bool]) -> bool:
        turn, control = self._of_spot.get(spot, (ALWAYS, 0))
        return turn not in (ALWAYS, self.now) and is_down(control)

    def take(self, moves: Sequence[Move]) -> tuple[list[Move], bool]:
        """Do what moves say about the turn.

        Returns:
            The other moves, and whether another turn is on now.
        """
        before, others = self.now, []
        for move in moves:
            if move.action == TURN_BY:
                self.now = (self.now + int(move.value)) % len(self.names)
            elif move.action == TURN_TO:
                self.now = int(move.value)
            else:
                others.append(move)
        return others, self.now != before

    def clashing(self, spots: Sequence[int]) -> list[int]:
        """Of the spots of one message, those that speak together with another one."""
        turns = [self.turn_of(spot) for spot in spots]
        return [
            spot
            for number, spot in enumerate(spots)
            if any(
                turns[number] == turn or ALWAYS in (turns[number], turn)
                for other, turn in enumerate(turns)
                if other != number
            )
        ]


class TurnScale:
    """Which turn is on, as a display shows it: its number from 1, or its name."""

    __slots__ = ("_said", "law")

    law: Law | None

    def __init__(self, names: Sequence[str], *, text: bool) -> None:
        """Prepare a scale for turns with these names."""
        self._said: tuple[Raw, ...] = tuple(names) if text else tuple(range(1, len(names) + 1))
        self.law = None

    def raw(self, value: float) -> Raw:
        """What shows a turn, by its number from 0."""
        return self._said[int(value)]

    def value(self, _: Raw) -> float:
        """Nothing: a display says nothing."""
        return math.nan

    def position(self, _: Raw) -> float:
        """There is no travel."""
        return math.nan

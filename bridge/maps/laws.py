"""The laws that a map can declare, prepared for use in a message's way. Pure."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from itertools import pairwise

from bridge.units import OFF, SCALE_60268_18, ControllerLaw, Law, TableLaw

SLOPE_MIN_DB = 1.0
"""Least rise of a law, in dB over the whole travel, at any place: a flatter one has no inverse."""


@dataclass(frozen=True, slots=True)
class PointsLaw:
    """The law of ``units.TableLaw`` with its columns prepared: several times faster a look-up.

    Attributes:
        positions: Positions of the break points, from 0 to 1.
        levels: Their levels, dB.
        rises: Rise from each point to the next, dB for the whole travel.
        off_at_bottom: Position 0 is off.
    """

    positions: tuple[float, ...]
    levels: tuple[float, ...]
    rises: tuple[float, ...]
    off_at_bottom: bool

    def db(self, position: float) -> float:
        """Level in dB at a position; positions outside 0..1 count as the nearer end."""
        if position <= 0.0:
            return OFF if self.off_at_bottom else self.levels[0]
        if position >= 1.0:
            return self.levels[-1]
        at = bisect_right(self.positions, position) - 1
        return self.levels[at] + self.rises[at] * (position - self.positions[at])

    def position(self, level_db: float) -> float:
        """Position of a level; levels outside the law's range count as the nearer end."""
        if level_db <= self.levels[0]:
            return 0.0
        if level_db >= self.levels[-1]:
            return 1.0
        at = bisect_right(self.levels, level_db) - 1
        return self.positions[at] + (level_db - self.levels[at]) / self.rises[at]


def points_law(table: TableLaw, shift_db: float = 0.0) -> PointsLaw:
    """A table law, moved up by ``shift_db``, ready for use in a message's way.

    Raises:
        ValueError: a part of it rises too little to be inverted.
    """
    for (x0, y0), (x1, y1) in pairwise(table.points):
        if not (y1 - y0) >= SLOPE_MIN_DB * (x1 - x0):
            raise ValueError(f"[{x1:g}, {y1:g}] rises by less than 1 dB for the whole travel")
    positions, levels = zip(*table.points, strict=True)
    rises = tuple((y1 - y0) / (x1 - x0) for (x0, y0), (x1, y1) in pairwise(table.points))
    return PointsLaw(positions, tuple(one + shift_db for one in levels), rises, table.off_at_bottom)


def straight_law(from_db: float, to_db: float, off_at_bottom: bool) -> PointsLaw:
    """A straight law.

    Raises:
        ValueError: it does not rise, or too little to be inverted.
    """
    return points_law(TableLaw(((0.0, from_db), (1.0, to_db)), off_at_bottom))


def curve_law(curve: str, top_db: float) -> Law:
    """A law by its name, with ``top_db`` at the top of the travel."""
    if curve == "40 log10":
        return ControllerLaw(top_db)
    return points_law(SCALE_60268_18, top_db)

"""Decibels, gain and the laws between a control's travel and a level. Pure.

Levels are in dB, 0 dB is unity, ``-inf`` is off. Positions are 0..1 of a control's travel.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

OFF = -math.inf
FLOOR_DB = -90.0
"""Below this a level is off: written ``-inf``, shown as "off"."""


def gain(level_db: float) -> float:
    """Amplitude factor of a level: 0 dB is 1.0, off is 0.0."""
    return 0.0 if level_db == OFF else 10.0 ** (level_db / 20.0)


def level(amplitude: float) -> float:
    """Level in dB of an amplitude factor; 0.0 is off.

    Raises:
        ValueError: ``amplitude`` is negative or not a number.
    """
    if not amplitude >= 0.0:
        raise ValueError(f"amplitude is {amplitude}, expected 0 or more")
    return OFF if amplitude == 0.0 else 20.0 * math.log10(amplitude)


def floored(level_db: float) -> float:
    """The level itself, or off when it lies below the floor."""
    return level_db if level_db >= FLOOR_DB else OFF


def text(level_db: float) -> str:
    """A level as people read it: ``-6.0 dB``, or ``off``."""
    return "off" if level_db < FLOOR_DB else f"{level_db:.1f} dB"


class Law(Protocol):
    """A monotone rule between position 0..1 and level in dB, invertible on its range."""

    def db(self, position: float) -> float:
        """Level in dB at a position; positions outside 0..1 count as the nearer end."""

    def position(self, level_db: float) -> float:
        """Position of a level; levels outside the law's range count as the nearer end."""


def _clamped(position: float) -> float:
    return 0.0 if position <= 0.0 else 1.0 if position >= 1.0 else position


@dataclass(frozen=True, slots=True)
class LinearLaw:
    """Linear in dB between two ends; with ``off_at_bottom`` position 0 is off.

    Raises:
        ValueError: the ends are not finite and rising.
    """

    from_db: float
    to_db: float
    off_at_bottom: bool = False

    def __post_init__(self) -> None:
        if not (math.isfinite(self.from_db) and math.isfinite(self.to_db)):
            raise ValueError("from_db and to_db must be finite")
        if not self.from_db < self.to_db:
            raise ValueError(f"from_db {self.from_db} is not below to_db {self.to_db}")

    def db(self, position: float) -> float:
        """Level in dB at a position."""
        if position <= 0.0:
            return OFF if self.off_at_bottom else self.from_db
        return self.from_db + (self.to_db - self.from_db) * _clamped(position)

    def position(self, level_db: float) -> float:
        """Position of a level."""
        return _clamped((level_db - self.from_db) / (self.to_db - self.from_db))


@dataclass(frozen=True, slots=True)
class ControllerLaw:
    """``40 log10(position)``, the recommended curve of MIDI volume and expression; 0 is off.

    Source: General MIDI 2, gain = 40 log10(cc7 / 127), printed table 127, 64, 32, 16 ->
    0, -11.9, -24.0, -36.0 dB. ``top_db`` shifts the whole curve.
    """

    top_db: float = 0.0

    def db(self, position: float) -> float:
        """Level in dB at a position."""
        if position <= 0.0:
            return OFF
        return self.top_db + 40.0 * math.log10(_clamped(position))

    def position(self, level_db: float) -> float:
        """Position of a level."""
        if level_db == OFF:
            return 0.0
        return _clamped(10.0 ** min((level_db - self.top_db) / 40.0, 0.0))


@dataclass(frozen=True, slots=True)
class TableLaw:
    """Straight lines between break points ``(position, dB)``, both strictly rising.

    With ``off_at_bottom`` the first point's position and all below is off.

    Raises:
        ValueError: fewer than two points, ends that are not 0 and 1, or points that do not rise.
    """

    points: tuple[tuple[float, float], ...]
    off_at_bottom: bool = False

    def __post_init__(self) -> None:
        if len(self.points) < 2:
            raise ValueError("a table needs two points or more")
        if self.points[0][0] != 0.0 or self.points[-1][0] != 1.0:
            raise ValueError("the first position must be 0 and the last 1")
        if not all(math.isfinite(x) and math.isfinite(y) for x, y in self.points):
            raise ValueError("positions and levels must be finite")
        for (x0, y0), (x1, y1) in zip(self.points, self.points[1:], strict=False):
            if not (x0 < x1 and y0 < y1):
                raise ValueError(f"({x1:g}, {y1:g}) does not rise above ({x0:g}, {y0:g})")

    def db(self, position: float) -> float:
        """Level in dB at a position."""
        if position <= 0.0:
            return OFF if self.off_at_bottom else self.points[0][1]
        return _between(self.points, position, 0)

    def position(self, level_db: float) -> float:
        """Position of a level."""
        if level_db <= self.points[0][1]:
            return 0.0
        return _between(self.points, level_db, 1)


def _between(points: Sequence[tuple[float, float]], value: float, column: int) -> float:
    """Interpolate on a rising table from ``column`` (0 or 1) to the other one."""
    known = [point[column] for point in points]
    wanted = [point[1 - column] for point in points]
    if value >= known[-1]:
        return wanted[-1]
    after = max(1, bisect_right(known, value))
    x0, x1 = known[after - 1], known[after]
    y0, y1 = wanted[after - 1], wanted[after]
    return y0 + (y1 - y0) * (value - x0) / (x1 - x0)


SCALE_60268_18 = TableLaw(
    (
        (0.0, -70.0),
        (0.025, -60.0),
        (0.075, -50.0),
        (0.15, -40.0),
        (0.30, -30.0),
        (0.50, -20.0),
        (1.00, 0.0),
    ),
    off_at_bottom=True,
)
"""The deflection of bar meters built after IEC 60268-18, used as a fader law: 0 dB at the top.

Source: the piecewise law as open programs use it (from memory that it is verbatim the standard's).
"""

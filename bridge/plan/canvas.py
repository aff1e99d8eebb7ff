"""Where on the sheet a stage lies, and where a label still finds room. Pure.

Everything is in metres of the stage; ``metres_a_point`` turns the size of print into it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from bridge.plan.scene import Scene
from bridge.stage.geometry import Point

WIDTH_MM, HEIGHT_MM = 180.0, 215.0
"""Largest drawing on an A4 sheet with its margins and a caption."""

MARGIN_M = 0.9
LEAST_M = 4.0
"""A single microphone is not blown up to the size of the sheet."""

POINT_MM = 25.4 / 72.0
LETTER = 0.56
"""Mean width of a letter, in heights of the print."""

LOBE_M = (0.24, 0.6)
"""Smallest and largest radius of a pattern's front, m."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """The part of the stage that is drawn.

    Attributes:
        left, right, bottom, top: Its edges, m: to stage left is right, upstage is up.
        metres_a_mm: Metres of the stage on one millimetre of the sheet.
    """

    left: float
    right: float
    bottom: float
    top: float
    metres_a_mm: float

    @property
    def metres_a_point(self) -> float:
        """Metres of the stage on one point (1/72 inch) of the sheet."""
        return self.metres_a_mm * POINT_MM

    @property
    def inches(self) -> tuple[float, float]:
        """Width and height of the drawing, inches."""
        width, height = self.right - self.left, self.top - self.bottom
        return width / self.metres_a_mm / 25.4, height / self.metres_a_mm / 25.4


def sheet(stage: Scene) -> Sheet:
    """The smallest sheet that holds a scene and fits on A4."""
    every = places(stage)
    xs, ys = [at.x for at in every] or [0.0], [at.y for at in every] or [0.0]
    left, right = _spread(min(xs) - MARGIN_M, max(xs) + MARGIN_M)
    bottom, top = _spread(min(ys) - MARGIN_M, max(ys) + MARGIN_M)
    scale = max((right - left) / WIDTH_MM, (top - bottom) / HEIGHT_MM)
    wide = scale * WIDTH_MM  # the whole width is used, so that all sheets look alike
    middle = (left + right) / 2.0
    return Sheet(middle - wide / 2.0, middle + wide / 2.0, bottom, top, scale)


def places(stage: Scene) -> list[Point]:
    """Where everything stands."""
    return [
        *(mic.at for mic in stage.microphones),
        *(box.at for box in stage.loudspeakers),
        *(ear.at for ear in stage.listeners),
    ]


def _spread(low: float, high: float) -> tuple[float, float]:
    lack = max(LEAST_M - (high - low), 0.0) / 2.0
    return low - lack, high + lack


def lobe_m(places: Sequence[Sequence[float]]) -> float:
    """Radius of a pattern's front so that most neighbours do not run into one another, m."""
    near = [
        min((math.dist(a[:2], b[:2]) for j, b in enumerate(places) if j != i), default=math.inf)
        for i, a in enumerate(places)
    ]
    near.sort()
    middle = near[len(near) // 2] if near else math.inf
    return min(max(0.6 * middle, LOBE_M[0]), LOBE_M[1])


def bar_m(wide_m: float) -> float:
    """A round length for a scale bar, m: about a fifth of the width."""
    for length in (50.0, 20.0, 10.0, 5.0, 2.0, 1.0):
        if length <= wide_m / 4.0:
            return length
    return 0.5


Box = tuple[float, float, float, float]


@dataclass(slots=True)
class Room:
    """What is taken on the sheet already.

    Attributes:
        sheet: The sheet.
        taken: Boxes: left, bottom, right, top, m.
    """

    sheet: Sheet
    taken: list[Box] = field(default_factory=list)

    def size(self, text: str, points: float) -> tuple[float, float]:
        """Width and height of a text, m."""
        scale = self.sheet.metres_a_point
        return (len(text) * LETTER + 0.4) * points * scale, 1.35 * points * scale

    def take(self, x: float, y: float, radius: float) -> None:
        """Keep labels off a symbol."""
        self.taken.append((x - radius, y - radius, x + radius, y + radius))

    def find(
        self, text: str, points: float, spots: Iterable[tuple[float, float]]
    ) -> tuple[float, float] | None:
        """The first spot for a text's middle where it meets nothing; it is taken then."""
        wide, high = self.size(text, points)
        for x, y in spots:
            box = x - wide / 2.0, y - high / 2.0, x + wide / 2.0, y + high / 2.0
            if self._is_free(box):
                self.taken.append(box)
                return x, y
        return None

    def around(self, x: float, y: float, text: str, points: float, away: float
               ) -> list[tuple[float, float]]:  # fmt: skip
        """Spots beside a symbol: below, above, right, left, then farther out."""
        wide, high = self.size(text, points)
        spots = []
        for step in (1.0, 1.7, 2.6, 3.6):
            up, along = away * step + high / 2.0, away * step + wide / 2.0
            spots += [(x, y - up), (x, y + up), (x + along, y), (x - along, y)]
            slant = away * step
            spots += [(x + sx * (slant + wide / 2.0), y + sy * (slant + high / 2.0))
                      for sx in (1, -1) for sy in (-1, 1)]  # fmt: skip
        return spots

    def _is_free(self, box: Box) -> bool:
        left, bottom, right, top = box
        sheet = self.sheet
        inside = left >= sheet.left and right <= sheet.right
        inside = inside and bottom >= sheet.bottom and top <= sheet.top
        return inside and all(
            right <= other[0] or left >= other[2] or top <= other[1] or bottom >= other[3]
            for other in self.taken
        )

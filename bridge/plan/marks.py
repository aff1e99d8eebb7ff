"""The symbols of a stage plan as outlines in metres. Pure.

Each kind has a shape of its own, so nothing is said by colour alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from bridge.plan.scene import Loudspeaker, Microphone
from bridge.stage import geometry
from bridge.stage.geometry import Point
from bridge.stage.patterns import Pattern

Flat = tuple[float, float]

RANGE_DB = 30.0
"""From a pattern's front to the middle of its drawing, dB; more where nulls are deeper."""

STEEP_DEG = 60.0
"""A microphone that looks up or down more than this is drawn as the level plane cuts it."""

LOBE_STEP_DEG = 3


def turned(x: float, y: float, azimuth_deg: float) -> Flat:
    """A point of a symbol that looks upstage, turned to an azimuth."""
    angle = math.radians(azimuth_deg)
    return x * math.cos(angle) + y * math.sin(angle), y * math.cos(angle) - x * math.sin(angle)


def placed(outline: Sequence[Flat], at: Point, azimuth_deg: float) -> list[Flat]:
    """An outline turned and moved to a place."""
    found = []
    for x, y in outline:
        dx, dy = turned(x, y, azimuth_deg)
        found.append((at.x + dx, at.y + dy))
    return found


def range_db(mic: Microphone) -> float:
    """From the front to the middle of a pattern's drawing, dB: deeper than its nulls."""
    return max(RANGE_DB, 5.0 - mic.null_depth_db)


def is_steep(mic: Microphone) -> bool:
    """Whether a microphone looks so far up or down that its pattern cannot be laid flat."""
    return abs(mic.elevation_deg) > STEEP_DEG


def lobe(mic: Microphone, front_m: float) -> list[Flat]:
    """A microphone's pattern, dB re its front as the distance from its place.

    Laid flat on the stage, or as the level plane cuts it where it looks steeply up or down. Nulls
    are held above their declared depth.
    """
    pattern = Pattern(mic.a, 1.0 - mic.a)
    front = geometry.aim(mic.azimuth_deg, mic.elevation_deg if is_steep(mic) else 0.0)
    whole_db, outline = range_db(mic), []
    for azimuth in range(0, 360, LOBE_STEP_DEG):
        toward = geometry.aim(azimuth)
        level = pattern.level_db(geometry.angle_between_deg(front, toward), mic.null_depth_db)
        reach = front_m * max(1.0 + level / whole_db, 0.0)
        outline.append((mic.at.x + reach * toward.x, mic.at.y + reach * toward.y))
    return outline


def nulls(mic: Microphone, front_m: float) -> list[tuple[Flat, Flat]]:
    """Rays that mark a pattern's nulls: from near the middle to the level of the front."""
    if mic.null_deg is None or is_steep(mic):
        return []
    sides = {round(mic.null_deg, 3), round(-mic.null_deg, 3)} if mic.null_deg < 179.9 else {180.0}
    rays = []
    for side in sorted(sides):
        x, y = turned(0.0, front_m, mic.azimuth_deg + side)
        start = mic.at.x + 0.25 * x, mic.at.y + 0.25 * y
        rays.append((start, (mic.at.x + x, mic.at.y + y)))
    return rays


_WEDGE = ((-0.3, -0.18), (0.3, -0.18), (0.22, 0.18), (-0.22, 0.18))
_FILL = ((-0.3, -0.25), (0.3, -0.25), (0.3, 0.25), (-0.3, 0.25))
_DRUM = ((-0.35, -0.25), (0.35, -0.25), (0.35, 0.1), (0.0, 0.3), (-0.35, 0.1))
BODIES: dict[str, tuple[Flat, ...]] = {"wedge": _WEDGE, "side fill": _FILL, "drum fill": _DRUM}
"""Outlines that look upstage: a wedge narrows to its front, a side fill is square, a drum fill
has a point."""


def body(box: Loudspeaker) -> list[Flat]:
    """The outline of a loudspeaker's box, its front toward its axis."""
    return placed(BODIES[box.kind], box.at, box.azimuth_deg)


def coverage(box: Loudspeaker, reach_m: float) -> list[Flat]:
    """The sector between a loudspeaker's -6 dB edges, starting at its place."""
    half = min(box.coverage_deg, 360.0) / 2.0
    steps = max(2, round(half / 5.0))
    arc = [
        turned(0.0, reach_m, box.azimuth_deg - half + index * half / steps)
        for index in range(2 * steps + 1)
    ]
    start = [] if box.coverage_deg >= 360.0 else [(box.at.x, box.at.y)]
    return [*start, *((box.at.x + x, box.at.y + y) for x, y in arc)]


def axis(box: Loudspeaker, reach_m: float) -> tuple[Flat, Flat] | None:
    """The axis of a loudspeaker; None where it points straight up or is alike all around."""
    if abs(box.elevation_deg) > 85.0 or box.coverage_deg >= 360.0:
        return None
    x, y = turned(0.0, reach_m, box.azimuth_deg)
    return (box.at.x, box.at.y), (box.at.x + x, box.at.y + y)

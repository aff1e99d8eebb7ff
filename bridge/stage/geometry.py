"""Where things stand on the stage and where they point: points, aims, distances, angles. Pure.

The stage's axes, in metres: x to stage left, y upstage, z up. Stage left is the left hand of a
performer who faces the audience. The axes are right-handed. Azimuth 0 looks upstage (as a wedge
does), 90 to stage left, 180 to the audience (as a performer does); elevation 90 looks straight up.
"""

from __future__ import annotations

import math
from typing import NamedTuple


class Point(NamedTuple):
    """A place on the stage, or a direction from one place to another.

    Attributes:
        x: Metres to stage left.
        y: Metres upstage.
        z: Metres up from the stage floor.
    """

    x: float
    y: float
    z: float = 0.0


def distance_m(a: Point, b: Point) -> float:
    """Distance between two points, metres.

    Raises:
        ValueError: a coordinate is not finite.
    """
    distance = math.dist(a, b)
    if not math.isfinite(distance):
        raise ValueError(f"points: found {tuple(a)} and {tuple(b)}, expected finite metres")
    return distance


def aim(azimuth_deg: float, elevation_deg: float = 0.0) -> Point:
    """The direction of length 1 m that an azimuth and an elevation describe.

    Args:
        azimuth_deg: 0 upstage, 90 stage left, 180 to the audience, 270 (or -90) stage right.
        elevation_deg: -90 straight down .. 90 straight up.

    Raises:
        ValueError: an angle is not finite, or the elevation lies outside -90..90.
    """
    if not math.isfinite(azimuth_deg):
        raise ValueError(f"azimuth, degrees: found {azimuth_deg}, expected a finite number")
    if not -90.0 <= elevation_deg <= 90.0:
        raise ValueError(f"elevation, degrees: found {elevation_deg:g}, expected -90..90")
    azimuth, elevation = math.radians(azimuth_deg), math.radians(elevation_deg)
    flat = math.cos(elevation)
    return Point(flat * math.sin(azimuth), flat * math.cos(azimuth), math.sin(elevation))


def aim_at(start: Point, target: Point) -> Point:
    """The direction of length 1 m from one point to another.

    Raises:
        ValueError: both are the same place, or a coordinate is not finite.
    """
    distance = distance_m(start, target)
    if not distance > 0.0:
        raise ValueError(f"aim: found start and target both at {tuple(start)}, expected two places")
    dx, dy, dz = (there - here for here, there in zip(start, target, strict=True))
    return Point(dx / distance, dy / distance, dz / distance)


def azimuth_elevation_deg(direction: Point) -> tuple[float, float]:
    """Azimuth (0 to below 360) and elevation (-90..90) of a direction, degrees.

    Raises:
        ValueError: the direction has no length.
    """
    x, y, z = aim_at(Point(0.0, 0.0), direction)
    return math.degrees(math.atan2(x, y)) % 360.0, math.degrees(math.atan2(z, math.hypot(x, y)))


def angle_between_deg(one: Point, other: Point) -> float:
    """Angle between two directions, 0..180 degrees.

    Computed from the sine and the cosine together: the cosine alone loses half of its digits near
    0 and 180 degrees, where fronts and nulls are.

    Raises:
        ValueError: a direction has no length.
    """
    a, b = aim_at(Point(0.0, 0.0), one), aim_at(Point(0.0, 0.0), other)
    across = math.hypot(a.y * b.z - a.z * b.y, a.z * b.x - a.x * b.z, a.x * b.y - a.y * b.x)
    along = a.x * b.x + a.y * b.y + a.z * b.z
    return math.degrees(math.atan2(across, along))


def off_axis_deg(at: Point, direction: Point, target: Point) -> float:
    """How far a target lies off the aim of something that stands at a point, 0..180 degrees.

    Args:
        at: Where the microphone or the loudspeaker stands.
        direction: Where it points; any length above 0.
        target: What it hears or reaches.

    Raises:
        ValueError: target and thing stand at the same place, or the direction has no length.
    """
    return angle_between_deg(direction, aim_at(at, target))

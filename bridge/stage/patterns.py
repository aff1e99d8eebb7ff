"""First-order microphone patterns: how much a microphone hears from which angle. Pure.

A pattern is ``R(angle) = A + B cos(angle)`` with ``A + B = 1``, so the front is 0 dB. Energy
measures follow Gerzon, JASA 60 (1976) 278, and Heller, "Exact value of a for first-order
supercardioid microphone" (2011); patterns are those of a free field at one frequency, and real
microphones keep them in their middle range only.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from bridge.units import level

NULL_DEPTH_DB = -25.0
"""How deep the null of a real microphone on a real stage is taken to be: reflections and the
capsule's own errors fill it up (engineering value)."""

_SUM_TOLERANCE = 1e-6
"""A and B written with six digits or more add up to 1 within this."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """A first-order polar pattern, ``A + B cos(angle)``.

    Attributes:
        a: Part that hears pressure, 0..1.
        b: Part that hears the pressure's gradient, 0..1; ``a + b`` is 1.

    Raises:
        ValueError: a part lies outside 0..1, or they do not add up to 1.
    """

    a: float
    b: float

    def __post_init__(self) -> None:
        if not (0.0 <= self.a <= 1.0 and 0.0 <= self.b <= 1.0):
            raise ValueError(f"pattern: found A {self.a:g}, B {self.b:g}, expected both in 0..1")
        if not abs(self.a + self.b - 1.0) <= _SUM_TOLERANCE:
            raise ValueError(f"pattern: found A + B = {self.a + self.b:g}, expected 1")

    def response(self, angle_deg: float) -> float:
        """Signed amplitude at an angle off the front, 1.0 in front; rear lobes are negative."""
        return self.a + self.b * math.cos(math.radians(angle_deg))

    def level_db(self, angle_deg: float, floor_db: float = NULL_DEPTH_DB) -> float:
        """Level at an angle, dB re the front, never below ``floor_db``.

        Args:
            angle_deg: Angle off the front, degrees; any sign, any number of turns.
            floor_db: Depth that a null is held above, dB, 0 or less; ``-inf`` for the bare formula.

        Raises:
            ValueError: ``angle_deg`` is not finite, or ``floor_db`` is above 0.
        """
        if not floor_db <= 0.0:
            raise ValueError(f"null depth, dB: found {floor_db:g}, expected 0 or less")
        if not math.isfinite(angle_deg):
            raise ValueError(f"angle, degrees: found {angle_deg}, expected a finite number")
        return max(level(abs(self.response(angle_deg))), floor_db)

    @property
    def null_deg(self) -> float | None:
        """Angle of the null, degrees, 90..180; None where the pattern has none (A above B)."""
        if self.a > self.b:
            return None
        return math.degrees(math.acos(-self.a / self.b))

    @property
    def wedge_deg(self) -> float:
        """Angle off the front where a wedge is heard least, degrees: the null, else the rear."""
        null_deg = self.null_deg
        return 180.0 if null_deg is None else null_deg

    @property
    def random_energy_efficiency(self) -> float:
        """Share of a diffuse field's energy that the pattern takes up, 0.25..1; omni is 1."""
        return self.a * self.a + self.b * self.b / 3.0

    @property
    def directivity_index_db(self) -> float:
        """Front against diffuse field, dB, 0..6.02."""
        return -10.0 * math.log10(self.random_energy_efficiency)

    @property
    def distance_factor(self) -> float:
        """How many times farther than an omni it may stand for the same diffuse share, 1..2."""
        return 1.0 / math.sqrt(self.random_energy_efficiency)

    def acceptance_deg(self, drop_db: float = 3.0) -> float:
        """Full front arc in which the level stays within ``drop_db`` of the front, degrees.

        Args:
            drop_db: Allowed drop, dB, above 0.

        Raises:
            ValueError: ``drop_db`` is not above 0.
        """
        if not drop_db > 0.0:
            raise ValueError(f"drop, dB: found {drop_db:g}, expected more than 0")
        least = 10.0 ** (-drop_db / 20.0)
        if self.a - self.b >= least:  # even the rear is within the drop
            return 360.0
        return 2.0 * math.degrees(math.acos((least - self.a) / self.b))

    @property
    def front_to_back_db(self) -> float:
        """Energy taken up from the front half of a diffuse field against the back half, dB."""
        even = self.a * self.a + self.b * self.b / 3.0
        return 10.0 * math.log10((even + self.a * self.b) / (even - self.a * self.b))


_SUPER_A = (math.sqrt(3.0) - 1.0) / 2.0

PATTERNS: dict[str, Pattern] = {
    "omni": Pattern(1.0, 0.0),
    "subcardioid": Pattern(0.7, 0.3),
    "cardioid": Pattern(0.5, 0.5),
    "supercardioid": Pattern(_SUPER_A, 1.0 - _SUPER_A),
    "hypercardioid": Pattern(0.25, 0.75),
    "figure-8": Pattern(0.0, 1.0),
}
"""The named set. "supercardioid" is the exact pattern of most front energy (Heller 2011);
textbooks also print 0.37/0.63 and 0.375/0.625 under this name, so a rig may give A and B."""


def pattern(name: str) -> Pattern:
    """A pattern by its name in ``PATTERNS``.

    Raises:
        ValueError: no pattern has this name.
    """
    try:
        return PATTERNS[name]
    except KeyError:
        known = ", ".join(PATTERNS)
        raise ValueError(f"pattern: found '{name}', expected one of {known}") from None


def explicit(a: float) -> Pattern:
    """A pattern by its pressure part alone, 0..1; the gradient part is the rest.

    Raises:
        ValueError: ``a`` lies outside 0..1.
    """
    return Pattern(a, 1.0 - a)

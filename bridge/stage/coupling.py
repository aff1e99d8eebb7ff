"""How much of each bus comes back into each channel through the air. Pure.

``H[c, b]`` is a power ratio: what bus b at unity makes in channel c at unity. With every
loudspeaker s on b: ``H = sum_s 10^((spl1m_s - 20 log10 d_cs + W_s + D_c - ref_c) / 10)``. It
holds the direct sound only; walls and the low end, where wedges radiate all around, add to it, so
a rig that can be measured is measured (ring marks, ``headroom.py``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from bridge.stage.checks import finite, positive
from bridge.stage.geometry import Point, distance_m, off_axis_deg
from bridge.stage.patterns import NULL_DEPTH_DB, Pattern
from bridge.stage.sound import coherent_sum_db, distance_change_db, incoherent_sum_db

COVERAGE_DROP_DB = -6.0
"""Level at the edge of a printed coverage angle, dB re the axis (as data sheets mean it)."""

OFF_AXIS_FLOOR_DB = -12.0
"""Least that a wedge is taken to radiate in any direction, dB re the axis. Boxes this size shield
their rear by 10 to 20 dB in the voice range and hardly at all below (from memory); the cautious
end is chosen, since too little loss only warns too early."""

OMNI_DEG = 360.0
"""Coverage of a loudspeaker that radiates alike all around."""


@dataclass(frozen=True, slots=True)
class Microphone:
    """A microphone in front of its channel.

    Attributes:
        at: Where its capsule is, m.
        facing: Direction of its front.
        pattern: Its polar pattern.
        nominal_spl_db: Sound level at the capsule that gives nominal level in the channel, dB SPL.
        null_depth_db: Depth that its nulls are held above, dB, 0 or less.
    """

    at: Point
    facing: Point
    pattern: Pattern
    nominal_spl_db: float
    null_depth_db: float = NULL_DEPTH_DB

    def __post_init__(self) -> None:
        finite(self.nominal_spl_db, "nominal level at the microphone, dB SPL")
        self.pattern.level_db(0.0, self.null_depth_db)  # refuses a depth above 0

    def toward_db(self, place: Point) -> float:
        """How well it hears a place by direction alone, dB re its front."""
        angle = off_axis_deg(self.at, self.facing, place)
        return self.pattern.level_db(angle, self.null_depth_db)


@dataclass(frozen=True, slots=True)
class Loudspeaker:
    """A wedge, a side fill or any other loudspeaker that a bus feeds.

    Attributes:
        at: Where it stands, m.
        facing: Direction of its axis.
        spl_1m_db: Level at 1 m on axis when the bus puts out nominal level, dB SPL.
        coverage_deg: Full angle between its -6 dB edges, above 0 to 360; 360 is alike all around.
        floor_db: Least that it radiates anywhere, dB re the axis, 0 or less.
    """

    at: Point
    facing: Point
    spl_1m_db: float
    coverage_deg: float = 90.0
    floor_db: float = OFF_AXIS_FLOOR_DB

    def __post_init__(self) -> None:
        finite(self.spl_1m_db, "level at 1 m, dB SPL")
        off_axis_db(0.0, self.coverage_deg, self.floor_db)

    def level_db(self, place: Point) -> float:
        """Level that it makes at a place when the bus puts out nominal level, dB SPL.

        Raises:
            ValueError: the place is its own.
        """
        angle = off_axis_deg(self.at, self.facing, place)
        loss = off_axis_db(angle, self.coverage_deg, self.floor_db)
        return self.spl_1m_db + loss + distance_change_db(1.0, distance_m(self.at, place))


def off_axis_db(
    angle_deg: float, coverage_deg: float, floor_db: float = OFF_AXIS_FLOOR_DB
) -> float:
    """Level of a loudspeaker off its axis, dB re the axis.

    A main lobe that is a parabola in dB (a Gaussian beam): 0 on axis, -6 dB at half of the
    coverage angle, then on down to the floor. A shape to plan with, not a measured balloon.

    Args:
        angle_deg: Angle off the axis, 0..180 degrees.
        coverage_deg: Full angle between the -6 dB edges, above 0 to 360; 360 is alike all around.
        floor_db: Least level in any direction, dB, 0 or less.

    Raises:
        ValueError: the coverage or the floor lies outside its range.
    """
    if not 0.0 < coverage_deg <= OMNI_DEG:
        raise ValueError(f"coverage, degrees: found {coverage_deg:g}, expected above 0 to 360")
    if not floor_db <= 0.0:
        raise ValueError(f"off-axis floor, dB: found {floor_db:g}, expected 0 or less")
    if coverage_deg == OMNI_DEG:
        return 0.0
    edges = 2.0 * angle_deg / coverage_deg
    return max(COVERAGE_DROP_DB * edges * edges, floor_db)


def coupling_matrix(
    microphones: Sequence[Microphone | None], buses: Sequence[Sequence[Loudspeaker]]
) -> NDArray[np.float64]:
    """Coupling of every bus into every channel, as a power ratio, channels x buses.

    Args:
        microphones: One a channel; None where the channel has none (a line input): a zero row.
        buses: The loudspeakers of each bus; none where it feeds in-ears: a zero column.

    Raises:
        ValueError: a microphone and a loudspeaker stand at the same place; channel and bus are
            named by their numbers from 0.
    """
    matrix = np.zeros((len(microphones), len(buses)))
    heard = [(c, mic) for c, mic in enumerate(microphones) if mic is not None]
    for (c, microphone), (b, loudspeakers) in product(heard, enumerate(buses)):
        try:
            matrix[c, b] = coupling(microphone, loudspeakers)
        except ValueError as error:
            raise ValueError(f"channel {c}, bus {b}: {error}") from error
    return matrix


def coupling(microphone: Microphone, loudspeakers: Sequence[Loudspeaker]) -> float:
    """Power ratio that one bus at unity brings back into one channel at unity.

    Raises:
        ValueError: the microphone and a loudspeaker stand at the same place.
    """
    return float(
        sum(
            10.0 ** ((s.level_db(microphone.at) + heard_db(microphone, s)) / 10.0)
            for s in loudspeakers
        )
    )


def heard_db(microphone: Microphone, loudspeaker: Loudspeaker) -> float:
    """From a sound level at the capsule, dB SPL, to the channel's level, dB re nominal."""
    return microphone.toward_db(loudspeaker.at) - microphone.nominal_spl_db


def levels_at(place: Point, loudspeakers: Sequence[Loudspeaker]) -> tuple[float, float]:
    """Level of several loudspeakers at a place, dB SPL: programme and worst case.

    Returns:
        The sum of powers (different signals, or one signal averaged over frequency), and the sum
        of pressures in step (one signal, at the frequency where all arrive together).

    Raises:
        ValueError: the place is a loudspeaker's own.
    """
    levels = [loudspeaker.level_db(place) for loudspeaker in loudspeakers]
    return incoherent_sum_db(levels), coherent_sum_db(levels)


def nominal_at_voice(talker_spl_db: float, talker_m: float, microphone_m: float) -> float:
    """Level at a microphone of a voice whose level is known at another distance, dB SPL.

    Args:
        talker_spl_db: Level of the voice, dB SPL.
        talker_m: Distance where that level was read, m.
        microphone_m: Distance of the microphone, m.
    """
    finite(talker_spl_db, "voice, dB SPL")
    positive(talker_m, "distance, m")
    return talker_spl_db + distance_change_db(talker_m, microphone_m)

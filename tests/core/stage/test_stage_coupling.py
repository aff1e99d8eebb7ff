"""Coupling through the air: off-axis law, matrix, in-ears, lines, refusals."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from bridge.stage.coupling import (
    OFF_AXIS_FLOOR_DB,
    Loudspeaker,
    Microphone,
    coupling,
    coupling_matrix,
    heard_db,
    levels_at,
    nominal_at_voice,
    off_axis_db,
)
from bridge.stage.gain import loop_gain_db
from bridge.stage.geometry import Point, aim, aim_at
from bridge.stage.patterns import pattern

UPSTAGE = aim(0.0)
HERE = Point(0, 0, 1.6)


def microphone(name: str = "omni", *, at: Point = HERE, nominal: float = 94.0) -> Microphone:
    """A microphone whose front points upstage, at the singer behind it."""
    return Microphone(at, UPSTAGE, pattern(name), nominal)


def wedge(at: Point, spl_1m: float = 97.0, **more: float) -> Loudspeaker:
    """A wedge aimed at the microphone's place."""
    return Loudspeaker(at, aim_at(at, Point(0, 0, 1.6)), spl_1m, **more)


@pytest.mark.parametrize(
    ("angle", "expected"),
    [(0.0, 0.0), (22.5, -1.5), (45.0, -6.0), (63.0, -11.76), (90.0, -12.0), (180.0, -12.0)],
)
def test_a_90_degree_wedge_is_6_dB_down_at_45_degrees_and_then_falls_to_its_floor(
    angle: float, expected: float
) -> None:
    # The coverage angle of a data sheet lies between the -6 dB points (common practice).
    assert off_axis_db(angle, 90.0) == pytest.approx(expected, abs=1e-9)


def test_the_off_axis_floor_is_declared() -> None:
    assert off_axis_db(180.0, 60.0, -20.0) == -20.0
    assert off_axis_db(180.0, 60.0) == OFF_AXIS_FLOOR_DB
    assert off_axis_db(10.0, 1.0, 0.0) == 0.0


def test_a_loudspeaker_of_360_degrees_is_alike_all_around() -> None:
    assert [off_axis_db(angle, 360.0) for angle in (0.0, 90.0, 180.0)] == [0.0, 0.0, 0.0]


def test_off_axis_level_never_rises_with_the_angle() -> None:
    levels = [off_axis_db(float(angle), 75.0) for angle in range(181)]
    assert all(later <= earlier for earlier, later in pairwise(levels))


def test_coupling_on_axis_is_level_less_distance_less_nominal_level() -> None:
    # 97 dB at 1 m, 1.8 m away: 91.89 dB at the capsule; 94 dB give nominal level.
    place = Point(0, -1.8, 1.6)
    found = 10 * math.log10(coupling(microphone(), [wedge(place)]))
    assert found == pytest.approx(97 - 20 * math.log10(1.8) - 94, abs=1e-9)


def test_a_wedge_off_its_axis_couples_less_by_its_own_law() -> None:
    place = Point(0, -2, 1.6)
    aside = Loudspeaker(place, aim(45.0), 97.0)
    ratio = coupling(microphone(), [aside]) / coupling(microphone(), [wedge(place)])
    assert 10 * math.log10(ratio) == pytest.approx(-6.0, abs=1e-9)


def test_a_wedge_behind_a_cardioid_is_held_at_its_null_depth() -> None:
    behind = wedge(Point(0, -2, 1.6))
    omni, cardioid = coupling(microphone(), [behind]), coupling(microphone("cardioid"), [behind])
    assert 10 * math.log10(cardioid / omni) == pytest.approx(-25.0, abs=1e-6)


def test_a_cardioid_turned_to_its_6_dB_axis_has_6_dB_less_coupling() -> None:
    # Eargle 1999 p. 4-3: 6 dB more gain before feedback.
    beside = wedge(Point(2, 0, 1.6))
    ratio = coupling(microphone("cardioid"), [beside]) / coupling(microphone(), [beside])
    assert 10 * math.log10(ratio) == pytest.approx(-6.02, abs=0.01)


def test_a_supercardioid_rejects_a_wedge_in_its_null_and_not_one_straight_behind() -> None:
    vocal = microphone("supercardioid")
    null = math.radians(125.26)
    in_null = wedge(Point(2 * math.sin(null), 2 * math.cos(null), 1.6))
    behind = wedge(Point(0, -2, 1.6))
    assert heard_db(vocal, in_null) + 94 == pytest.approx(-25.0)
    assert heard_db(vocal, behind) + 94 == pytest.approx(-11.44, abs=0.01)


def test_a_loop_through_the_air_is_what_the_levels_say() -> None:
    # Talker 94 dB at the capsule, wedge 88 dB there, 11.70 dB off by pattern: -17.70 dB; computed.
    place = Point(0, -1, 1.6)
    dull = Microphone(Point(0, 0, 1.6), UPSTAGE, pattern("cardioid"), 94.0, null_depth_db=-11.70)
    found = 10 * math.log10(coupling(dull, [wedge(place, 88.0)]))
    assert found == pytest.approx(loop_gain_db(88, 94, pattern_db=-11.70), abs=1e-9)
    assert found == pytest.approx(-17.70, abs=1e-9)


def test_two_loudspeakers_on_one_bus_add_as_powers() -> None:
    left, right = wedge(Point(-1, -1, 0.2)), wedge(Point(1, -1, 0.2))
    both = coupling(microphone(), [left, right])
    assert both == pytest.approx(coupling(microphone(), [left]) + coupling(microphone(), [right]))


def test_in_ears_are_a_zero_column_and_a_line_input_is_a_zero_row() -> None:
    voice, accordion = microphone("cardioid"), microphone(at=Point(2, 1, 0.8))
    kit_wedge, side_fill = wedge(Point(0, -2, 0.2)), wedge(Point(5, 0, 2.5), 105.0)
    matrix = coupling_matrix([voice, None, accordion], [[kit_wedge], [], [side_fill, kit_wedge]])
    assert matrix.shape == (3, 3)
    assert not matrix[1].any() and not matrix[:, 1].any()
    assert (matrix[np.ix_([0, 2], [0, 2])] > 0.0).all()
    assert matrix[0, 2] > matrix[0, 0]


def test_a_stage_without_channels_or_buses_has_an_empty_matrix() -> None:
    assert coupling_matrix([], [[]]).shape == (0, 1)


def test_a_microphone_inside_a_wedge_is_refused_with_channel_and_bus() -> None:
    here = Point(0, 0, 1.6)
    with pytest.raises(ValueError, match=r"channel 1, bus 0: aim: found start and target both at"):
        coupling_matrix([None, microphone()], [[Loudspeaker(here, UPSTAGE, 97.0)]])


def test_level_at_the_ear_of_a_wedge_is_sensitivity_power_and_distance() -> None:
    # 97 dB at 1 W and 1 m, 200 W: 120.01 dB at 1 m, 114.90 dB at 1.8 m; computed.
    ear = Point(0, 0, 1.6)
    box = wedge(Point(0, -1.8, 1.6), 97 + 10 * math.log10(200))
    assert box.level_db(ear) == pytest.approx(114.90, abs=0.005)


def test_levels_at_a_point_are_given_as_programme_and_as_worst_case() -> None:
    left, right = wedge(Point(-2, 0, 1.6), 90.0), wedge(Point(2, 0, 1.6), 90.0)
    programme, worst = levels_at(Point(0, 0, 1.6), [left, right])
    alone = 90 - 20 * math.log10(2)
    assert programme == pytest.approx(alone + 3.0103, abs=1e-3)
    assert worst == pytest.approx(alone + 6.0206, abs=1e-3)
    assert levels_at(Point(0, 0), []) == (-math.inf, -math.inf)


def test_a_voice_is_louder_at_a_closer_microphone() -> None:
    # 70 dB at 1 m are 94 dB at 6.3 cm.
    assert nominal_at_voice(70.0, 1.0, 0.0631) == pytest.approx(94.0, abs=0.01)


@pytest.mark.parametrize("coverage", [0.0, -90.0, 361.0, math.nan])
def test_a_coverage_that_is_none_is_refused(coverage: float) -> None:
    with pytest.raises(ValueError, match="coverage, degrees"):
        wedge(Point(0, -2, 0), coverage_deg=coverage)


@pytest.mark.parametrize("floor", [1.0, math.nan])
def test_a_floor_above_the_axis_is_refused(floor: float) -> None:
    with pytest.raises(ValueError, match="off-axis floor"):
        wedge(Point(0, -2, 0), floor_db=floor)


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_levels_that_are_not_finite_are_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="level at 1 m"):
        wedge(Point(0, -2, 0), bad)
    with pytest.raises(ValueError, match="nominal level at the microphone"):
        microphone(nominal=bad)


def test_a_null_depth_above_the_front_is_refused_at_once() -> None:
    with pytest.raises(ValueError, match="null depth"):
        Microphone(Point(0, 0), UPSTAGE, pattern("omni"), 94.0, null_depth_db=3.0)

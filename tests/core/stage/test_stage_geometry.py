"""Points, aims and angles on the stage's axes: x stage left, y upstage, z up."""

from __future__ import annotations

import math

import pytest

from bridge.stage.geometry import (
    Point,
    aim,
    aim_at,
    angle_between_deg,
    azimuth_elevation_deg,
    distance_m,
    off_axis_deg,
)


def near(point: Point) -> object:
    return pytest.approx(tuple(point), abs=1e-12)


@pytest.mark.parametrize(
    ("azimuth", "elevation", "expected"),
    [
        (0.0, 0.0, Point(0, 1, 0)),  # upstage
        (90.0, 0.0, Point(1, 0, 0)),  # stage left
        (180.0, 0.0, Point(0, -1, 0)),  # to the audience
        (-90.0, 0.0, Point(-1, 0, 0)),  # stage right
        (0.0, 90.0, Point(0, 0, 1)),  # up
        (123.0, -90.0, Point(0, 0, -1)),  # down, whatever the azimuth
    ],
)
def test_an_aim_points_where_its_angles_say(
    azimuth: float, elevation: float, expected: Point
) -> None:
    assert tuple(aim(azimuth, elevation)) == near(expected)


def test_stage_left_is_the_left_hand_of_who_faces_the_audience() -> None:
    facing, up = aim(180.0), Point(0, 0, 1)
    left = Point(  # up x facing, in axes that are right-handed
        up.y * facing.z - up.z * facing.y,
        up.z * facing.x - up.x * facing.z,
        up.x * facing.y - up.y * facing.x,
    )
    assert tuple(left) == near(Point(1, 0, 0))


@pytest.mark.parametrize("azimuth", [0.0, 33.0, 180.0, 271.5])
@pytest.mark.parametrize("elevation", [-60.0, 0.0, 45.0])
def test_angles_of_an_aim_are_the_angles_it_was_made_of(azimuth: float, elevation: float) -> None:
    assert azimuth_elevation_deg(aim(azimuth, elevation)) == pytest.approx((azimuth, elevation))


def test_distance_is_the_straight_line() -> None:
    assert distance_m(Point(1, 2, 3), Point(3, 5, 9)) == 7.0


def test_an_aim_at_a_place_has_length_one() -> None:
    assert tuple(aim_at(Point(1, 1, 1), Point(1, 4, 5))) == near(Point(0, 0.6, 0.8))


def test_a_wedge_that_faces_its_performer_has_them_on_axis() -> None:
    wedge, ears = Point(0, -1, 0.2), Point(0, 0.5, 1.7)
    assert off_axis_deg(wedge, aim_at(wedge, ears), ears) == pytest.approx(0.0, abs=1e-9)
    assert off_axis_deg(wedge, aim(0.0, 45.0), ears) == pytest.approx(0.0, abs=1e-9)
    assert off_axis_deg(wedge, aim(180.0), Point(0, 5, 0.2)) == pytest.approx(180.0)


def test_a_small_angle_keeps_its_digits() -> None:
    # arccos of a dot product would give 0 here: 1 - cos is 1e-18.
    assert angle_between_deg(Point(1, 0), Point(1, 1e-9)) == pytest.approx(
        math.degrees(1e-9), rel=1e-9
    )


def test_the_length_of_a_direction_does_not_matter() -> None:
    assert angle_between_deg(Point(0, 5), Point(0.01, 0.01)) == pytest.approx(45.0)


def test_two_things_at_one_place_are_refused() -> None:
    with pytest.raises(ValueError, match="expected two places"):
        off_axis_deg(Point(1, 1), aim(0.0), Point(1, 1))


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_coordinates_that_are_not_finite_are_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="finite metres"):
        distance_m(Point(bad, 0), Point(0, 0))


@pytest.mark.parametrize("elevation", [90.1, -91.0, math.nan])
def test_an_elevation_beyond_straight_up_is_refused(elevation: float) -> None:
    with pytest.raises(ValueError, match="elevation"):
        aim(0.0, elevation)


def test_an_azimuth_that_is_no_number_is_refused() -> None:
    with pytest.raises(ValueError, match="azimuth"):
        aim(math.nan)

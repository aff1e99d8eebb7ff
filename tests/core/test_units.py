"""Decibels, gain and the laws between travel and level. Pure."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest

from bridge.units import (
    FLOOR_DB,
    OFF,
    SCALE_60268_18,
    ControllerLaw,
    Law,
    LinearLaw,
    TableLaw,
    floored,
    gain,
    level,
    text,
)

STEPS = 2000
POSITIONS = [step / STEPS for step in range(STEPS + 1)]
LAWS: dict[str, Law] = {
    "linear": LinearLaw(-40.0, 0.0),
    "linear with off": LinearLaw(-60.0, 10.0, off_at_bottom=True),
    "controller": ControllerLaw(),
    "controller shifted": ControllerLaw(top_db=6.0),
    "table": TableLaw(((0.0, -50.0), (0.4, -20.0), (1.0, 5.0))),
    "scale": SCALE_60268_18,
}
WITH_OFF = ("linear with off", "controller", "controller shifted", "scale")
each_law = pytest.mark.parametrize("law", LAWS.values(), ids=LAWS.keys())


@each_law
def test_a_law_never_falls_when_the_control_goes_up(law: Law) -> None:
    levels = [law.db(position) for position in POSITIONS]
    assert all(lower < higher for lower, higher in pairwise(levels))


@each_law
def test_a_law_gives_back_the_position_it_came_from(law: Law) -> None:
    for position in POSITIONS[1:]:
        assert law.position(law.db(position)) == pytest.approx(position, abs=1e-9)


@each_law
def test_the_ends_of_a_law_go_both_ways(law: Law) -> None:
    assert law.position(law.db(0.0)) == 0.0
    assert law.position(law.db(1.0)) == 1.0


@each_law
def test_positions_outside_the_travel_count_as_the_nearer_end(law: Law) -> None:
    assert law.db(-0.5) == law.db(0.0)
    assert law.db(1.5) == law.db(1.0)


@each_law
def test_levels_outside_a_law_count_as_the_nearer_end(law: Law) -> None:
    assert law.position(OFF) == 0.0
    assert law.position(law.db(1.0) + 30.0) == 1.0
    assert law.position(-200.0) <= 1e-4


@each_law
def test_a_level_never_comes_back_louder_than_it_went_in(law: Law) -> None:
    top = law.db(1.0)
    for tenth in range(-900, 100):
        wanted = tenth / 10.0
        again = law.db(law.position(wanted))
        lowest = law.db(0.0)
        assert again <= max(wanted, lowest) + 1e-9 and again <= top


@pytest.mark.parametrize("name", WITH_OFF)
def test_the_bottom_of_a_law_with_off_is_off(name: str) -> None:
    assert LAWS[name].db(0.0) == OFF
    assert LAWS[name].position(OFF) == 0.0
    assert math.isfinite(LAWS[name].db(1e-6))


@pytest.mark.parametrize("name", sorted(set(LAWS) - set(WITH_OFF)))
def test_the_bottom_of_a_law_without_off_is_its_lowest_level(name: str) -> None:
    assert math.isfinite(LAWS[name].db(0.0))


# The piecewise deflection law that open programs use for meters after IEC 60268-18:
# % = 0.25 (d+70) to -60; 0.5 (d+60) + 2.5 to -50; 0.75 (d+50) + 7.5 to -40; 1.5 (d+40) + 15 to -30;
# 2 (d+30) + 30 to -20; 2.5 (d+20) + 50 to 0. Break points first, then values between them.
SCALE_ROWS = (
    (-70.0, 0.0),
    (-60.0, 2.5),
    (-50.0, 7.5),
    (-40.0, 15.0),
    (-30.0, 30.0),
    (-20.0, 50.0),
    (0.0, 100.0),
    (-45.0, 11.25),
    (-25.0, 40.0),
    (-18.0, 55.0),
    (-9.0, 77.5),
    (-6.0, 85.0),
)


@pytest.mark.parametrize(("level_db", "percent"), SCALE_ROWS)
def test_the_scale_stands_where_the_piecewise_law_says(level_db: float, percent: float) -> None:
    assert SCALE_60268_18.position(level_db) * 100.0 == pytest.approx(percent, abs=1e-9)
    if percent > 0.0:
        assert SCALE_60268_18.db(percent / 100.0) == pytest.approx(level_db, abs=1e-9)


def test_the_scale_stays_at_its_ends_beyond_them() -> None:
    assert SCALE_60268_18.position(-70.1) == 0.0
    assert SCALE_60268_18.position(0.1) == 1.0
    assert SCALE_60268_18.db(1.0) == 0.0


# General MIDI 2 (MMA RP-024), recommended response to controllers 7 and 11: 40 log10(value / 127).
# The first four are in the printed table, rounded to 0.1 dB; the others follow from the formula.
CONTROLLER_ROWS = (
    (127, 0.0, 0.0),
    (64, -11.90, 0.005),
    (32, -23.95, 0.006),
    (16, -35.99, 0.006),
    (100, -4.152, 0.0005),
    (80, -8.029, 0.0005),
    (1, -84.15, 0.005),
)


@pytest.mark.parametrize(("value", "level_db", "tolerance_db"), CONTROLLER_ROWS)
def test_the_controller_law_gives_the_recommended_levels(
    value: int, level_db: float, tolerance_db: float
) -> None:
    assert ControllerLaw().db(value / 127) == pytest.approx(level_db, abs=tolerance_db)


def test_controller_value_nought_is_off() -> None:
    assert ControllerLaw().db(0 / 127) == OFF


def test_volume_and_expression_at_100_add_up() -> None:
    one_db = ControllerLaw().db(100 / 127)
    assert one_db + one_db == pytest.approx(-8.304, abs=0.0005)


def test_the_top_of_a_shifted_controller_law_is_its_top() -> None:
    assert ControllerLaw(top_db=6.0).db(1.0) == 6.0
    assert ControllerLaw(top_db=6.0).db(100 / 127) == pytest.approx(6.0 - 4.152, abs=0.0005)


# 20 log10 of the amplitude: twice is 6.0206 dB, ten times is 20 dB.
GAIN_ROWS = (
    (0.0, 1.0),
    (20.0, 10.0),
    (-20.0, 0.1),
    (6.0206, 2.0),
    (-6.0206, 0.5),
    (-3.0103, 0.7071),
)


@pytest.mark.parametrize(("level_db", "factor"), GAIN_ROWS)
def test_gain_and_level_undo_each_other(level_db: float, factor: float) -> None:
    assert gain(level_db) == pytest.approx(factor, rel=1e-4)
    assert level(factor) == pytest.approx(level_db, abs=1e-3)
    assert level(gain(level_db)) == pytest.approx(level_db, abs=1e-12)


def test_off_is_no_amplitude_and_no_amplitude_is_off() -> None:
    assert gain(OFF) == 0.0
    assert level(0.0) == OFF


@pytest.mark.parametrize("amplitude", [-0.001, -math.inf, math.nan])
def test_an_amplitude_that_cannot_be_is_refused(amplitude: float) -> None:
    with pytest.raises(ValueError, match="expected 0 or more"):
        level(amplitude)


def test_below_the_floor_is_off_and_the_floor_itself_is_not() -> None:
    assert floored(FLOOR_DB) == FLOOR_DB
    assert floored(math.nextafter(FLOOR_DB, -math.inf)) == OFF
    assert floored(OFF) == OFF
    assert floored(-6.0) == -6.0


def test_not_a_number_counts_as_off() -> None:
    assert floored(math.nan) == OFF


@pytest.mark.parametrize(
    ("level_db", "shown"),
    [(OFF, "off"), (-90.1, "off"), (FLOOR_DB, "-90.0 dB"), (-6.0, "-6.0 dB"), (0.0, "0.0 dB")],
)
def test_a_level_is_shown_in_words(level_db: float, shown: str) -> None:
    assert text(level_db) == shown


@pytest.mark.parametrize(
    ("from_db", "to_db"),
    [(0.0, 0.0), (0.0, -40.0), (OFF, 0.0), (-40.0, math.inf), (math.nan, 0.0), (-40.0, math.nan)],
)
def test_a_linear_law_needs_two_rising_ends(from_db: float, to_db: float) -> None:
    with pytest.raises(ValueError, match=r"finite|not below"):
        LinearLaw(from_db, to_db)


BAD_TABLES = (
    (((0.0, -40.0),), "two points"),
    (((0.1, -40.0), (1.0, 0.0)), "first position must be 0"),
    (((0.0, -40.0), (0.9, 0.0)), "the last 1"),
    (((0.0, -40.0), (0.5, -40.0), (1.0, 0.0)), r"\(0.5, -40\) does not rise above \(0, -40\)"),
    (((0.0, -40.0), (0.5, -20.0), (0.5, -10.0), (1.0, 0.0)), "does not rise"),
    (((0.0, -40.0), (0.5, -50.0), (1.0, 0.0)), "does not rise"),
    (((0.0, OFF), (1.0, 0.0)), "finite"),
    (((0.0, -40.0), (0.5, math.nan), (1.0, 0.0)), "finite"),
)


@pytest.mark.parametrize(("points", "reason"), BAD_TABLES)
def test_a_table_that_does_not_rise_from_0_to_1_is_refused(
    points: tuple[tuple[float, float], ...], reason: str
) -> None:
    with pytest.raises(ValueError, match=reason):
        TableLaw(points)

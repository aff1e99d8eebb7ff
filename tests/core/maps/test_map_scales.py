"""Levels to numbers and back: never louder, never drifting, and honest about off. Pure."""

from __future__ import annotations

import math
import struct

import pytest

from bridge.maps.laws import curve_law, points_law, straight_law
from bridge.maps.scale import (
    FLOAT_GRID,
    DecibelScale,
    GridScale,
    PanScale,
    Scale,
    WordScale,
    float32_below,
)
from bridge.units import OFF, Law, TableLaw

BREAKS = points_law(TableLaw(((0.0, -90.0), (0.25, -40.0), (0.75, 0.0), (1.0, 10.0)), True))


def seven_bit(law: Law, off: float | None = None) -> GridScale:
    return GridScale(law, (0, 127), whole=True, off=off)


# Gain = 40 log10(cc7 / 127), printed table -11.9, -24.0, -36.0 dB for 64, 32, 16: General MIDI 2,
# page 8; the finer digits are computed from the formula. The last rows are the formula alone.
@pytest.mark.parametrize(
    ("value7", "level_db"),
    [(127, 0.0), (64, -11.90), (32, -23.95), (16, -35.99), (100, -4.152), (80, -8.029),
     (1, -84.15)],
)  # fmt: skip
def test_a_seven_bit_controller_has_the_general_midi_curve(value7: int, level_db: float) -> None:
    scale = seven_bit(curve_law("40 log10", 0.0))
    assert scale.value(value7) == pytest.approx(level_db, abs=0.006)
    assert scale.raw(level_db + 0.006) == value7


def test_volume_zero_is_off() -> None:
    assert seven_bit(curve_law("40 log10", 0.0)).value(0) == OFF


# Deflection in per cent by level in dB, the piecewise law of open meter programs after
# IEC 60268-18 (from memory that it is verbatim the standard's).
@pytest.mark.parametrize(
    ("level_db", "percent"),
    [(-60.0, 2.5), (-50.0, 7.5), (-40.0, 15.0), (-30.0, 30.0), (-20.0, 50.0), (0.0, 100.0),
     (-6.0, 85.0), (-9.0, 77.5), (-18.0, 55.0), (-25.0, 40.0), (-45.0, 11.25)],
)  # fmt: skip
def test_the_meter_law_stands_where_the_standard_puts_it(level_db: float, percent: float) -> None:
    law = curve_law("60268-18", 0.0)
    assert law.position(level_db) * 100 == pytest.approx(percent, abs=1e-9)
    assert law.db(percent / 100) == pytest.approx(level_db, abs=1e-9)


def test_the_meter_law_is_off_at_its_bottom() -> None:
    assert curve_law("60268-18", 0.0).db(0.0) == OFF


def test_a_curve_moves_up_as_a_whole() -> None:
    assert curve_law("60268-18", 10.0).db(1.0) == 10.0
    assert curve_law("60268-18", 10.0).db(0.5) == -10.0
    assert curve_law("40 log10", 6.0).db(1.0) == 6.0


SCALES: dict[str, Scale] = {
    "7 bit, curve": seven_bit(curve_law("40 log10", 0.0)),
    "7 bit, meter": seven_bit(curve_law("60268-18", 0.0)),
    "7 bit, straight": seven_bit(straight_law(-40.0, 0.0, False)),
    "7 bit, straight, off below": seven_bit(straight_law(-40.0, 0.0, True)),
    "7 bit, upside down": GridScale(straight_law(-60.0, 6.0, True), (127, 0), whole=True),
    "14 bit": GridScale(BREAKS, (0, 16383), whole=True),
    "tenths of a dB": GridScale(
        straight_law(-90.0, 10.0, False), (-900, 100), whole=True, off=-999
    ),
    "float position": GridScale(BREAKS, (0.0, 1.0), whole=False),
    "float position of 1000": GridScale(BREAKS, (0.0, 1000.0), whole=False),
    "float dB": DecibelScale((-80.0, 10.0), single=True, off=-100.0),
    "float dB, no off": DecibelScale((-80.0, 10.0), single=True, off=None),
    "double dB": DecibelScale((-90.0, 10.0), single=False, off=-math.inf),
}
LEVELS = [-math.inf, -120.0, -90.0, -89.999, -60.0, -40.0, -39.99, -23.37, -6.1, -6.0, -0.05, 0.0,
          0.3, 5.55, 9.9999, 10.0, 40.0]  # fmt: skip


def lowest(scale: Scale) -> float:
    return scale.value(scale.raw(-math.inf))


def wired(scale: Scale, raw: object) -> object:
    """What arrives after the trip through a 32-bit float, where it is one."""
    return struct.unpack(">f", struct.pack(">f", raw))[0] if isinstance(raw, float) else raw


@pytest.mark.parametrize("name", SCALES)
@pytest.mark.parametrize("level_db", LEVELS)
def test_what_is_understood_is_never_above_the_level(name: str, level_db: float) -> None:
    scale = SCALES[name]
    held = scale.value(scale.raw(level_db))
    assert held <= max(level_db, lowest(scale))


@pytest.mark.parametrize("name", SCALES)
@pytest.mark.parametrize("level_db", LEVELS)
def test_what_was_understood_is_said_again_alike(name: str, level_db: float) -> None:
    scale = SCALES[name]
    raw = scale.raw(level_db)
    assert scale.raw(scale.value(raw)) == raw


@pytest.mark.parametrize("name", [name for name in SCALES if name != "double dB"])
@pytest.mark.parametrize("level_db", LEVELS)
def test_the_wire_does_not_change_what_is_understood(name: str, level_db: float) -> None:
    scale = SCALES[name]
    raw = scale.raw(level_db)
    assert scale.value(wired(scale, raw)) == scale.value(raw)  # type: ignore[arg-type]


@pytest.mark.parametrize("name", SCALES)
def test_every_scale_is_monotone(name: str) -> None:
    scale = SCALES[name]
    held = [scale.value(scale.raw(step / 7 - 100)) for step in range(800)]
    assert held == sorted(held)


@pytest.mark.parametrize(
    "name",
    ["7 bit, curve", "7 bit, straight, off below", "tenths of a dB", "float position",
     "float dB", "double dB", "7 bit, upside down"],
)  # fmt: skip
def test_off_is_understood_as_off_where_it_can_be_said(name: str) -> None:
    assert lowest(SCALES[name]) == OFF


@pytest.mark.parametrize(("name", "lowest_db"), [("7 bit, straight", -40.0),
                                                 ("float dB, no off", -80.0)])  # fmt: skip
def test_off_is_not_claimed_where_it_cannot_be_said(name: str, lowest_db: float) -> None:
    assert lowest(SCALES[name]) == lowest_db


def test_unity_on_a_coarse_control_is_unity() -> None:
    scale = GridScale(straight_law(-60.0, 3.5, False), (0, 127), whole=True)
    assert scale.raw(0.0) == 120
    assert scale.value(120) == 0.0


def test_a_level_just_below_a_step_takes_the_step_below() -> None:
    scale = GridScale(straight_law(-60.0, 3.5, False), (0, 127), whole=True)
    assert scale.raw(-0.0001) == 119


def test_every_number_of_a_coarse_control_comes_back() -> None:
    scale = seven_bit(curve_law("60268-18", 0.0))
    assert [scale.raw(scale.value(number)) for number in range(128)] == list(range(128))


@pytest.mark.parametrize("raw", [math.nan, math.inf, -math.inf, 1.01, -0.01, "loud"])
def test_a_position_outside_its_travel_means_nothing(raw: float | str) -> None:
    assert math.isnan(SCALES["float position"].value(raw))
    assert math.isnan(SCALES["float position"].position(raw))


def test_a_position_just_outside_counts_as_the_end() -> None:
    assert SCALES["float position"].value(1.0005) == 10.0
    assert SCALES["float position"].value(-0.0005) == OFF


@pytest.mark.parametrize("raw", [math.nan, math.inf, 10.01, "loud"])
def test_decibels_above_the_scale_mean_nothing(raw: float | str) -> None:
    assert math.isnan(SCALES["float dB"].value(raw))


def test_decibels_below_the_scale_are_off_where_off_can_be_said() -> None:
    assert SCALES["float dB"].value(-85.0) == OFF
    assert SCALES["float dB, no off"].value(-85.0) == -85.0


def test_not_a_number_is_said_as_the_bottom() -> None:
    for scale in SCALES.values():
        assert scale.raw(math.nan) == scale.raw(-math.inf)


def test_the_travel_of_a_control_is_told() -> None:
    assert SCALES["7 bit, straight"].position(127) == 1.0
    assert SCALES["7 bit, upside down"].position(127) == 0.0
    assert SCALES["tenths of a dB"].position(-999) == 0.0
    assert SCALES["float dB"].position(-35.0) == 0.5


@pytest.mark.parametrize("number", [-6.1, 0.1, -0.1, 9.9999999, 1e-50, -1e-50, 0.0, -90.0])
def test_a_float_rounds_down(number: float) -> None:
    below = float32_below(number)
    assert below <= number
    assert struct.unpack(">f", struct.pack(">f", below))[0] == below
    assert number - below <= max(abs(number) * 2e-7, 2e-45)


def test_a_pan_has_its_centre_at_64() -> None:
    scale = PanScale((0, 127), 64, whole=True)
    assert [scale.raw(pan) for pan in (-1.0, 0.0, 1.0)] == [0, 64, 127]
    assert [scale.value(raw) for raw in (0, 64, 127)] == [-1.0, 0.0, 1.0]


@pytest.mark.parametrize("ends", [(0.0, 1.0), (-1.0, 1.0), (100.0, -100.0)])
def test_a_pan_comes_back(ends: tuple[float, float]) -> None:
    scale = PanScale(ends, None, whole=False)
    for step in range(-20, 21):
        raw = wired(scale, scale.raw(step / 20))
        held = scale.value(raw)  # type: ignore[arg-type]
        assert held == pytest.approx(step / 20, abs=4 / FLOAT_GRID)
        assert scale.raw(held) == scale.raw(step / 20)


def test_a_pan_outside_means_nothing() -> None:
    scale = PanScale((0, 127), 64, whole=True)
    assert math.isnan(scale.value(140))
    assert math.isnan(scale.value("left"))


def test_a_word_that_nobody_declared_means_nothing() -> None:
    scale = WordScale(("pre",), ("post", "after all"))
    assert (scale.raw(0.0), scale.raw(1.0)) == ("pre", "post")
    assert (scale.value("pre"), scale.value("after all")) == (0.0, 1.0)
    assert math.isnan(scale.value("mid"))
    assert math.isnan(scale.value(3))


def test_a_plain_switch_is_on_from_the_middle() -> None:
    scale = WordScale((0,), (127,), threshold=64)
    assert [scale.value(raw) for raw in (0, 1, 63, 64, 126, 127)] == [0, 0, 0, 1, 1, 1]
    assert math.isnan(scale.value(math.nan))


def test_declared_numbers_are_exact() -> None:
    assert math.isnan(WordScale((0,), (3,)).value(2))


@pytest.mark.parametrize(
    ("make", "text"),
    [
        (lambda: straight_law(0.0, -10.0, False), r"\(1, -10\) does not rise above \(0, 0\)"),
        (lambda: straight_law(0.0, 0.5, False), r"\[1, 0.5\] rises by less than 1 dB"),
        (lambda: GridScale(BREAKS, (0, 0.5), whole=True), "0 to 0.5 are not whole numbers"),
        (lambda: GridScale(BREAKS, (5, 5), whole=True), "5 to 5 are 0 steps, expected 1 to 16777"),
        (lambda: GridScale(BREAKS, (9.0, 9.5), whole=False), "9 to 9.5 is too narrow"),
        (lambda: PanScale((0, 127), 127, whole=True), "centre 127 is not between 0 and 127"),
        (lambda: WordScale((1, 0), (1,)), "1 says both"),
    ],
)
def test_a_scale_that_cannot_be_says_why(make: object, text: str) -> None:
    with pytest.raises(ValueError, match=text):
        make()  # type: ignore[operator]

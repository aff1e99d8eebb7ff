"""Line levels in dBu, dBV and on a digital meter.

0 dBu is 1 mW in 600 ohm, the root of 0.6 V (read in an open VU meter's notes); values without
another source are derived from that.
"""

from __future__ import annotations

import math

import pytest

from bridge.stage.loads import Amplifier, dbfs, dbu, dbu_volts, dbv

CONSUMER_V = 10 ** (-10 / 20)  # -10 dBV


@pytest.mark.parametrize(
    ("level", "volts"),
    [
        (0, 0.77460),
        (4, 1.22765),
        (8, 1.94570),
        (6, 1.5455),  # the 0 dB mark of a DIN meter (type I), by a meter maker's help page
        (-7.7815, 0.316228),
    ],
)
def test_a_level_in_dbu_is_a_voltage(level: float, volts: float) -> None:
    assert dbu_volts(level) == pytest.approx(volts, abs=5e-5 if level == 6 else 1e-5)
    assert dbu(volts) == pytest.approx(level, abs=5e-4)


def test_the_two_line_levels_are_11_8_dB_apart_and_not_14() -> None:
    assert dbu(CONSUMER_V) == pytest.approx(-7.7815, abs=5e-5)
    assert 4.0 - dbu(CONSUMER_V) == pytest.approx(11.7815, abs=5e-5)


def test_dbv_is_2_2_dB_less_than_dbu() -> None:
    assert dbv(4.0) == pytest.approx(1.7815, abs=5e-5)
    assert dbv(dbu(1.0)) == pytest.approx(0.0, abs=1e-12)
    assert dbv(0.0) == pytest.approx(-2.2185, abs=5e-5)


def test_a_sine_of_plus_4_spans_3_and_a_half_volts() -> None:
    assert 2 * math.sqrt(2) * dbu_volts(4.0) == pytest.approx(3.4723, abs=5e-5)


@pytest.mark.parametrize(
    ("level", "full_scale", "shown"),
    [
        (4, 24, -20),
        (0, 18, -18),
        (4, 18, -14),
        # EBU R68-2000 puts alignment at -18 dBFS; 9 dB above it is the permitted maximum, and true
        # peaks may stand up to 15 dB above it (public copies of the text).
        (9, 18, -9),
        (15, 18, -3),
    ],
)
def test_a_level_stands_below_full_scale(level: float, full_scale: float, shown: float) -> None:
    assert dbfs(level, full_scale) == pytest.approx(shown)


def test_an_amplifier_clips_at_the_level_whose_voltage_times_its_gain_is_its_clip_voltage() -> None:
    amplifier = Amplifier(400, 8, 4, gain_db=32)
    gain = 10 ** (32 / 20)
    assert dbu_volts(amplifier.clip_input_dbu) * gain == pytest.approx(amplifier.clip_v)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_a_voltage_that_is_none_has_no_level(bad: float) -> None:
    with pytest.raises(ValueError, match="voltage, V"):
        dbu(bad)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_a_level_that_is_none_has_no_voltage(bad: float) -> None:
    for call in (dbu_volts, dbv, lambda level: dbfs(level, 18.0)):
        with pytest.raises(ValueError, match="level, dBu"):
            call(bad)
    with pytest.raises(ValueError, match="full scale, dBu"):
        dbfs(0.0, bad)

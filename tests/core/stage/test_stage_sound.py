"""Sound-level arithmetic against formulas, standards and printed examples."""

from __future__ import annotations

import math

import pytest

from bridge.stage.sound import (
    REFERENCE_PA,
    arrivals_db,
    coherent_sum_db,
    delay_s,
    distance_change_db,
    incoherent_sum_db,
    loudspeaker_db,
    pascals,
    power_db,
    pressure_db,
    sensitivity_1w_db,
    speed_of_sound,
    watts,
    wavelength_m,
)


@pytest.mark.parametrize(
    ("from_m", "to_m", "expected", "tolerance"),
    [
        (1, 2, -6.0206, 1e-4),
        (1, 10, -20.0, 1e-4),
        (1, 0.5, 6.0206, 1e-4),
        (1, 7, -16.90, 0.005),  # Eargle 1999 p. 4-2 prints 17
        (12, 3, 12.04, 0.005),  # inches; a microphone bulletin of 2007 prints 12
    ],
)
def test_level_falls_with_the_distance(
    from_m: float, to_m: float, expected: float, tolerance: float
) -> None:
    assert distance_change_db(from_m, to_m) == pytest.approx(expected, abs=tolerance)


@pytest.mark.parametrize(
    ("levels", "incoherent", "coherent"),
    [
        ((90, 96), 96.97, None),  # an audio handbook, section 2.13, prints 97
        ((80, 85), 86.19, 88.88),  # a public lecture on decibel sums prints 86.2 and 88.9
        # A calculator page prints +6 dB for two equal levels under the formula that gives +3.
        ((80, 80), 83.01, 86.02),
    ],
)
def test_two_sources_add_as_powers_or_as_pressures(
    levels: tuple[float, ...], incoherent: float, coherent: float | None
) -> None:
    assert incoherent_sum_db(levels) == pytest.approx(incoherent, abs=0.01)
    if coherent is not None:
        assert coherent_sum_db(levels) == pytest.approx(coherent, abs=0.01)


@pytest.mark.parametrize(
    ("number", "gain"), [(2, 3.0103), (3, 4.771), (4, 6.0206), (10, 10.0), (20, 13.0103)]
)
def test_n_equal_sources_gain_10_log_n(number: int, gain: float) -> None:
    assert incoherent_sum_db([70.0] * number) - 70.0 == pytest.approx(gain, abs=0.001)


@pytest.mark.parametrize(("number", "gain"), [(2, 6.02), (3, 9.54), (4, 12.04)])
def test_n_equal_copies_in_step_gain_20_log_n(number: int, gain: float) -> None:
    assert coherent_sum_db([70.0] * number) - 70.0 == pytest.approx(gain, abs=0.005)


@pytest.mark.parametrize(("phase", "gain"), [(0, 6.02), (90, 3.01), (120, 0.0)])
def test_two_equal_tones_add_by_their_phase(phase: float, gain: float) -> None:
    # The general phasor sum, as in the lecture above.
    assert coherent_sum_db([60, 60], [0, phase]) - 60 == pytest.approx(gain, abs=0.005)


def test_two_tones_in_opposition_are_silent() -> None:
    assert coherent_sum_db([60, 60], [0, 180]) < -200.0


def test_a_comb_filter_has_its_first_dip_where_the_ways_differ_by_half_a_wave() -> None:
    way = wavelength_m(500.0)
    assert arrivals_db([60, 60], [2.0, 2.0 + way], 500.0) == pytest.approx(66.02, abs=0.01)
    assert arrivals_db([60, 60], [2.0, 2.0 + way], 250.0) < -150.0


def test_silence_adds_nothing() -> None:
    assert incoherent_sum_db([]) == -math.inf
    assert incoherent_sum_db([-math.inf, 60.0]) == pytest.approx(60.0)
    assert coherent_sum_db([-math.inf]) == -math.inf


@pytest.mark.parametrize(("celsius", "speed"), [(0, 331.29), (20, 343.20), (25, 346.11)])
def test_speed_of_sound_follows_iso_9613(celsius: float, speed: float) -> None:
    assert speed_of_sound(celsius) == pytest.approx(speed, abs=0.01)


def test_speed_of_sound_is_not_the_straight_line_that_books_print() -> None:
    # 331.3 + 0.606 t gives 355.54 m/s at 40 degrees.
    assert speed_of_sound(40.0) == pytest.approx(354.71, abs=0.01)


def test_wavelength_and_delay_at_20_degrees() -> None:
    assert wavelength_m(1000.0) == pytest.approx(0.3432, abs=5e-5)
    assert delay_s(3.0) * 1000 == pytest.approx(8.741, abs=5e-4)
    assert delay_s(1.0) * 1000 == pytest.approx(2.914, abs=5e-4)
    assert delay_s(0.0) == 0.0


@pytest.mark.parametrize(
    ("sensitivity", "power", "at_m", "expected"),
    [
        (98, 500, 1.0, 124.99),  # a sound engineering blog of 2021 prints 125
        (98, 1000, 1.0, 128.00),
        (95, 600, 1.0, 122.78),  # it prints 123
        (97, 200, 1.8, 114.90),
    ],
)
def test_a_loudspeaker_is_as_loud_as_its_sensitivity_and_power(
    sensitivity: float, power: float, at_m: float, expected: float
) -> None:
    assert loudspeaker_db(sensitivity, power, at_m) == pytest.approx(expected, abs=0.005)


@pytest.mark.parametrize(
    ("ohm", "power", "level"), [(8, 1.0011, 0.005), (4, 2.0022, 3.015), (2, 4.0045, 6.025)]
)
def test_the_sensitivity_voltage_is_one_watt_in_8_ohm_only(
    ohm: float, power: float, level: float
) -> None:
    assert watts(2.83, ohm) == pytest.approx(power, abs=1e-4)
    assert power_db(watts(2.83, ohm)) == pytest.approx(level, abs=0.001)


def test_a_4_ohm_loudspeaker_loses_3_dB_of_its_printed_sensitivity() -> None:
    # Exact for 2.83 V, whose power in 8 ohm is 0.005 dB above 1 W; print neglects that.
    assert sensitivity_1w_db(93.0, 4.0) == pytest.approx(89.99, abs=0.01)


@pytest.mark.parametrize(("times", "gain"), [(2, 3.0103), (10, 10.0)])
def test_more_power_is_more_level(times: float, gain: float) -> None:
    assert power_db(50.0 * times) - power_db(50.0) == pytest.approx(gain, abs=1e-4)


def test_pressure_is_referred_to_20_micropascals() -> None:
    # One well-known page prints 0.0002 Pa, ten times too much.
    assert REFERENCE_PA == 0.00002
    assert pascals(94.0) == pytest.approx(1.0024, abs=5e-5)
    assert pressure_db(1.0) == pytest.approx(93.979, abs=5e-4)
    assert pressure_db(0.0) == -math.inf and pascals(-math.inf) == 0.0


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_a_distance_that_is_none_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="distance, m: found"):
        distance_change_db(1.0, bad)
    with pytest.raises(ValueError, match="distance, m: found"):
        distance_change_db(bad, 1.0)


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_a_level_that_is_none_is_refused(bad: float) -> None:
    for add in (incoherent_sum_db, coherent_sum_db):
        with pytest.raises(ValueError, match="level, dB"):
            add([60.0, bad])


def test_phases_must_match_the_levels_in_number() -> None:
    with pytest.raises(ValueError, match="phases: found 1, expected 2"):
        coherent_sum_db([60.0, 60.0], [0.0])


@pytest.mark.parametrize("bad", [-273.15, 100.0, math.nan])
def test_a_temperature_that_no_stage_has_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="temperature"):
        speed_of_sound(bad)


def test_a_negative_power_is_refused() -> None:
    with pytest.raises(ValueError, match="power, W"):
        power_db(-1.0)
    assert power_db(0.0) == -math.inf

"""Loudspeaker loads on amplifiers.

The 80 % rule: IEC 60268-5:2007 as cinemaconfig.com and other public pages retell it.
"""

from __future__ import annotations

import math

import pytest

from bridge.stage.loads import (
    Amplifier,
    Fit,
    available_w,
    dip_ohm,
    largest_rating_ohm,
    load_verdict,
    loudest_db,
    parallel_ohm,
    series_ohm,
)

FOUR_OHM = Amplifier(power_w=400, rated_ohm=8, least_ohm=4)


@pytest.mark.parametrize(
    ("loads", "expected"),
    [
        ((8,), 8),  # one to four of 8 ohm: userz.net
        ((8, 8), 4),
        ((8, 8, 8), 2.6667),
        ((8, 8, 8, 8), 2),
        ((8, 4), 2.6667),
        ((4, 4, 8, 8), 1.3333),
        ((16, 16), 8),
        ((4, 8, 16), 2.2857),  # an electronics tutorial prints 2.286
    ],
)
def test_loads_side_by_side(loads: tuple[float, ...], expected: float) -> None:
    assert parallel_ohm(*loads) == pytest.approx(expected, abs=1e-4)


def test_loads_in_series_and_mixed() -> None:
    assert series_ohm(8, 8) == 16
    assert parallel_ohm(series_ohm(8, 8), series_ohm(8, 8)) == pytest.approx(8)
    assert series_ohm(parallel_ohm(8, 8), parallel_ohm(8, 8)) == pytest.approx(8)


@pytest.mark.parametrize(("rated", "least"), [(8, 6.4), (4, 3.2)])
def test_a_rating_allows_dips_to_80_percent(rated: float, least: float) -> None:
    assert dip_ohm(rated) == pytest.approx(least)
    assert largest_rating_ohm(least) == pytest.approx(rated)


def test_two_8_ohm_boxes_on_a_4_ohm_amplifier_are_warned_about() -> None:
    verdict = load_verdict(FOUR_OHM, parallel_ohm(8, 8))
    assert verdict.fit is Fit.WARN and verdict.dip_ohm == pytest.approx(3.2)
    assert verdict.reason == "found a load that may dip to 3.20 ohm, expected 4.00 ohm or more"


def test_three_8_ohm_boxes_on_a_4_ohm_amplifier_are_refused() -> None:
    verdict = load_verdict(FOUR_OHM, parallel_ohm(8, 8, 8))
    assert verdict.fit is Fit.REFUSE
    assert verdict.reason == "found a load of 2.67 ohm, expected 4.00 ohm or more"


def test_one_8_ohm_box_fits() -> None:
    assert load_verdict(FOUR_OHM, 8.0).fit is Fit.FITS
    assert load_verdict(FOUR_OHM, 5.0).fit is Fit.FITS  # it dips to exactly 4 ohm


def test_an_amplifier_clips_at_the_voltage_of_its_rated_power() -> None:
    # 75 W into 8 ohm are 24.5 V rms (a power amplifier's manual, quoted in a forum).
    assert Amplifier(75, 8, 4).clip_v == pytest.approx(24.5, abs=0.01)


def test_clip_input_is_clip_voltage_less_gain() -> None:
    # 0 dBu is 0.775 V; 400 W in 8 ohm are 56.57 V or +37.27 dBu; computed.
    assert Amplifier(400, 8, 4, gain_db=32).clip_input_dbu == pytest.approx(5.27, abs=0.005)


def test_a_lower_load_takes_more_power_before_the_clip() -> None:
    assert available_w(FOUR_OHM, 8.0) == pytest.approx(400)
    assert available_w(FOUR_OHM, 4.0) == pytest.approx(800)
    with pytest.raises(ValueError, match="load, ohm: found 2, expected 4 or more"):
        available_w(FOUR_OHM, 2.0)


def test_the_weaker_of_amplifier_and_box_sets_the_loudest_level() -> None:
    # 97 dB at 1 W and 1 m, 200 W, 1.8 m: 114.90 dB; computed.
    assert loudest_db(97, 200, 500, 1.8) == pytest.approx(114.90, abs=0.005)
    assert loudest_db(97, 500, 200, 1.8) == pytest.approx(114.90, abs=0.005)


@pytest.mark.parametrize("bad", [0.0, -8.0, math.nan, math.inf])
def test_an_impedance_that_is_none_is_refused(bad: float) -> None:
    for call in (lambda: parallel_ohm(8, bad), lambda: series_ohm(bad), lambda: dip_ohm(bad)):
        with pytest.raises(ValueError, match="impedance, ohm"):
            call()


def test_no_loads_are_no_impedance() -> None:
    for call in (parallel_ohm, series_ohm):
        with pytest.raises(ValueError, match="loads: found none"):
            call()


@pytest.mark.parametrize("least", [9.0, 0.0, math.nan])
def test_an_amplifier_whose_least_load_is_above_its_rated_one_is_refused(least: float) -> None:
    with pytest.raises(ValueError, match="least load, ohm"):
        Amplifier(400, 8, least)


@pytest.mark.parametrize("load", [math.nan, 0.0])
def test_a_verdict_on_no_load_is_an_error(load: float) -> None:
    with pytest.raises(ValueError, match="rated impedance"):
        load_verdict(FOUR_OHM, load)

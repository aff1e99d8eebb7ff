"""Continuous loads on a circuit: NEC 210.20(A) as quoted in a public electricians' forum.

One article cites the rule by a wrong number, and one book has a 20 A device trip at 16 A, which it
does not: the rule is about loading.
"""

from __future__ import annotations

import math

import pytest

from bridge.stage.supply import (
    NOTE,
    Load,
    apparent_power_va,
    is_continuous,
    largest_continuous_a,
    needed_rating_a,
    smallest_device_a,
    supply_verdict,
)

HOUR = 3600.0


def test_16_A_that_stay_on_need_a_20_A_device() -> None:
    assert needed_rating_a(16.0) == 20.0
    assert smallest_device_a(needed_rating_a(16.0)) == 20.0


@pytest.mark.parametrize(("device", "largest"), [(15, 12), (20, 16)])
def test_a_device_carries_80_percent_of_its_rating_for_hours(device: float, largest: float) -> None:
    assert largest_continuous_a(device) == pytest.approx(largest)


def test_only_continuous_load_counts_more() -> None:
    assert needed_rating_a(10.0, 5.0) == pytest.approx(17.5)
    assert smallest_device_a(17.5) == 20.0
    # No blanket 80 %: what is not continuous may fill the device.
    assert needed_rating_a(0.0, 20.0) == 20.0


def test_a_load_is_continuous_from_three_hours_on() -> None:
    assert not is_continuous(2 * HOUR + 59 * 60)
    assert is_continuous(3 * HOUR)


def test_120_V_and_16_A_are_1920_W() -> None:
    assert apparent_power_va(120, 16) == 1920


def test_a_stage_of_wedges_fits_or_does_not_and_says_who_decides() -> None:
    loads = [Load("wedges", 10.0, 4 * HOUR), Load("smoke", 5.0, 60.0)]
    fits = supply_verdict(loads, 20.0)
    assert fits.fits and fits.needed_a == pytest.approx(17.5)
    tight = supply_verdict(loads, 15.0)
    assert not tight.fits
    assert tight.reason == f"found 17.5 A needed, expected up to 15 A; {NOTE}"
    assert "licensed electrician" in fits.reason


def test_a_load_exactly_at_the_rule_fits() -> None:
    assert supply_verdict([Load("racks", 16.0, 8 * HOUR)], 20.0).fits
    assert not supply_verdict([Load("racks", 16.01, 8 * HOUR)], 20.0).fits
    assert supply_verdict([], 20.0).fits


@pytest.mark.parametrize("bad", [-1.0, math.nan, math.inf])
def test_currents_that_are_none_are_refused_by_name(bad: float) -> None:
    with pytest.raises(ValueError, match="kettle: current, A"):
        Load("kettle", bad, 60.0)
    with pytest.raises(ValueError, match="kettle: time on, s"):
        Load("kettle", 8.0, bad)


def test_more_than_the_largest_device_of_the_table_is_refused() -> None:
    with pytest.raises(ValueError, match="found 101, expected up to 100"):
        smallest_device_a(101.0)


@pytest.mark.parametrize("bad", [0.0, math.nan])
def test_a_device_that_is_none_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="device, A"):
        supply_verdict([], bad)

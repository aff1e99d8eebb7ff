"""The level of any quarter of an hour, and peaks.

Limit: WHO global standard for safe listening venues and events (2022), 100 dB L_Aeq over 15
minutes, by listensafe.org. Values are derived from the energy.
"""

from __future__ import annotations

import math

import pytest

from bridge.stage.exposure import (
    STANDARDS,
    VENUE_DB,
    VENUE_S,
    WINDOW_GRAIN_S,
    Window,
    peak_is_within,
)
from bridge.stage.sound import pressure_db

MINUTE = 60.0


def played(*parts: tuple[float, float], at_s: float = 0.0) -> Window:
    """A window after levels (dB) with their times (minutes)."""
    window = Window(at_s)
    for level_db, minutes in parts:
        window = window.after(level_db, window.at_s + minutes * MINUTE)
    return window


def test_a_quarter_of_an_hour_at_the_limit_is_within_and_a_tenth_of_a_dB_more_is_not() -> None:
    assert played((100, 15)).mean_db() == pytest.approx(100.0)
    assert played((100, 15)).is_within()
    assert not played((100.1, 15)).is_within()


def test_half_the_time_allows_3_dB_more() -> None:
    assert played((103.01, 7.5), (-math.inf, 7.5)).is_within()
    assert not played((103.02, 7.5), (-math.inf, 7.5)).is_within()


def test_any_quarter_of_an_hour_counts_and_not_the_whole_evening() -> None:
    # One minute at 113 dB: 10 log10((14 * 10^9.4 + 10^11.3) / 15) = 101.9; over the hour with it
    # 10 log10((60 * 10^9.4 + 10^11.3) / 61) = 97.6.
    window = played((94, 60), (113, 1))
    assert window.mean_db() == pytest.approx(101.94, abs=0.005)
    assert not window.is_within()
    assert not played((94, 60), (113, 1), (94, 13.9)).is_within()
    assert played((94, 60), (113, 1), (94, 15)).mean_db() == pytest.approx(94.0)


def test_a_part_that_is_half_out_counts_by_half() -> None:
    assert played((100, 15), (-math.inf, 7.5)).mean_db() == pytest.approx(100 - 3.0103, abs=1e-4)


def test_a_part_leaves_with_its_own_loudness() -> None:
    # After 18 minutes two of the five loud ones are left: 110 + 10 log10(2 / 15).
    assert played((110, 5), (60, 5), (60, 8)).mean_db() == pytest.approx(101.25, abs=0.005)


def test_what_is_put_together_keeps_its_energy() -> None:
    window = Window(0.0)
    for step in range(18_000):  # 20 changes a second between 103.01 dB and silence
        window = window.after(-math.inf if step % 2 else 103.0103, (step + 1) * 0.05)
    assert window.mean_db() == pytest.approx(100.0, abs=1e-3)


def test_after_a_quarter_of_an_hour_of_silence_nothing_is_left() -> None:
    window = played((110, 10), (-math.inf, 15))
    assert window.mean_db() == -math.inf
    assert window.is_within()


def test_time_before_the_count_began_is_silence() -> None:
    assert played((105, 1), at_s=1000.0).mean_db() == pytest.approx(105 - 10 * math.log10(15))


def test_a_window_without_any_time_is_silence() -> None:
    assert Window(5.0).mean_db() == Window(5.0).after(120.0, 5.0).mean_db() == -math.inf


@pytest.mark.parametrize("step_s", [0.05, 0.3, 1.0, 7.0])
def test_the_mean_is_the_same_however_often_it_is_asked_and_the_window_stays_small(
    step_s: float,
) -> None:
    window, plain = Window(0.0), played((98, 20), (103, 5))
    while window.at_s + step_s < 25 * MINUTE:
        # Each step is as loud as what it lies in; steps over the change are cut there.
        until_s = window.at_s + step_s
        if window.at_s < 20 * MINUTE < until_s:
            window = window.after(98, 20 * MINUTE)
        window = window.after(98 if until_s <= 20 * MINUTE else 103, until_s)
    window = window.after(103, 25 * MINUTE)
    assert window.mean_db() == pytest.approx(plain.mean_db(), abs=0.01)
    assert len(window.parts) <= 2 * VENUE_S / WINDOW_GRAIN_S + 2


def test_the_limit_of_a_window_may_be_another() -> None:
    assert played((96, 15)).is_within(96.0)
    assert not played((96, 15)).is_within(95.9)
    hour = Window(0.0, span_s=3600.0).after(100, 900)
    assert hour.mean_db() == pytest.approx(VENUE_DB - 6.0206, abs=1e-4)


@pytest.mark.parametrize("bad", [math.nan, math.inf, 201.0])
def test_a_level_that_is_none_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match=r"level, dB\(A\)"):
        Window(0.0).after(bad, 1.0)


@pytest.mark.parametrize("until", [9.0, math.nan, math.inf])
def test_time_that_runs_backward_or_never_ends_is_refused(until: float) -> None:
    with pytest.raises(ValueError, match="time, s: found"):
        Window(10.0).after(90.0, until)


@pytest.mark.parametrize("span", [0.0, -1.0, math.nan, math.inf])
def test_a_span_that_is_none_is_refused(span: float) -> None:
    with pytest.raises(ValueError, match="span, s"):
        Window(0.0, span)


@pytest.mark.parametrize(
    ("key", "pascals"), [("eu-lower", 112), ("eu-upper", 140), ("eu-limit", 200)]
)
def test_the_pascals_that_the_directive_prints_are_within_their_decibels(
    key: str, pascals: float
) -> None:
    # Directive 2003/10/EC, article 3: 135, 137 and 140 dB(C) stand beside 112, 140 and 200 Pa.
    assert peak_is_within(pressure_db(pascals), STANDARDS[key])
    assert not peak_is_within(pressure_db(pascals * 1.02), STANDARDS[key])


def test_a_peak_between_the_printed_pascals_and_the_decibels_is_within() -> None:
    # 137 dB are 141.59 Pa; the print rounds to 140, and decibels decide.
    assert peak_is_within(pressure_db(141.5), STANDARDS["eu-upper"])
    assert not peak_is_within(pressure_db(141.7), STANDARDS["eu-upper"])


def test_a_weekly_dose_has_no_peak_of_its_own() -> None:
    assert peak_is_within(139.0, STANDARDS["listening-adult"])
    assert not peak_is_within(math.nan, STANDARDS["listening-adult"])

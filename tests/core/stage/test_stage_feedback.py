"""Feedback physics: van Waterschoot and Moonen, Proc. IEEE 99 (2011) 288, by equation numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest

from bridge.stage import feedback as fb
from bridge.stage.spectral import spectral_radius

MATRIX = [[0.30, 0.25], [0.10, 0.40]]


def delayed(gain: float, turns: float = 5.0, samples: int = 5000) -> np.ndarray:
    """A loop of one gain whose phase turns, as behind a delay."""
    return gain * np.exp(-2j * math.pi * turns * np.linspace(0.01, 1, samples))


def test_instability_takes_both_a_gain_of_one_and_the_phase() -> None:
    # Eq. 11 and 12.
    assert fb.is_unstable([1.0 + 0j])
    assert fb.is_unstable(delayed(1.01))
    assert not fb.is_unstable(delayed(0.99))
    assert not fb.is_unstable([-5.0 + 0j, 5j, -5.0 - 1j])  # loud, but never in phase


def test_a_loop_between_two_samples_is_found() -> None:
    assert fb.is_unstable([1.2 + 0.1j, 1.2 - 0.1j])
    assert fb.in_phase_gains([1.0 + 0.1j, 2.0 - 0.3j]) == pytest.approx([1.25])
    assert fb.in_phase_gains([-1.0 + 0.1j, -1.0 - 0.1j]).size == 0


def test_maximum_stable_gain_and_closed_loop_of_one_half() -> None:
    # Eq. 10 and 16; values computed.
    assert fb.maximum_stable_gain_db([0.5 + 0j]) == pytest.approx(6.021, abs=5e-4)
    assert fb.closed_loop(1.0, 0.5) == pytest.approx(2.0)
    assert fb.maximum_stable_gain_db(delayed(0.5)) == pytest.approx(6.021, abs=1e-3)
    assert fb.maximum_stable_gain_db([-0.5 + 0j]) == math.inf


def test_raised_by_its_stable_gain_a_loop_stands_at_the_onset() -> None:
    loop = delayed(0.37)
    gain = 10 ** (fb.maximum_stable_gain_db(loop) / 20)
    assert fb.is_unstable(loop * gain * 1.0001)
    assert not fb.is_unstable(loop * gain * 0.9999)


@pytest.mark.parametrize(("bandwidth", "time", "expected"), [(1e4, 1.0, -8.04), (8e3, 0.5, -7.34)])
def test_expected_stable_gain_of_a_room(bandwidth: float, time: float, expected: float) -> None:
    # Eq. 18, after Schroeder; values computed.
    assert fb.expected_stable_gain_db(bandwidth, time) == pytest.approx(expected, abs=0.01)


def test_rules_of_practice_are_those_of_the_paper() -> None:
    assert fb.EQUALISING_LIMIT_DB == 10 and fb.ROOM_PEAK_SPACING_HZ == 10  # section II
    assert fb.RINGING_MARGIN_DB == (2, 3)  # section II
    assert fb.NOTCH_GAIN_DB == (5, 8)  # section III
    assert (fb.SHIFT_HZ, fb.SHIFT_GAIN_DB) == (5, 6)  # section V-D


@pytest.mark.parametrize(("loop", "boost"), [(-3, 10.69), (-6, 6.04), (-10, 3.30)])
def test_a_loop_near_the_onset_boosts_what_is_in_phase(loop: float, boost: float) -> None:
    assert fb.in_phase_boost_db(loop) == pytest.approx(boost, abs=0.005)


@pytest.mark.parametrize(("loop", "ripple"), [(-3, 15.34), (-6, 9.57)])
def test_a_loop_near_the_onset_ripples(loop: float, ripple: float) -> None:
    assert fb.ripple_db(loop) == pytest.approx(ripple, abs=0.005)


def test_without_a_loop_there_is_no_colour() -> None:
    assert fb.in_phase_boost_db(-math.inf) == 0.0 and fb.ripple_db(-math.inf) == 0.0


def test_the_radius_lies_between_the_row_sums() -> None:
    # Frobenius; Pacific J. Math. 92 (1981), and a public note on the spectral radius.
    least, most = fb.row_sum_bounds(MATRIX)
    assert (least, most) == pytest.approx((0.50, 0.55))
    assert least <= spectral_radius(MATRIX) <= most
    assert spectral_radius(MATRIX) == pytest.approx(0.515831, abs=1e-6)


def test_the_margin_of_a_matrix_counts_its_amplitudes() -> None:
    # Derived: -20 log10 0.515831; four equal paths of -20 dB lose 12.04 of their 20 dB.
    assert fb.any_phase_margin_db(MATRIX) == pytest.approx(5.750, abs=5e-4)
    assert fb.any_phase_margin_db(np.full((4, 4), 0.1j)) == pytest.approx(7.96, abs=0.005)
    assert fb.any_phase_margin_db(np.zeros((2, 2))) == math.inf
    assert fb.any_phase_margin_db([[2.0]]) == pytest.approx(-6.02, abs=0.005)


def test_the_margin_of_a_matrix_is_what_may_be_added_until_it_is_not_proved_stable() -> None:
    gain = 10 ** (fb.any_phase_margin_db(MATRIX) / 20)
    assert fb.is_stable_at_any_phase(np.array(MATRIX) * gain * 0.9999)
    assert not fb.is_stable_at_any_phase(np.array(MATRIX) * gain * 1.0001)


def test_equal_paths_all_to_all_cost_twice_the_rule_of_open_microphones() -> None:
    # The rule itself is Long's eq. 18.23.
    assert fb.worst_case_open_db(4) == pytest.approx(12.04, abs=0.005)
    assert 20 * math.log10(spectral_radius(np.full((4, 4), 0.1)) / 0.1) == pytest.approx(
        fb.worst_case_open_db(4)
    )


def test_magnitudes_bound_the_loops_of_any_phase() -> None:
    random = np.random.default_rng(7)
    for _ in range(200):
        loop = random.uniform(0, 0.4, (4, 4)) * np.exp(2j * math.pi * random.uniform(size=(4, 4)))
        true = float(np.abs(np.linalg.eigvals(loop)).max())
        assert true <= spectral_radius(np.abs(loop)) + 1e-9
        if fb.is_stable_at_any_phase(loop):
            assert true < 1.0


def test_a_matrix_that_some_phase_makes_ring_is_not_stable_at_any_phase() -> None:
    assert fb.is_stable_at_any_phase(MATRIX)
    assert not fb.is_stable_at_any_phase([[0.6, -0.6], [0.6, 0.6]])
    assert not fb.is_stable_at_any_phase([[0.6j, 0.6], [0.6, -0.6j]])


@pytest.mark.parametrize("loop", [0.0, 3.0, math.nan, math.inf])
def test_a_loop_at_or_above_the_onset_has_no_steady_colour(loop: float) -> None:
    for call in (fb.in_phase_boost_db, fb.ripple_db):
        with pytest.raises(ValueError, match="loop"):
            call(loop)


def test_a_loop_of_exactly_one_has_no_closed_gain() -> None:
    with pytest.raises(ValueError, match="found a gain of exactly 1"):
        fb.closed_loop(2.0, 0.5)


@pytest.mark.parametrize("bad", [[], [math.nan + 0j], [complex(0, math.inf)]])
def test_samples_that_are_none_are_refused(bad: list[complex]) -> None:
    with pytest.raises(ValueError, match="finite complex gains"):
        fb.is_unstable(bad)


def test_a_dry_narrow_room_is_outside_of_the_formula() -> None:
    with pytest.raises(ValueError, match="expected above 22"):
        fb.expected_stable_gain_db(100.0, 0.2)


def test_less_than_one_path_is_refused() -> None:
    with pytest.raises(ValueError, match="paths: found 0"):
        fb.worst_case_open_db(0)

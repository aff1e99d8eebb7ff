"""What ears notice, against handbooks and studies."""

from __future__ import annotations

import math

import pytest

from bridge import limits
from bridge.stage.hearing import (
    FAINT_STEP_DB,
    STEP_DB,
    feels_immediate,
    least_step_db,
    phons,
    sones,
)
from bridge.stage.sound import delay_s


@pytest.mark.parametrize(("weber", "step"), [(-10.0, 0.4139), (0.0, 3.0103)])
def test_a_step_is_heard_by_its_share_of_power(weber: float, step: float) -> None:
    # Derived from 10 log10(1 + 10^(W / 10)).
    assert least_step_db(weber) == pytest.approx(step, abs=5e-5)


def test_broadband_sound_is_heard_to_step_by_0_4_dB() -> None:
    # Ballou (ed.), Handbook for Sound Engineers, p. 54, prints 0.41 dB above 30 dB SPL, and 3 dB
    # for faint sounds; 1 dB is the engineer's rule in between (from memory).
    assert least_step_db() == pytest.approx(0.41, abs=0.005)
    assert least_step_db() < STEP_DB < FAINT_STEP_DB
    assert least_step_db(0.0) == pytest.approx(FAINT_STEP_DB, abs=0.05)


def test_the_fastest_ramp_that_a_rig_may_declare_takes_no_step_that_is_heard() -> None:
    assert limits.TICK_S * limits.RISE_DB_PER_S_MAX < STEP_DB


@pytest.mark.parametrize(("phon", "sone"), [(40, 1), (50, 2), (60, 4), (80, 16)])
def test_ten_phon_more_are_twice_as_loud(phon: float, sone: float) -> None:
    # The form of ISO 532-1, also in the handbooks.
    assert sones(phon) == pytest.approx(sone)
    assert phons(sone) == pytest.approx(phon)


def test_below_one_sone_loudness_falls_faster() -> None:
    # ISO 532-1 as a signal toolbox documents it; value derived: 40 * 0.5^0.35.
    assert phons(0.5) == pytest.approx(31.38, abs=0.005)
    assert phons(0.5) > 30.0  # where a doubling for 10 phon would have it


def test_loudness_comes_back_and_never_falls_with_the_level() -> None:
    steps = [step / 4 for step in range(481)]
    assert [phons(sones(phon)) for phon in steps] == pytest.approx(steps)
    loudness = [sones(phon) for phon in steps]
    assert loudness == sorted(loudness) and loudness[0] == 0.0


@pytest.mark.parametrize(
    ("latency_s", "jitter_s", "immediate"),
    [
        # Wessel and Wright, Computer Music Journal 26(3) (2002): 10 ms, and 1 ms of jitter.
        (0.010, 0.001, True),
        (0.0101, 0.0, False),
        (0.0, 0.0011, False),
        # Jack and others, Music Perception 36(1) (2018): players rated 10 ms like none at all, but
        # 20 ms, and 10 ms that varied by 3 ms, worse.
        (0.0, 0.0, True),
        (0.010, 0.0, True),
        (0.020, 0.0, False),
        (0.010, 0.003, False),
    ],
)
def test_an_answer_is_immediate_up_to_10_ms_if_it_is_even(
    latency_s: float, jitter_s: float, immediate: bool
) -> None:
    assert feels_immediate(latency_s, jitter_s) is immediate


def test_a_wedge_at_3_m_leaves_a_millisecond_for_all_the_rest_and_one_at_4_m_nothing() -> None:
    # 343.2 m/s at 20 degrees (ISO 9613-1); 2.914 ms a metre, derived.
    assert delay_s(1.0) == pytest.approx(0.002914, abs=5e-7)
    assert feels_immediate(delay_s(3.0) + 0.001)
    assert not feels_immediate(delay_s(4.0))


@pytest.mark.parametrize("bad", [-0.001, math.nan, math.inf])
def test_times_and_loudness_that_are_none_are_refused(bad: float) -> None:
    for call, what in (
        (feels_immediate, "latency, s"),
        (lambda late: feels_immediate(0.0, late), "jitter, s"),
        (sones, "loudness level, phon"),
        (phons, "loudness, sone"),
    ):
        with pytest.raises(ValueError, match=what):
            call(bad)


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_a_weber_fraction_that_is_none_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="Weber fraction"):
        least_step_db(bad)

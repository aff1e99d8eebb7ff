"""Acoustic gain: the worked cases of the handbooks.

Eargle: Sound System Design Reference Manual (1999). Ballou: Handbook for Sound Engineers 4th ed.
Long: Architectural Acoustics 2nd ed., section 18, by its public retelling in the tests of the
phonometry project.
"""

from __future__ import annotations

import math

import pytest

from bridge.stage.gain import (
    MARGINS_DB,
    USABLE_GAIN_DB,
    Path,
    absorption_m2,
    critical_distance_m,
    gain_verdict,
    held_m,
    loop_gain_db,
    loudest_at_mic_db,
    needed_gain_db,
    open_microphones_db,
    potential_gain_db,
    reverberant_gain_db,
)
from bridge.stage.patterns import pattern
from bridge.stage.sound import distance_change_db

EARGLE = Path(d0_m=7, ds_m=1, d1_m=4, d2_m=6)
BALLOU = Path(d0_m=128, ds_m=2, d1_m=45, d2_m=90)  # feet: only ratios count


def test_potential_gain_of_the_manual_case() -> None:
    # p. 4-2 prints 13.5 (17 - 3.5 rounded); a line there has a wrong sign, the next is right.
    assert potential_gain_db(EARGLE) == pytest.approx(13.38, abs=0.005)
    # p. 4-4 prints 7.5.
    assert potential_gain_db(EARGLE, margin_db=6.0) == pytest.approx(7.38, abs=0.005)


def test_needed_gain_of_the_manual_case_is_just_covered() -> None:
    # p. 4-4 prints 7.5 for both.
    assert needed_gain_db(7, 3) == pytest.approx(7.36, abs=0.005)
    verdict = gain_verdict(EARGLE, 3.0)
    assert verdict.fits and verdict.spare_db == pytest.approx(0.02, abs=0.005)
    assert str(verdict) == "0.0 dB to spare"


def test_the_listener_of_the_manual_case_hears_what_it_says() -> None:
    # Talker 70 dB at 1 m: the manual prints 53 without the system and 66.5 at the onset.
    unaided = 70 + distance_change_db(1, 7)
    assert unaided == pytest.approx(53.10, abs=0.005)
    assert unaided + potential_gain_db(EARGLE) == pytest.approx(66.48, abs=0.005)


def test_a_cardioid_with_the_loudspeaker_on_its_6_dB_axis_gains_6_dB() -> None:
    # p. 4-3.
    turned = potential_gain_db(EARGLE, pattern_db=pattern("cardioid").level_db(90.0))
    assert turned - potential_gain_db(EARGLE) == pytest.approx(6.02, abs=0.005)


def test_half_the_distance_to_the_microphone_gains_6_dB() -> None:
    close = Path(d0_m=7, ds_m=0.5, d1_m=4, d2_m=6)
    assert potential_gain_db(close, margin_db=6.0) == pytest.approx(13.40, abs=0.005)


@pytest.mark.parametrize(("number", "cost"), [(1, 0), (2, 3.01), (4, 6.02), (8, 9.03)])
def test_open_microphones_cost_3_dB_a_doubling(number: int, cost: float) -> None:
    # A live-sound column on tvtechnology.com prints 3, 6 and 9.
    assert open_microphones_db(number) == pytest.approx(cost, abs=0.005)


def test_the_outdoor_case_of_the_handbook_is_refused() -> None:
    # Inputs from Ballou p. 1252 and 1243; values computed.
    verdict = gain_verdict(BALLOU, 4.0, open_microphones=3)
    assert verdict.potential_db == pytest.approx(19.33, abs=0.005)
    assert verdict.needed_db == pytest.approx(30.10, abs=0.005)
    assert verdict.spare_db == pytest.approx(-10.77, abs=0.005)
    assert not verdict.fits
    assert str(verdict) == "found 19.3 dB of gain before feedback, expected 30.1 dB or more"


def test_less_than_12_dB_before_the_margin_is_flagged() -> None:
    # Burg, Romney, Schwartz, Digital Sound & Music, ch. 4, eq. 4.14.
    assert USABLE_GAIN_DB == 12.0
    assert gain_verdict(EARGLE, 3.0).usable
    short = gain_verdict(EARGLE, 6.9, open_microphones=2)
    assert short.fits and not short.usable


def test_margins_are_those_of_the_books() -> None:
    # Eargle p. 4-3 and Burg: 6; Long: 10, with 12 unequalised and 6 carefully equalised.
    assert [MARGINS_DB[name] for name in ("usual", "equalised", "not equalised")] == [6, 10, 12]
    assert MARGINS_DB["carefully equalised"] == 6


def test_a_margin_and_four_microphones_come_off_the_gain() -> None:
    path = Path(d0_m=20, ds_m=1, d1_m=10, d2_m=15)
    assert potential_gain_db(path) == pytest.approx(22.50, abs=0.005)
    found = potential_gain_db(path, open_microphones=4, margin_db=6.0)
    assert found == pytest.approx(10.48, abs=0.005)


def test_the_loudspeaker_at_the_microphone_stays_4_dB_below_the_listener() -> None:
    # Long eq. 18.21: open loop -6 dB, omni, margin 10.
    assert loudest_at_mic_db(80.0, -6.0, 10.0) == pytest.approx(76.0)
    # Eq. 18.22: a cardioid 2 dB down allows 2 dB below. Eq. 18.24 prints the sign the other way.
    assert loudest_at_mic_db(80.0, -6.0, 10.0, pattern_db=-2.0) == pytest.approx(78.0)


def test_gain_in_the_reverberant_field() -> None:
    # Formula Eargle p. 6-10, where one line lacks the factor 20; value computed.
    assert reverberant_gain_db(3.0, 0.5) == pytest.approx(9.56, abs=0.005)


def test_critical_distance_of_a_hall() -> None:
    # calculatorhub.com prints 1.65 with the factor 0.057. Another page multiplies by T instead of
    # dividing and takes the surface for the volume.
    found = critical_distance_m(absorption_m2(500.0, 1.2), q=2.0)
    assert found == pytest.approx(math.sqrt(2 * 0.161 * 500 / 1.2 / (16 * math.pi)))
    assert 0.057 * math.sqrt(2 * 500 / 1.2) == pytest.approx(1.645, abs=0.0005)
    assert found == pytest.approx(1.634, abs=0.0005)  # the print's 0.057 reads 0.7 % more


def test_the_constant_of_critical_distance_is_not_quite_what_books_print() -> None:
    assert critical_distance_m(absorption_m2(1.0, 1.0)) == pytest.approx(0.05659, abs=1e-5)
    assert 0.057 / critical_distance_m(absorption_m2(1.0, 1.0)) == pytest.approx(1.007, abs=5e-4)


def test_indoors_a_distance_counts_as_itself_when_near_and_as_the_critical_one_when_far() -> None:
    assert held_m(0.01, 3.0) == pytest.approx(0.01, rel=1e-4)
    assert held_m(3.0, 3.0) == pytest.approx(3.0 / math.sqrt(2.0))
    assert held_m(1e6, 3.0) == pytest.approx(3.0)


def test_indoors_the_gain_comes_to_the_near_distances_only() -> None:
    # With all but the microphone far beyond the critical distance: 20 log10(Dc / Ds).
    far = Path(d0_m=1e6, ds_m=1e-3, d1_m=1e6, d2_m=1e6).indoors(3.0)
    assert potential_gain_db(far) == pytest.approx(20 * math.log10(3.0 / 1e-3), abs=1e-3)
    wide = EARGLE.indoors(1e9)
    assert potential_gain_db(wide) == pytest.approx(potential_gain_db(EARGLE))


def test_the_loop_of_a_wedge_and_six_microphones_rings_in_the_worst_case() -> None:
    # Computed: 88 - 94 - 11.70 = -17.70; six coherent 20 log10 6 = 15.56.
    levels = {"loudspeaker_at_mic_db": 88.0, "talker_at_mic_db": 94.0, "pattern_db": -11.70}
    assert loop_gain_db(**levels) == pytest.approx(-17.70)
    worst = loop_gain_db(**levels, open_microphones=6, coherent=True)
    assert worst == pytest.approx(-2.14, abs=0.005)
    assert loop_gain_db(**levels, open_microphones=6) == pytest.approx(-9.92, abs=0.005)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
@pytest.mark.parametrize("which", ["d0_m", "ds_m", "d1_m", "d2_m"])
def test_a_path_without_a_length_is_refused(which: str, bad: float) -> None:
    lengths = {"d0_m": 7.0, "ds_m": 1.0, "d1_m": 4.0, "d2_m": 6.0, which: bad}
    with pytest.raises(ValueError, match="expected a finite number above 0"):
        Path(**lengths)


def test_less_than_one_open_microphone_is_refused() -> None:
    with pytest.raises(ValueError, match="open microphones: found 0"):
        open_microphones_db(0)


@pytest.mark.parametrize("bad", [1.0, math.nan])
def test_a_pattern_louder_than_its_front_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="microphone toward loudspeaker"):
        potential_gain_db(EARGLE, pattern_db=bad)
    with pytest.raises(ValueError, match="microphone toward loudspeaker"):
        loop_gain_db(88.0, 94.0, pattern_db=bad)


@pytest.mark.parametrize("bad", [-6.0, math.nan])
def test_a_margin_that_is_none_is_refused_for_gain(bad: float) -> None:
    with pytest.raises(ValueError, match="margin, dB"):
        gain_verdict(EARGLE, 3.0, margin_db=bad)

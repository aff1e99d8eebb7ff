"""Signs of howling: van Waterschoot and Moonen, Proc. IEEE 99 (2011) 288, sections V and VII.

Values without a print are derived.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from bridge.stage import detect
from bridge.stage.sound import pascals


def tone(peak: int = 100, bins: int = 513, floor: float = 0.001) -> np.ndarray:
    spectrum = np.full(bins, floor)
    spectrum[peak] = 1.0
    return spectrum


def test_the_average_threshold_grows_with_the_frame() -> None:
    # 10 log10 (M / 150)^2, section V-B.
    assert detect.papr_threshold_db(4096) == pytest.approx(28.73, abs=0.005)


def test_thresholds_are_those_in_print() -> None:
    assert detect.PAPR_DB == {"early": (6.0, 10.0), "speech": 33.0, "music": 55.0}
    assert (detect.PHPR_DB, detect.PNPR_DB) == (33.0, 15.0)
    assert detect.PHPR_MULTIPLES == (0.5, 1.5, 2, 3, 4)
    assert (detect.IMSD_LIMIT, detect.IMSD_FRAMES) == (0.05, 7)


@pytest.mark.parametrize(
    ("rate", "ms", "spacing"), [(44100, 92.88, 10.767), (48000, 85.33, 11.719)]
)
def test_a_frame_of_4096_lasts_under_a_tenth_of_a_second(
    rate: float, ms: float, spacing: float
) -> None:
    # The paper prints 92.9 and 85.3 ms.
    assert detect.frame_s(4096, rate) * 1000 == pytest.approx(ms, abs=0.005)
    assert 1 / detect.frame_s(4096, rate) == pytest.approx(spacing, abs=5e-4)


def test_a_lone_tone_stands_out_of_average_harmonics_and_neighbours() -> None:
    spectrum = tone()
    assert detect.papr_db(spectrum, 100) == pytest.approx(10 * math.log10(513), abs=0.01)
    assert detect.phpr_db(spectrum, 100) == pytest.approx([60.0] * 5)
    assert detect.pnpr_db(spectrum, 100, 1) == pytest.approx(60.0)
    assert detect.peakness([spectrum] * 8, 100) == 1.0


def test_a_voice_has_power_at_multiples() -> None:
    spectrum = tone()
    spectrum[200] = 0.5
    assert min(detect.phpr_db(spectrum, 100)) == pytest.approx(6.02, abs=0.01)


def test_multiples_beyond_the_spectrum_are_left_out() -> None:
    assert len(detect.phpr_db(tone(peak=200), 200)) == 3  # 100, 300 and 400 of 513 bins


def test_a_broad_peak_on_one_side_in_half_of_the_frames_has_three_quarters_of_peakness() -> None:
    broad = tone()
    broad[102:108] = 0.5
    assert detect.peakness([tone()] * 4 + [broad] * 4, 100) == 0.75


@pytest.mark.parametrize("slope", [-2.0, 0.0, 3.5])
def test_a_straight_line_in_decibels_has_no_slope_deviation(slope: float) -> None:
    # Eq. 51.
    levels = [-40.0 + slope * frame for frame in range(8)]
    assert detect.slope_deviation(levels) == pytest.approx(0.0, abs=1e-12)


def test_a_jump_has_a_slope_deviation() -> None:
    assert abs(detect.slope_deviation([-40.0] * 7 + [-20.0])) > detect.IMSD_LIMIT
    # Three frames by hand: whole = (20/2 + 0/1) / 2 = 5, part of one frame = 20.
    assert detect.slope_deviation([-40.0, -40.0, -20.0]) == pytest.approx(5.0 - 20.0)


def test_slope_and_peakness_make_one_figure() -> None:
    # Eq. 105 and 106; value computed.
    assert detect.howl_figure(0.05, 1.0) == pytest.approx(0.96586, abs=5e-6)
    assert detect.howl_figure(-0.05, 1.0) == detect.howl_figure(0.05, 1.0)


def test_a_peak_between_bins_is_drawn_to_its_louder_neighbour() -> None:
    # Eq. 54.
    assert detect.peak_offset_bins(0.5, 1.0, 0.8) == pytest.approx(0.13043, abs=5e-6)
    assert detect.peak_offset_bins(0.8, 1.0, 0.8) == 0.0


@pytest.mark.parametrize(("level", "ratio"), [(85.0, 0.0), (91.0, 6.0), (84.9, -0.1)])
def test_only_what_reaches_85_dB_at_a_metre_is_loud_enough_for_a_howl(
    level: float, ratio: float
) -> None:
    # Eq. 41: a howl from 0 dB on, with 85 dB SPL for a microphone 1 m from the loudspeaker.
    spectrum = tone() * pascals(level)
    assert detect.ptpr_db(spectrum, 100) == pytest.approx(ratio, abs=1e-9)
    assert detect.ptpr_db(spectrum, 100, threshold_db=80.0) == pytest.approx(ratio + 5.0)
    assert detect.ptpr_db(np.zeros(8), 3) == -math.inf


def test_candidates_are_the_three_highest_peaks_and_no_slopes() -> None:
    # Section VII takes three.
    spectrum = tone()
    spectrum[[99, 101]] = 0.9  # its own slopes, higher than every other peak
    spectrum[[30, 200, 400]] = 0.2, 0.4, 0.3
    spectrum[[0, 512]] = 2.0  # the ends have one neighbour only
    assert detect.candidates(spectrum) == (100, 200, 400)
    assert detect.candidates(spectrum, 1) == (100,)
    assert detect.candidates(np.full(513, 0.001)) == ()


def test_a_peak_two_bins_wide_is_one_candidate() -> None:
    spectrum = tone()
    spectrum[101] = 1.0
    assert detect.candidates(spectrum) == (100,)


QUIET = np.full(513, 0.001)


def test_persistence_counts_the_frames_in_which_a_peak_is_a_candidate() -> None:
    # Eq. 50.
    assert detect.persistence([QUIET, tone(), QUIET, tone(), tone()], 100) == pytest.approx(0.6)
    assert detect.persistence([tone(peak=99)] * 5, 100) == 0.0


@pytest.mark.parametrize(
    ("frames", "howls"),
    [
        ([QUIET, QUIET, tone(), tone(), tone()], True),
        ([tone(), QUIET, tone(), QUIET, tone()], True),
        ([QUIET, QUIET, QUIET, tone(), tone()], False),  # two frames of five
        ([tone(), tone(), tone(), QUIET, QUIET, QUIET, tone(), tone()], False),  # long ago
    ],
)
def test_a_lone_peak_howls_when_it_lasts_three_frames_of_five(
    frames: list[np.ndarray], howls: bool
) -> None:
    # Section V-B: 3/5 with five frames.
    assert detect.lasts_alone(frames, 100) is howls


@pytest.mark.parametrize(
    ("below_db", "alone", "lasting"), [(34, True, True), (31, False, True), (29, False, False)]
)
def test_a_harmonic_must_lie_33_dB_down_or_30_where_the_peak_lasts(
    below_db: float, alone: bool, lasting: bool
) -> None:
    # Eq. 46 has 33 dB; the evaluation of section VII uses 30 together with persistence.
    spectrum = tone()
    spectrum[300] = 10 ** (-below_db / 20)
    assert detect.is_alone(spectrum, 100) is alone
    assert detect.lasts_alone([spectrum] * 5, 100) is lasting


@pytest.mark.parametrize("multiple", [50, 150, 200, 300, 400])
def test_every_multiple_is_looked_at(multiple: int) -> None:
    spectrum = tone()
    spectrum[multiple] = 0.1
    assert not detect.is_alone(spectrum, 100)


def test_a_straight_rise_is_one_for_as_long_as_it_is_looked_at() -> None:
    straight = [-60.0 + 2.0 * frame for frame in range(8)]
    assert detect.rises_straight(straight)
    assert detect.rises_straight([-20.0, -90.0, -30.0, *straight])  # seven frames back, no more
    assert not detect.rises_straight([-30.0, *straight[1:]])
    assert not detect.rises_straight([-60.0 + frame**2 for frame in range(8)])


def test_a_slope_deviation_at_the_limit_is_a_straight_rise_and_one_above_is_not() -> None:
    # Section V-B: 0.05. Three levels, flat and then x up, deviate by x / 4 - x = -0.75 x.
    assert detect.slope_deviation([0.0, 0.0, 0.0666]) == pytest.approx(-0.04995)
    assert detect.rises_straight([0.0, 0.0, 0.0666])
    assert not detect.rises_straight([0.0, 0.0, 0.0667])


@pytest.mark.parametrize(
    ("magnitudes", "expected"),
    [
        # Mounir, Bernardi, van Waterschoot, EURASIP J. ASMP (2025), eq. 20: the two ends in print.
        ([0.3] * 8, 1.0),
        ([0.0, 0.0, 0.7, 0.0], 0.0),
        # Half of four frames: (2^(1/4) - 1) / (2^(1/2) - 1); derived.
        ([1.0, 0.0, 1.0, 0.0], 0.456786),
    ],
)
def test_a_bin_is_as_steady_as_it_sounds_alike_in_all_frames(
    magnitudes: list[float], expected: float
) -> None:
    assert detect.steadiness(magnitudes) == pytest.approx(expected, abs=1e-5)
    for scale in (1e-200, 1e-3, 1e150):  # loudness says nothing: early rings count
        louder = [scale * magnitude for magnitude in magnitudes]
        assert detect.steadiness(louder) == pytest.approx(expected, abs=1e-5)


def test_a_bin_that_swells_is_less_steady_than_one_that_stays() -> None:
    swelling = [10 ** (frame / 20) for frame in range(8)]
    assert 0.0 < detect.steadiness(swelling) < 1.0
    assert detect.steadiness(swelling) == pytest.approx(detect.steadiness(swelling[::-1]))


def test_silence_is_no_steady_sound() -> None:
    assert detect.steadiness([0.0, 0.0, 0.0]) == 0.0


@pytest.mark.parametrize(
    ("deviation", "peakness", "speech", "music"),
    [
        (0.05, 1.0, True, True),
        (0.0, 0.0, True, False),  # 0.70
        (0.05, 0.0, False, False),  # 0.666
        (0.0, 0.8125, True, False),  # 0.944, 13 of 16 signs
        (0.0, 0.875, True, True),  # 0.9625, 14 of 16 signs
        (math.inf, 1.0, False, False),
    ],
)
def test_music_needs_more_of_slope_and_peakness_than_speech(
    deviation: float, peakness: float, speech: bool, music: bool
) -> None:
    # Section VII: 0.7 for speech, 0.95 for music.
    assert detect.howls(deviation, peakness, "speech") is speech
    assert detect.howls(deviation, peakness) is detect.howls(deviation, peakness, "music") is music


def test_not_a_number_is_no_howl() -> None:
    assert not detect.howls(math.nan, 1.0)
    assert not detect.howls(0.0, math.nan, "speech")


def test_an_unknown_programme_is_refused() -> None:
    with pytest.raises(ValueError, match="found 'silence', expected one of speech, music"):
        detect.howls(0.0, 1.0, "silence")


@pytest.mark.parametrize("call", [detect.persistence, detect.lasts_alone])
def test_no_frames_tell_nothing(call) -> None:
    with pytest.raises(ValueError, match="frames: found none"):
        call([], 100)


@pytest.mark.parametrize("bad", [[1.0], [], [1.0, math.nan], [1.0, -1.0]])
def test_frames_that_are_none_are_not_steady(bad: list[float]) -> None:
    with pytest.raises(ValueError, match=r"magnitudes: found|spectrum: expected"):
        detect.steadiness(bad)


@pytest.mark.parametrize("bad", [[1.0, math.nan], [-1.0, 0.0], [[1.0]]])
def test_spectra_that_are_none_are_refused(bad: list) -> None:
    with pytest.raises(ValueError, match="spectrum"):
        detect.papr_db(bad, 0)


def test_a_peak_without_neighbours_is_refused() -> None:
    with pytest.raises(ValueError, match="neighbours of bin 0"):
        detect.pnpr_db(tone(), 0, -1)
    with pytest.raises(ValueError, match="frames: found none"):
        detect.peakness([], 3)


@pytest.mark.parametrize("bad", [[1.0, 2.0], [1.0, math.nan, 2.0], [1.0, -math.inf, 2.0]])
def test_too_few_or_silent_frames_have_no_slope(bad: list[float]) -> None:
    with pytest.raises(ValueError, match="three or more"):
        detect.slope_deviation(bad)

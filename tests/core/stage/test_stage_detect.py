"""Signs of howling: van Waterschoot and Moonen, Proc. IEEE 99 (2011) 288, section V."""

from __future__ import annotations

import math

import numpy as np
import pytest

from bridge.stage import detect


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

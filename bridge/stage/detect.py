"""Signs of howling in a spectrum: power ratios, interframe slope, thresholds as data. Pure.

Source, unless said otherwise: van Waterschoot and Moonen, Proc. IEEE 99 (2011) 288, section V;
equation numbers are that paper's. Later comparison: Mounir, Bernardi, van Waterschoot, EURASIP J.
ASMP (2025). Detectors disagree from signal to signal, so every threshold is data to be tuned.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bridge.stage.checks import positive

PAPR_DB = {"early": (6.0, 10.0), "speech": 33.0, "music": 55.0}
"""Thresholds in print for peak to average, dB (sections V-B and VII)."""

PHPR_DB = 33.0
"""Threshold for peak to harmonic, dB (eq. 46; 30 in section VII)."""

PHPR_MULTIPLES = (0.5, 1.5, 2.0, 3.0, 4.0)
"""Multiples of the peak's frequency that are looked at (eq. 46)."""

PNPR_DB = 15.0
"""Threshold for peak to neighbours, dB (eq. 49)."""

PNPR_NEIGHBOURS = (2, 3, 4, 5, 6, 7)
"""Distances of the neighbours in bins, on each side (eq. 49)."""

IMSD_LIMIT = 0.05
IMSD_FRAMES = 7
"""Slope deviation that still counts as a straight rise, dB a frame, and its frames (section V)."""

SLOPE_SHARE, PEAK_SHARE = 0.7, 0.3
"""Shares of slope and peakness in the combined figure (eq. 105)."""


def papr_threshold_db(frame: int) -> float:
    """Threshold for peak to average from the frame length in samples, dB (section V-B)."""
    return 20.0 * math.log10(positive(frame, "frame, samples") / 150.0)


def frame_s(frame: int, rate_hz: float) -> float:
    """Length of a frame, s; its bins are as many Hz apart as it has frames in a second."""
    return positive(frame, "frame, samples") / positive(rate_hz, "sampling rate, Hz")


def papr_db(magnitudes: ArrayLike, peak: int) -> float:
    """Peak to average power, dB (eq. 42, 43).

    Args:
        magnitudes: ``|Y|`` of one frame, one entry a bin.
        peak: Bin of the peak.
    """
    y = _spectrum(magnitudes)
    return _ratio_db(float(y[peak]) ** 2, float(np.mean(y * y)))


def phpr_db(magnitudes: ArrayLike, peak: int) -> tuple[float, ...]:
    """Peak to the power at multiples of its frequency, dB, one each of those in range (eq. 45).

    A howl has none of them; speech and music do.
    """
    y = _spectrum(magnitudes)
    bins = [round(peak * multiple) for multiple in PHPR_MULTIPLES]
    return tuple(_ratio_db(float(y[peak]) ** 2, float(y[k]) ** 2) for k in bins if k < y.size)


def pnpr_db(magnitudes: ArrayLike, peak: int, side: int) -> float:
    """Mean peak to neighbour power on one side, dB, over the neighbours that exist (eq. 47).

    Args:
        magnitudes: ``|Y|`` of one frame, one entry a bin.
        peak: Bin of the peak.
        side: -1 below the peak, 1 above it.

    Raises:
        ValueError: no neighbour lies in the spectrum.
    """
    y = _spectrum(magnitudes)
    bins = [peak + side * m for m in PNPR_NEIGHBOURS]
    ratios = [_ratio_db(float(y[peak]) ** 2, float(y[k]) ** 2) for k in bins if 0 <= k < y.size]
    if not ratios:
        raise ValueError(f"spectrum: found {y.size} bins, expected neighbours of bin {peak}")
    return sum(ratios) / len(ratios)


def peakness(frames: Sequence[ArrayLike], peak: int) -> float:
    """Share of frames and sides where the peak stands 15 dB out of its neighbours, 0..1 (eq. 49).

    Args:
        frames: Magnitudes of the last frames (8 in the paper), one or more.
        peak: Bin of the peak.

    Raises:
        ValueError: there is no frame, or no neighbour in the spectrum.
    """
    if not frames:
        raise ValueError("frames: found none, expected one or more")
    signs = [pnpr_db(frame, peak, side) >= PNPR_DB for frame in frames for side in (-1, 1)]
    return sum(signs) / len(signs)


def slope_deviation(levels_db: Sequence[float]) -> float:
    """Interframe magnitude slope deviation of one bin, dB a frame (eq. 51).

    0 for any straight line in dB: a loop above its onset rises in one.

    Args:
        levels_db: Level in each frame, oldest first, three or more, finite.

    Raises:
        ValueError: there are too few, or one is not finite.
    """
    if len(levels_db) < 3 or not all(math.isfinite(x) for x in levels_db):
        raise ValueError("levels, dB: expected three or more finite ones, oldest first")
    latest = list(reversed(levels_db))
    frames = len(latest) - 1
    whole = _mean_slope(latest, frames)
    parts = [whole - _mean_slope(latest, m) for m in range(1, frames)]
    return sum(parts) / len(parts)


def howl_figure(deviation: float, peakness: float) -> float:
    """Slope and peakness as one figure, 0..1 (eq. 105, 106): ``0.7 e^-|IMSD| + 0.3 peakness``."""
    return SLOPE_SHARE * math.exp(-abs(deviation)) + PEAK_SHARE * peakness


def peak_offset_bins(before: float, at: float, after: float) -> float:
    """Where the true peak lies between bins, -1..1 bin from the middle one (eq. 54).

    Args:
        before: ``|Y|`` one bin below the peak.
        at: ``|Y|`` at the peak.
        after: ``|Y|`` one bin above it.
    """
    return (after - before) / positive(before + at + after, "sum of three magnitudes")


def _mean_slope(latest: Sequence[float], m: int) -> float:
    """Mean of the slopes from frame ``m`` ago to each later one, dB a frame."""
    return sum((latest[j] - latest[m]) / (m - j) for j in range(m)) / m


def _spectrum(magnitudes: ArrayLike) -> NDArray[np.float64]:
    y = np.asarray(magnitudes, dtype=np.float64)
    if y.ndim != 1 or not ((y >= 0.0) & (y < math.inf)).all():
        raise ValueError("spectrum: expected one row of finite magnitudes, 0 or more")
    return y


def _ratio_db(peak: float, other: float) -> float:
    if peak == 0.0:
        return -math.inf
    return math.inf if other == 0.0 else 10.0 * math.log10(peak / other)

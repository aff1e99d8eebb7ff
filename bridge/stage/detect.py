"""Signs of howling in a spectrum: power ratios, interframe slope, thresholds as data. Pure.

Source, unless said otherwise: van Waterschoot and Moonen, Proc. IEEE 99 (2011) 288, section V;
equation numbers are that paper's. Later comparison: Mounir, Bernardi, van Waterschoot, "Robust and
early howling detection based on a sparsity measure", EURASIP J. ASMP (2025). Detectors disagree
from signal to signal, so every threshold is data to be tuned.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bridge.stage.checks import positive
from bridge.stage.sound import pressure_db

PTPR_DB = 85.0
"""What a howl is at least worth, dB SPL with the microphone 1 m from the loudspeaker (eq. 41)."""

PAPR_DB = {"early": (6.0, 10.0), "speech": 33.0, "music": 55.0}
"""Thresholds in print for peak to average, dB (sections V-B and VII)."""

PHPR_DB = 33.0
"""Threshold for peak to harmonic, dB (eq. 46)."""

PHPR_LASTING_DB = 30.0
"""The same where a peak must also last, dB (section VII)."""

PHPR_MULTIPLES = (0.5, 1.5, 2.0, 3.0, 4.0)
"""Multiples of the peak's frequency that are looked at (eq. 46)."""

PNPR_DB = 15.0
"""Threshold for peak to neighbours, dB (eq. 49)."""

PNPR_NEIGHBOURS = (2, 3, 4, 5, 6, 7)
"""Distances of the neighbours in bins, on each side (eq. 49)."""

CANDIDATES = 3
"""Highest peaks of a frame that are looked at (section VII; 1 to 10 in use, section V-B)."""

IPMP_FRAMES = 5
IPMP_LEAST = 3 / 5
"""Frames in which a peak must be a candidate, and the share that is enough (section V-B)."""

IMSD_LIMIT = 0.05
IMSD_FRAMES = 7
"""Slope deviation that still counts as a straight rise, dB a frame, and how many frames the rise
spans, so one level more (section V-B)."""

SLOPE_SHARE, PEAK_SHARE = 0.7, 0.3
"""Shares of slope and peakness in the combined figure (eq. 105)."""

HOWL_FIGURE = {"speech": 0.7, "music": 0.95}
"""Combined figure from which on it is a howl (section VII)."""


def papr_threshold_db(frame: int) -> float:
    """Threshold for peak to average from the frame length in samples, dB (section V-B)."""
    return 20.0 * math.log10(positive(frame, "frame, samples") / 150.0)


def frame_s(frame: int, rate_hz: float) -> float:
    """Length of a frame, s; its bins are as many Hz apart as it has frames in a second."""
    return positive(frame, "frame, samples") / positive(rate_hz, "sampling rate, Hz")


def candidates(magnitudes: ArrayLike, number: int = CANDIDATES) -> tuple[int, ...]:
    """Bins of the highest peaks, the highest first; the first and the last bin are none.

    Args:
        magnitudes: ``|Y|`` of one frame, one entry a bin.
        number: Most peaks to tell.
    """
    y = _spectrum(magnitudes)
    peaks = 1 + np.flatnonzero((y[1:-1] > y[:-2]) & (y[1:-1] >= y[2:]))
    highest = peaks[np.argsort(-y[peaks], kind="stable")]
    return tuple(int(k) for k in highest[:number])


def ptpr_db(pressures_pa: ArrayLike, peak: int, threshold_db: float = PTPR_DB) -> float:
    """Peak to threshold power, dB; from 0 on it is loud enough for a howl (eq. 41).

    Args:
        pressures_pa: ``|Y|`` of one frame as sound pressure, Pa, one entry a bin.
        peak: Bin of the peak.
        threshold_db: Level to compare with, dB SPL.
    """
    return pressure_db(float(_spectrum(pressures_pa)[peak])) - threshold_db


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


def is_alone(magnitudes: ArrayLike, peak: int, threshold_db: float = PHPR_DB) -> bool:
    """Whether a peak stands out of all multiples of its frequency (eq. 46)."""
    return all(ratio >= threshold_db for ratio in phpr_db(magnitudes, peak))


def persistence(frames: Sequence[ArrayLike], peak: int) -> float:
    """Share of frames in which a bin is among the candidates, 0..1 (eq. 50).

    Args:
        frames: Magnitudes of the last frames (5 in section VII), one or more.
        peak: Bin of the peak.

    Raises:
        ValueError: there is no frame.
    """
    _some(frames)
    return sum(peak in candidates(frame) for frame in frames) / len(frames)


def lasts_alone(frames: Sequence[ArrayLike], peak: int) -> bool:
    """Whether a peak lasts and has no multiples: the first detector of section VII.

    Args:
        frames: Magnitudes of the last frames, oldest first, one or more; 5 are used.
        peak: Bin of the peak.

    Raises:
        ValueError: there is no frame.
    """
    lasting = persistence(frames[-IPMP_FRAMES:], peak) >= IPMP_LEAST
    return lasting and is_alone(frames[-1], peak, PHPR_LASTING_DB)


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
    _some(frames)
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


def rises_straight(levels_db: Sequence[float]) -> bool:
    """Whether a bin's level lay on a straight line for the last frames, in dB (section V-B).

    Args:
        levels_db: Level in each frame, oldest first, three or more, finite; 8 are used.

    Raises:
        ValueError: there are too few, or one is not finite.
    """
    return abs(slope_deviation(levels_db[-IMSD_FRAMES - 1 :])) <= IMSD_LIMIT


def steadiness(magnitudes: Sequence[float]) -> float:
    """How evenly one bin sounds over the frames, 0..1 (NINOS^2-T: Mounir 2025, eq. 20).

    1 for a bin that is alike in all frames, 0 for one that sounds in a single frame; its loudness
    does not matter, so that early rings are found too. A bin that is silent throughout has 0.

    Args:
        magnitudes: ``|Y|`` of the bin in each frame, two or more.

    Raises:
        ValueError: there are too few, or one is negative or not finite.
    """
    y = _spectrum(magnitudes)
    if y.size < 2:
        raise ValueError(f"magnitudes: found {y.size}, expected two frames or more")
    loudest = float(y.max())
    if loudest == 0.0:
        return 0.0
    powers = (y / loudest) ** 2
    ratio = math.sqrt(float(powers.sum()) / math.sqrt(float((powers**2).sum())))
    return (ratio - 1.0) / (math.sqrt(math.sqrt(y.size)) - 1.0)


def howl_figure(deviation: float, peakness: float) -> float:
    """Slope and peakness as one figure, 0..1 (eq. 105, 106): ``0.7 e^-|IMSD| + 0.3 peakness``."""
    return SLOPE_SHARE * math.exp(-abs(deviation)) + PEAK_SHARE * peakness


def howls(deviation: float, peakness: float, programme: str = "music") -> bool:
    """Whether slope and peakness together make a howl: the third detector of section VII.

    Args:
        deviation: From ``slope_deviation``.
        peakness: From ``peakness``.
        programme: ``speech`` or ``music``, which has more tones of its own.

    Raises:
        ValueError: the programme is unknown.
    """
    if programme not in HOWL_FIGURE:
        raise ValueError(
            f"programme: found '{programme}', expected one of {', '.join(HOWL_FIGURE)}"
        )
    return howl_figure(deviation, peakness) >= HOWL_FIGURE[programme]


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


def _some(frames: Sequence[ArrayLike]) -> None:
    if not frames:
        raise ValueError("frames: found none, expected one or more")


def _spectrum(magnitudes: ArrayLike) -> NDArray[np.float64]:
    y = np.asarray(magnitudes, dtype=np.float64)
    if y.ndim != 1 or not ((y >= 0.0) & (y < math.inf)).all():
        raise ValueError("spectrum: expected one row of finite magnitudes, 0 or more")
    return y


def _ratio_db(peak: float, other: float) -> float:
    if peak == 0.0:
        return -math.inf
    return math.inf if other == 0.0 else 10.0 * math.log10(peak / other)

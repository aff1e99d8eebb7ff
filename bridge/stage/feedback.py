"""Physics of one feedback loop over frequency, and bounds that hold for any phase. Pure.

Source, unless said otherwise: van Waterschoot and Moonen, "Fifty years of acoustic feedback
control", Proc. IEEE 99 (2011) 288; equation numbers are that paper's. ``G`` is the electric way
forward, ``F`` the acoustic way back, their product the loop.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bridge.stage.checks import positive
from bridge.stage.spectral import powers, spectral_radius

RINGING_MARGIN_DB = (2.0, 3.0)
"""Gain margin that keeps a system from audible ringing, dB (section II)."""

NOTCH_GAIN_DB = (5.0, 8.0)
"""Gain that notches put in by ear or by hand win, dB (section III)."""

EQUALISING_LIMIT_DB = 10.0
"""Most that any equalising can win: room peaks rise this far above their mean, dB (section II)."""

ROOM_PEAK_SPACING_HZ = 10.0
"""Distance of a room's peaks, about, Hz (section II)."""

SHIFT_HZ, SHIFT_GAIN_DB = 5.0, 6.0
"""A frequency shift and the most that it wins without being offensive, Hz and dB (section V-D)."""


def closed_loop(forward: complex, back: complex) -> complex:
    """Gain of a system with feedback, ``G / (1 - G F)`` (eq. 10).

    Raises:
        ValueError: the loop is exactly 1: it sings without any input.
    """
    loop = forward * back
    if loop == 1.0:
        raise ValueError("loop: found a gain of exactly 1 in phase, expected anything else")
    return forward / (1.0 - loop)


def in_phase_gains(loop: ArrayLike) -> NDArray[np.float64]:
    """Gains of a loop where it comes round in phase, from samples over rising frequency.

    Where the samples pass the positive real axis the gain is interpolated along the straight line
    between them, so sample finely: the phase may not turn by half a circle between two samples.

    Args:
        loop: Complex loop gains ``G F``, finite, in order of frequency.

    Raises:
        ValueError: a sample is not finite, or there are none.
    """
    samples = np.asarray(loop, dtype=np.complex128).ravel()
    if samples.size == 0 or not np.isfinite(samples).all():
        raise ValueError("loop: found none or a not finite sample, expected finite complex gains")
    re, im = samples.real, samples.imag
    on_axis = re[im == 0.0]
    at = np.flatnonzero(im[:-1] * im[1:] < 0.0)
    share = im[at] / (im[at] - im[at + 1])
    crossings = re[at] + share * (re[at + 1] - re[at])
    gains = np.concatenate((on_axis, crossings))
    return np.asarray(gains[gains > 0.0])


def is_unstable(loop: ArrayLike) -> bool:
    """Nyquist's criterion: somewhere it comes round in phase with a gain of 1 or more (11, 12)."""
    return bool((in_phase_gains(loop) >= 1.0).any())


def maximum_stable_gain_db(loop: ArrayLike) -> float:
    """How far all gain may rise until the loop is unstable, dB (eq. 16).

    ``-20 log10`` of the largest gain in phase; ``inf`` if nothing comes round in phase.

    Args:
        loop: Complex loop gains at the present gain, in order of frequency.
    """
    gains = in_phase_gains(loop)
    return math.inf if gains.size == 0 else -20.0 * math.log10(float(gains.max()))


def expected_stable_gain_db(bandwidth_hz: float, reverberation_s: float) -> float:
    """Maximum stable gain that a diffuse room is expected to allow, dB re its mean (eq. 18).

    ``-10 log10(log10(B T / 22)) - 3.8`` after Schroeder.

    Raises:
        ValueError: bandwidth times reverberation time is not above 22, where the formula ends.
    """
    product = positive(bandwidth_hz, "bandwidth, Hz") * positive(
        reverberation_s, "reverberation, s"
    )
    if not product > 22.0:
        raise ValueError(f"bandwidth times reverberation: found {product:g}, expected above 22")
    return -10.0 * math.log10(math.log10(product / 22.0)) - 3.8


def in_phase_boost_db(loop_db: float) -> float:
    """How much a loop below feedback colours the sound where it is in phase, dB.

    ``-20 log10(1 - g)``: 6 dB under the onset is a peak of 6 dB.

    Raises:
        ValueError: the loop gain is not below 0 dB.
    """
    return -20.0 * math.log10(1.0 - _below_one(loop_db))


def ripple_db(loop_db: float) -> float:
    """Peak to dip of the response that a loop below feedback makes, dB: ``(1 + g) / (1 - g)``.

    Raises:
        ValueError: the loop gain is not below 0 dB.
    """
    g = _below_one(loop_db)
    return 20.0 * math.log10((1.0 + g) / (1.0 - g))


def row_sum_bounds(matrix: ArrayLike) -> tuple[float, float]:
    """Least and largest row sum of a loop matrix without negative entries.

    The spectral radius lies between them (Frobenius; Pacific J. Math. 92 (1981)), so they check a
    computed one by hand.
    """
    sums = powers(matrix, "loop").sum(axis=1)
    return float(sums.min()), float(sums.max())


def worst_case_open_db(number: int) -> float:
    """What N equal paths, all to all, cost when all phases agree, dB: ``20 log10 N``.

    The rule of open microphones (10 log10 N) is the mean over random phases and no bound.

    Raises:
        ValueError: there are fewer than one.
    """
    if not number >= 1:
        raise ValueError(f"paths: found {number}, expected 1 or more")
    return 20.0 * math.log10(number)


def any_phase_margin_db(loop: ArrayLike) -> float:
    """How far all gain may rise with a matrix of loops stable whatever the phases are, dB.

    ``-20 log10 rho(|A|)``; ``inf`` if nothing comes round, negative if some phases may ring.

    Args:
        loop: Complex loop gains (amplitudes), square.
    """
    rho = spectral_radius(np.abs(np.asarray(loop, dtype=np.complex128)))
    return math.inf if rho == 0.0 else -20.0 * math.log10(rho)


def is_stable_at_any_phase(loop: ArrayLike) -> bool:
    """Whether a matrix of loops at one frequency is stable whatever the phases are.

    ``rho(A) <= rho(|A|)``, so ``rho(|A|) < 1`` is enough; it is not necessary.

    Args:
        loop: Complex loop gains (amplitudes), square.
    """
    return spectral_radius(np.abs(np.asarray(loop, dtype=np.complex128))) < 1.0


def _below_one(loop_db: float) -> float:
    if not loop_db < 0.0:
        raise ValueError(f"loop gain, dB: found {loop_db:g}, expected below 0")
    return float(10.0 ** (loop_db / 20.0))

"""Matrices without negative entries: spectral radius, and a proof that it lies below a limit. Pure.

Sources: Perron and Frobenius; Gelfand; Collatz, Math. Z. 48 (1942) 221; Wielandt, Math. Z. 52
(1950) 642.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

_SQUARINGS = 24
"""Squarings of a matrix at most: the 16 millionth root leaves 1e-6 of any error's logarithm."""

_CHECK_EVERY = 4
_SETTLED = 1e-13


def spectral_radius(matrix: ArrayLike) -> float:
    """Spectral radius of a square matrix without negative entries, never below the true one.

    By repeated squaring: ``|M^n|^(1/n)`` falls onto ``rho`` from above (Gelfand), and so does
    ``max (M x) / x`` for ``x = M^n 1`` (Collatz, Wielandt), which is far faster where one loop
    dominates. All terms are sums of positives, so nothing cancels: unlike general eigenvalue
    routines it is exact for defective and nearly periodic matrices too, and always ends.

    Raises:
        ValueError: an entry is negative or not finite, or the matrix is not square.
    """
    m = powers(matrix, "loop")
    if m.shape[0] != m.shape[1]:
        raise ValueError(f"loop: found shape {m.shape}, expected a square")
    largest = float(m.max(initial=0.0))
    return largest * _radius(m / largest) if largest > 0.0 else 0.0


def _radius(m: Array) -> float:
    """Spectral radius of a matrix whose largest entry is 1."""
    best, before, square = math.inf, math.inf, m
    log_scale = 0.0  # logarithm of what was divided out of the power, per factor
    for step in range(1, _SQUARINGS + 1):
        square = square @ square
        peak = float(square.max())
        if peak == 0.0:  # no way leads round: the power is zero
            return 0.0
        square = square / peak
        log_scale += math.log(peak) / 2.0**step
        if step % _CHECK_EVERY and step < _SQUARINGS:
            continue
        sums = square.sum(axis=1)
        gelfand = math.exp(log_scale + math.log(float(sums.max())) / 2.0**step)
        best = min(best, gelfand, _collatz_wielandt(m, sums))
        if before - best <= _SETTLED * best:
            break
        before = best
    return best


def _collatz_wielandt(m: Array, x: Array) -> float:
    """``max (M x)_i / x_i`` where x is not zero; a row that x has lost leads nowhere."""
    kept = x > 0.0
    image = m @ x
    if np.any(image[~kept] > 0.0):  # x underflowed: no bound
        return math.inf
    return float((image[kept] / x[kept]).max())


def inverse_below(m: Array, lam: float) -> Array | None:
    """``(lam I - M)^-1`` if ``rho(M) < lam``, else None.

    The row sums ``x`` of the inverse solve ``(lam I - M) x = 1``. If they are all positive and
    ``M x < lam x`` holds for them as computed, ``rho(M) < lam`` is proved, whatever the rounding
    did before; if ``rho(M) >= lam`` no such x exists.
    """
    try:
        inverse: Array = np.asarray(np.linalg.inv(lam * np.eye(m.shape[0]) - m), np.float64)
    except np.linalg.LinAlgError:
        return None
    x = inverse.sum(axis=1)
    proved = (x > 0.0).all() and (m @ x < lam * x).all()
    return inverse if proved else None


def powers(values: ArrayLike, what: str) -> Array:
    """An array of powers, checked: two dimensions, every entry finite and 0 or more.

    Raises:
        ValueError: it is not so; ``what`` names it in the text.
    """
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != 2:
        raise ValueError(f"{what}: found {array.ndim} dimensions, expected channels x buses")
    # One comparison refuses NaN, infinity and what is negative.
    if not ((array >= 0.0) & (array < math.inf)).all():
        raise ValueError(
            f"{what}: found a negative or not finite entry, expected powers, 0 or more"
        )
    return array

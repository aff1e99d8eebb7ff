"""Feedback headroom of the whole stage, and how high every send and master may go. Pure.

All arrays are power ratios, channels x buses: ``E = 10^(effective / 10)`` is what the mix does,
``H`` (``coupling.py``) what the air does. A sound that goes round once is multiplied by
``L = H E^T``; the stage is stable while the spectral radius ``rho(L)`` stays below 1. In power
terms this is the rule of the number of open microphones: N equal ones lose 10 log10 N.

A raise of one send changes L by a matrix of rank one, so the raise that brings ``rho`` to the
margin exactly is read from one inverse matrix, for all sends and masters at once.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from bridge.stage.checks import not_negative
from bridge.stage.spectral import Array, inverse_below, powers, spectral_radius

MARGIN_DB = 6.0
"""Distance kept from the onset of feedback, dB (feedback stability margin, Eargle 1999 p. 4-3)."""


@dataclass(frozen=True, slots=True)
class Room:
    """How high everything may go while all the rest stays where it is.

    Attributes:
        stable: Whether ``rho`` lies below the margin; if not, nothing may rise.
        sends: Highest effective power of each send, channels x buses; ``inf``, or far above all
            that a console can do, where the air never brings it back.
        masters: Highest factor of power on each master, 1 or more; the same holds.
        faders: Highest factor of power on each channel fader, as far as its taps are post.
    """

    stable: bool
    sends: Array
    masters: Array
    faders: Array


def power(levels_db: ArrayLike) -> Array:
    """Power ratios of levels in dB; ``-inf`` is 0."""
    exponent = np.asarray(levels_db, dtype=np.float64) / 10.0
    return np.asarray(np.power(10.0, exponent), dtype=np.float64)


def decibels(powers: ArrayLike) -> Array:
    """Levels in dB of power ratios; 0 is ``-inf``."""
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(np.asarray(powers, dtype=np.float64)))


def loop_matrix(mix: Array, coupling: Array) -> Array:
    """The smaller one of ``E^T H`` (buses) and ``H E^T`` (channels): both have the same ``rho``."""
    channels, buses = mix.shape
    return mix.T @ coupling if buses <= channels else coupling @ mix.T


def headroom_db(mix: ArrayLike, coupling: ArrayLike) -> float:
    """Distance to the onset of feedback, dB; ``inf`` if nothing comes back, negative if it rings.

    Args:
        mix: Effective powers E, channels x buses.
        coupling: Coupling H in force, channels x buses.

    Raises:
        ValueError: the shapes differ, or an entry is negative or not finite.
    """
    e, h = _pair(mix, coupling)
    rho = spectral_radius(loop_matrix(e, h))
    return math.inf if rho == 0.0 else -10.0 * math.log10(rho)


def limit(margin_db: float) -> float:
    """The spectral radius that a margin in dB (0 or more) allows: ``10^(-margin / 10)``."""
    return float(10.0 ** (-not_negative(margin_db, "margin, dB") / 10.0))


def room(
    mix: ArrayLike,
    coupling: ArrayLike,
    margin_db: float = MARGIN_DB,
    *,
    post: ArrayLike | None = None,
) -> Room:
    """How high each send, master and fader may go, each alone, from one solve.

    With ``M = E^T H`` and ``R = (lam I - M)^-1``, all entries of ``G = H R`` are 0 or more, and
    - send: ``E + 1 / G``;
    - master b: factor ``1 + 1 / sum_c E G`` over its column (Sherman and Morrison);
    - fader c: the same over the post taps of its row.
    With fewer channels than buses the same ``G`` is ``(lam I - H E^T)^-1 H``.

    Args:
        mix: Effective powers E, channels x buses.
        coupling: Coupling H in force, channels x buses.
        margin_db: Distance kept from the onset, dB, 0 or more.
        post: 1 (or True) where the tap is post the fader, channels x buses; none when missing.

    Raises:
        ValueError: the shapes differ, or an entry is negative or not finite.
    """
    e, h = _pair(mix, coupling)
    lam = limit(margin_db)
    gains = _gains(e, h, lam)
    if gains is None:
        return Room(False, e.copy(), np.ones(e.shape[1]), np.ones(e.shape[0]))
    loops = e * gains
    taps = np.zeros_like(e) if post is None else powers(post, "post taps")
    with np.errstate(divide="ignore"):
        sends = e + 1.0 / gains
        masters = 1.0 + 1.0 / loops.sum(axis=0)
        faders = 1.0 + 1.0 / (loops * taps).sum(axis=1)
    return Room(True, sends, masters, faders)


def is_stable(mix: ArrayLike, coupling: ArrayLike, margin_db: float = MARGIN_DB) -> bool:
    """Whether ``rho`` lies below the margin; proved by a vector, without eigenvalues."""
    e, h = _pair(mix, coupling)
    return inverse_below(loop_matrix(e, h), limit(margin_db)) is not None


def scale_back(
    before: ArrayLike, wished: ArrayLike, coupling: ArrayLike, margin_db: float = MARGIN_DB
) -> Array:
    """The wished mix with its raises scaled back together until the stage keeps its margin.

    Each raise may be within its own room and all together still too much. Falls are taken in
    full. Raises shrink by one common factor of power: the largest that reaches the margin, which
    is ``1 / rho(R D)`` for raises that add ``D`` to a loop with the inverse ``R``.

    Args:
        before: Effective powers E that the console has now, channels x buses.
        wished: Effective powers wanted.
        coupling: Coupling H in force.
        margin_db: Distance kept from the onset, dB, 0 or more.

    Returns:
        A mix nowhere above ``wished``; ``wished`` itself where that is safe. When even the falls
        leave ``rho`` at the margin or above, nothing rises.

    Raises:
        ValueError: the shapes differ, or an entry is negative or not finite.
    """
    old, h = _pair(before, coupling)
    new, _ = _pair(wished, coupling)
    lam = limit(margin_db)
    if inverse_below(loop_matrix(new, h), lam) is not None:
        return new
    base = np.minimum(old, new)
    raises = new - base
    inverse = inverse_below(loop_matrix(base, h), lam)
    if inverse is None:
        return base
    share = 1.0 / max(spectral_radius(_solved(inverse, raises, h)), 1.0)
    for shrink in (1.0, 1.0 - 1e-9, 1.0 - 1e-6, 1.0 - 1e-3):
        mix = np.minimum(base + (share * shrink) * raises, new)
        if inverse_below(loop_matrix(mix, h), lam) is not None:
            return mix
    return base


def open_microphones(mix: ArrayLike, coupling: ArrayLike) -> Array:
    """How many equal microphones each bus holds open: its loops' sum over its strongest loop.

    One alone counts 1, N equal ones N, and a faint one next to nothing. The cost is 10 log10 of it.

    Returns:
        One number a bus; 0 where nothing comes back.

    Raises:
        ValueError: the shapes differ, or an entry is negative or not finite.
    """
    e, h = _pair(mix, coupling)
    loops = e * h
    strongest = loops.max(axis=0, initial=0.0)
    number: Array = np.zeros(e.shape[1])
    np.divide(loops.sum(axis=0), strongest, out=number, where=strongest > 0.0)
    return number


def _gains(e: Array, h: Array, lam: float) -> Array | None:
    """``G = H (lam I - E^T H)^-1``; None when ``rho`` is at ``lam`` or above."""
    inverse = inverse_below(loop_matrix(e, h), lam)
    if inverse is None:
        return None
    by_bus = inverse.shape[0] == e.shape[1]
    gains = h @ inverse if by_bus else inverse @ h
    # Rounding may leave -1e-20 where the exact value is 0.
    return np.maximum(gains, 0.0)


def _solved(inverse: Array, raises: Array, h: Array) -> Array:
    """``R D``, the share of the remaining room that the raises take, without rounding dirt."""
    return np.maximum(inverse @ loop_matrix(raises, h), 0.0)


def _pair(mix: ArrayLike, coupling: ArrayLike) -> tuple[Array, Array]:
    e, h = powers(mix, "mix"), powers(coupling, "coupling")
    if e.shape != h.shape:
        raise ValueError(f"mix: found shape {e.shape}, expected {h.shape} as the coupling")
    return e, h

"""The air of a stage over frequency: whether a mix rings, where, and at which level. Pure.

A mix multiplies what goes round once by a complex matrix L(f): levels times paths, each path with
its delay. Scaled up from silence, a loop rings first where an eigenvalue of L comes round in phase
(real, above 0) with a gain of 1 (Nyquist): that is exact for the paths as they are declared.

What this is not: a room. There are no walls, no modes, no equaliser and no people who move; with a
seed each path gets a sign and a few milliseconds of its own, which stands for all that.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bridge.rig.rig import Rig
from bridge.simulator.paths import BOTH, LEFT, Path, paths

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

BAND_HZ = (80.0, 8000.0)
"""Where stages ring: below it channels are filtered, above it air and boxes lose too much."""

EXTRA_S = 0.010
"""Longest time that a seed adds to a path: a first reflection three metres about."""

STEPS_A_TURN = 16
"""Frequencies looked at while the slowest path turns by one whole phase."""

NAMED_MAX = 24
"""Rings that are looked at closely: more sound at once than anybody could name."""

_SHARES = (0.9, 0.75, 0.6, 0.45)
_SECANTS = 6
_SAME = 1e-6


@dataclass(frozen=True, slots=True)
class _Crossing:
    """Where an eigenvalue comes round in phase: its gain, and the frequency, Hz."""

    gain: float
    hz: float


class Air:
    """A rig's stage as the stand-in hears it.

    Attributes:
        ways: Its paths, with the seed's signs and delays.
        shape: Number of channels and of buses.
        outputs: Bus and side of every output that is heard by a microphone.
    """

    def __init__(
        self,
        rig: Rig,
        seed: int | None = None,
        *,
        band_hz: tuple[float, float] = BAND_HZ,
        ways: Iterable[Path] | None = None,
    ) -> None:
        """Work out the paths.

        Args:
            rig: What the user declared.
            seed: Gives each path a sign and a delay of its own; the bare direct sound when None.
            band_hz: Where rings are looked for.
            ways: Paths to take instead of the rig's own.
        """
        bare = paths(rig) if ways is None else tuple(ways)
        self.ways = bare if seed is None else shuffled(bare, seed)
        self.shape = len(rig.file.channel), len(rig.file.bus)
        self.outputs = sorted({(way.bus, way.side) for way in self.ways})
        slowest_s = max((way.delay_s for way in self.ways), default=0.001)
        step_hz = 1.0 / (STEPS_A_TURN * slowest_s)
        self._hz = np.arange(band_hz[0], band_hz[1] + step_hz, step_hz)
        self._table: Complex | None = None

    def response(self, hz: ArrayLike) -> Complex:
        """What every output makes in every channel: frequencies x channels x outputs.

        An output is one side of a bus, in the order of bus and side.
        """
        at = np.atleast_1d(np.asarray(hz, dtype=np.float64))
        out = np.zeros((at.size, self.shape[0], len(self.outputs)), dtype=np.complex128)
        for way in self.ways:
            turned = way.gain * np.exp(-2j * math.pi * way.delay_s * at)
            out[:, way.channel, self.outputs.index((way.bus, way.side))] += turned
        return out

    def ringing(
        self, effective_db: ArrayLike, pans: ArrayLike | None = None
    ) -> list[tuple[int, int, float]]:
        """Which loops ring at this mix: channel, bus and frequency, Hz; the strongest first.

        Args:
            effective_db: Effective levels, dB, channels x buses; ``-inf`` is off.
            pans: Where each send stands on a stereo bus, -1..1; the middle when missing.
        """
        mix = self.mix(effective_db, pans)
        out: dict[tuple[int, int], float] = {}
        for found in self._crossings(mix, 1.0)[:NAMED_MAX]:
            out.setdefault(self._pair(mix, found), found.hz)
        return [(channel, bus, hz) for (channel, bus), hz in out.items()]

    def reserve_db(
        self, effective_db: ArrayLike, pans: ArrayLike | None = None
    ) -> tuple[float, float]:
        """By how many dB the whole mix may rise until it rings first, and at which frequency, Hz.

        Below 0 it rings already; ``inf`` and NaN where nothing comes back.
        """
        found = self._crossings(self.mix(effective_db, pans), 0.0)
        return (-20.0 * math.log10(found[0].gain), found[0].hz) if found else (math.inf, math.nan)

    def ring_level_db(self, channel: int, bus: int) -> tuple[float, float]:
        """The effective level at which this channel alone in this bus rings, dB, and where, Hz.

        ``inf`` and NaN where the bus does not reach the channel.
        """
        levels = np.full(self.shape, -math.inf)
        levels[channel, bus] = 0.0
        return self.reserve_db(levels)

    def mix(self, effective_db: ArrayLike, pans: ArrayLike | None = None) -> Real:
        """Amplitudes of every channel in every output; arguments as ``ringing``."""
        amplitudes = np.power(10.0, np.asarray(effective_db, dtype=np.float64) / 20.0)
        places = np.zeros(self.shape) if pans is None else np.asarray(pans, dtype=np.float64)
        out = np.zeros((self.shape[0], len(self.outputs)))
        for number, (bus, side) in enumerate(self.outputs):
            out[:, number] = amplitudes[:, bus] * pan_gain(places[:, bus], side)
        return out

    def _crossings(self, mix: Real, least: float) -> list[_Crossing]:
        """Where eigenvalues come round in phase with at least this gain, the strongest first.

        Without a least gain only the strongest are looked for.
        """
        if not self.outputs:
            return []
        if self._table is None:
            self._table = self.response(self._hz)
        most = self._most(mix)
        if least:
            return self._above(mix, most, least)
        # Nothing above a gain hides where the bound is below it: look there only, then further.
        for share in _SHARES:
            found = self._above(mix, most, share * float(most.max()))
            if found:
                return found
        return self._above(mix, most, 0.0)

    def _above(self, mix: Real, most: Real, least: float) -> list[_Crossing]:
        """The same among the frequencies where the loop may reach that gain."""
        assert self._table is not None
        loud = most >= least
        loud[1:] |= loud[:-1]
        loud[:-1] |= loud[1:]
        near = np.flatnonzero(loud)
        if near.size < 2:
            return []
        values = np.asarray(np.linalg.eigvals(_loop(mix, self._table[near])), np.complex128)
        rough = _rough(self._hz[near], values, np.diff(near) == 1)
        rough.sort(key=lambda found: (-round(math.log(found[0]) / _SAME), found[1]))
        fine = [self._refined(mix, *found) for found in rough[:NAMED_MAX]
                if found[0] >= 0.98 * least]  # fmt: skip
        kept = [found for found in fine if found.gain > least]
        top = max((found.gain for found in kept), default=0.0)
        return sorted(kept, key=lambda f: (-f.gain if f.gain < top * (1 - _SAME) else -top, f.hz))

    def _most(self, mix: Real) -> Real:
        """What the loop's largest eigenvalue is at most, at each frequency."""
        assert self._table is not None
        sizes = np.abs(_loop(mix, self._table))
        x = _perron(sizes.max(axis=0))
        return np.asarray((sizes @ x / x).max(axis=1))

    def _refined(self, mix: Real, gain: float, low_hz: float, high_hz: float) -> _Crossing:
        """Close in on the frequency where this eigenvalue is in phase (secant)."""
        ends = [(hz, self._nearest(mix, hz, gain)) for hz in (low_hz, high_hz)]
        for _ in range(_SECANTS):
            (a, at_a), (b, at_b) = ends
            if abs(at_b.imag - at_a.imag) <= 1e-15 * abs(at_b):
                break
            hz = min(max(b - at_b.imag * (b - a) / (at_b.imag - at_a.imag), low_hz), high_hz)
            ends = [ends[1], (hz, self._nearest(mix, hz, gain))]
        hz, value = min(ends, key=lambda end: abs(end[1].imag))
        return _Crossing(value.real, hz)

    def _nearest(self, mix: Real, hz: float, gain: float) -> complex:
        values = np.linalg.eigvals(_loop(mix, self.response(hz)))[0]
        return complex(values[np.abs(values - gain).argmin()])

    def _pair(self, mix: Real, found: _Crossing) -> tuple[int, int]:
        """The send that carries most of a loop."""
        response = self.response(found.hz)[0]
        values, right = np.linalg.eig(mix.T @ response)
        number = np.abs(values - found.gain).argmin()
        lefts, left = np.linalg.eig((mix.T @ response).T)
        to_bus = left[:, np.abs(lefts - found.gain).argmin()]
        share = np.abs(mix * to_bus[None, :] * (response @ right[:, number])[:, None])
        channel, output = np.unravel_index(int(share.argmax()), share.shape)
        return int(channel), self.outputs[int(output)][0]


def pan_gain(pan: ArrayLike, side: int) -> Real:
    """Amplitude of one side of a stereo bus: equal power, -3.01 dB in the middle.

    What plays both sides plays a send whole, wherever it stands.

    Args:
        pan: -1 (left) .. 1 (right).
        side: ``BOTH``, ``LEFT`` or ``RIGHT``.
    """
    angle = (np.asarray(pan, dtype=np.float64) + 1.0) * (math.pi / 4.0)
    if side == BOTH:
        return np.ones_like(angle)
    return np.cos(angle) if side == LEFT else np.sin(angle)


def shuffled(ways: Sequence[Path], seed: int) -> tuple[Path, ...]:
    """The same paths, each with a random sign and up to ``EXTRA_S`` more delay."""
    draw = random.Random(seed)
    return tuple(
        Path(way.channel, way.bus, way.side, way.gain * draw.choice((1.0, -1.0)),
             way.delay_s + draw.uniform(0.0, EXTRA_S))
        for way in ways
    )  # fmt: skip


def _loop(mix: Real, response: Complex | Real) -> Complex:
    """What goes round once, at each frequency: by outputs or by channels, whichever is smaller."""
    channels, outputs = mix.shape
    loop = mix.T @ response if outputs <= channels else response @ mix.T
    return np.asarray(loop, dtype=np.complex128)


def _perron(worst: Real) -> Real:
    """A vector above 0 that makes the row bound of such matrices nearly as low as it can be."""
    x = np.ones(worst.shape[0])
    for _ in range(30):
        x = np.maximum(worst @ x, 1e-9 * x.max())
        x /= x.max() or 1.0
    return np.maximum(x, 1e-12)


def _rough(
    hz: Real, values: Complex, joined: NDArray[np.bool_]
) -> list[tuple[float, float, float]]:
    """In-phase crossings between neighbouring frequencies: gain, lower and upper frequency."""
    here, there = values[:-1], values[1:]
    apart = np.abs(here[:, :, None] - there[:, None, :])
    next_to = np.take_along_axis(there, apart.argmin(axis=2), axis=1)
    up, down = here.imag, next_to.imag
    crosses = (up * down <= 0.0) & (up != down) & joined[:, None]
    share = np.divide(up, up - down, out=np.zeros_like(up), where=up != down)
    # Along the chord an eigenvalue that turns looks smaller than it is; its size is nearer.
    real = here.real + share * (next_to.real - here.real)
    size = np.abs(here) + share * (np.abs(next_to) - np.abs(here))
    rows, columns = np.nonzero(crosses & (real > 0.0) & (size > 0.0))
    return [(float(size[r, c]), float(hz[r]), float(hz[r + 1]))
            for r, c in zip(rows, columns, strict=True)]  # fmt: skip

"""The stage's loop kept up to date while the mix moves: what one raise costs all others. Pure.

``G = H (lam I - E^T H)^-1`` says how much a raise of each send brings back (``headroom.py``). A
move of one send, one bus or one channel changes the loop by a matrix of rank one, so ``G`` follows
in one outer product (Sherman and Morrison, Ann. Math. Statist. 21 (1950) 124) instead of a solve:
with ``d`` added to the mix in column b, ``G += G[:,b] (d G) / (1 - d G[:,b])``, and likewise for
one entry and for a row. The denominator is what is left of the room: at 0 the limit is reached.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bridge.stage.headroom import loop_matrix
from bridge.stage.spectral import Array, inverse_below, powers, spectral_radius

Flags = NDArray[np.bool_]

UPDATES_MAX = 64
"""Moves after which ``G`` is solved anew: rounding errors of so many outer products stay far below
the 1e-9 that ceilings are good for."""

LEFT_LEAST = 1e-6
"""Share of the room that must be left for an update; nearer to the limit ``G`` is solved anew."""


class Loop:
    """One mix before one coupling.

    All in the unit of the bound: powers with the limit ``10^(-margin/10)``, or amplitudes with
    ``10^(-margin/20)``.

    Args:
        coupling: H, channels x buses.
        limit: The spectral radius that is allowed, above 0 to 1.

    Attributes:
        mix: E, channels x buses; changed by the methods alone.
        coupling: H.
        limit: The allowed spectral radius.
        heard: Whether a channel hears any bus, one a channel.
        plays: Whether a bus is heard by any channel, one a bus.

    Raises:
        ValueError: an entry of H is negative or not finite.
    """

    def __init__(self, coupling: ArrayLike, limit: float) -> None:
        self.coupling = powers(coupling, "coupling")
        self.limit = limit
        self.mix: Array = np.zeros_like(self.coupling)
        self._gains: Array = self.coupling / limit
        self._below = True
        self._updates = 0
        self.heard: Flags = np.asarray(self.coupling.any(axis=1))
        self.plays: Flags = np.asarray(self.coupling.any(axis=0))

    def couples(self, channel: int, bus: int) -> bool:
        """Whether a send can be part of any loop: its channel hears and its bus is heard."""
        return bool(self.heard[channel] and self.plays[bus])

    # -- moves ----------------------------------------------------------------------------------

    def set_send(self, channel: int, bus: int, value: float) -> None:
        """Set one entry of the mix."""
        added = value - self.mix[channel, bus]
        self.mix[channel, bus] = value
        if added == 0.0 or not self.couples(channel, bus):
            return
        g = self._gains
        left = 1.0 - added * g[channel, bus]
        if self._follows(left):
            self._gains = g + np.outer(g[:, bus] * (added / left), g[channel])

    def set_bus(self, bus: int, values: Array) -> None:
        """Set a column of the mix."""
        added = values - self.mix[:, bus]
        self.mix[:, bus] = values
        if not self.plays[bus] or not added.any():
            return
        g = self._gains
        left = 1.0 - float(added @ g[:, bus])
        if self._follows(left):
            self._gains = g + np.outer(g[:, bus] / left, added @ g)

    def set_channel(self, channel: int, values: Array) -> None:
        """Set a row of the mix."""
        added = values - self.mix[channel]
        self.mix[channel] = values
        if not self.heard[channel] or not added.any():
            return
        g = self._gains
        left = 1.0 - float(g[channel] @ added)
        if self._follows(left):
            self._gains = g + np.outer(g @ added, g[channel] / left)

    def set_all(self, mix: ArrayLike) -> None:
        """Set the whole mix."""
        self.mix = powers(mix, "mix").copy()
        self._updates = UPDATES_MAX

    def _follows(self, left: float) -> bool:
        """Whether an update is enough; else ``G`` is solved anew when it is next asked for."""
        self._updates += 1
        if self._updates > UPDATES_MAX:
            return False
        # A fall makes left larger than 1; both directions lose digits far from it.
        if self._below and LEFT_LEAST < left < 1.0 / LEFT_LEAST:
            return True
        self._updates = UPDATES_MAX + 1
        return False

    # -- answers --------------------------------------------------------------------------------

    def gains(self) -> Array | None:
        """``G`` of the mix as it is now; None when it stands at the limit or past it."""
        if self._updates >= UPDATES_MAX:
            self._solve()
        return self._gains if self._below else None

    def _solve(self) -> None:
        inverse = inverse_below(loop_matrix(self.mix, self.coupling), self.limit)
        self._updates = 0
        self._below = inverse is not None
        if inverse is None:
            self._updates = UPDATES_MAX + 1  # any fall may bring it back
            return
        h = self.coupling
        by_bus = inverse.shape[0] == h.shape[1]
        self._gains = np.maximum(h @ inverse if by_bus else inverse @ h, 0.0)

    def room_of_send(self, channel: int, bus: int) -> float:
        """How much may be added to one entry of the mix."""
        if not self.couples(channel, bus):
            return math.inf
        g = self.gains()
        return 0.0 if g is None else _inverse(float(g[channel, bus]))

    def room_of_bus(self, bus: int, shape: Array) -> float:
        """By how much a column of the mix may grow, in multiples of ``shape``, one a channel."""
        if not self.plays[bus] or not (shape * self.heard).any():
            return math.inf
        g = self.gains()
        return 0.0 if g is None else _inverse(float(shape @ g[:, bus]))

    def room_of_channel(self, channel: int, shape: Array) -> float:
        """By how much a row of the mix may grow, in multiples of ``shape``, one a bus."""
        if not self.heard[channel] or not (shape * self.plays).any():
            return math.inf
        g = self.gains()
        return 0.0 if g is None else _inverse(float(shape @ g[channel]))

    def radius(self) -> float:
        """The spectral radius of the loop, never below the true one."""
        return spectral_radius(loop_matrix(self.mix, self.coupling))

    def blame(self) -> Array:
        """How much each bus carries of the loop that is nearest to ringing, 0 to 1 a bus.

        The change of the spectral radius with each master, relative to the largest: the products
        of the left and right Perron vectors of ``E^T H``.
        """
        m = self.mix.T @ self.coupling
        right, left = _perron(m), _perron(m.T)
        share: Array = right * left
        largest = float(share.max(initial=0.0))
        return share / largest if largest > 0.0 else share


def _perron(m: Array) -> Array:
    """A vector that repeated use of a matrix without negative entries turns every other into."""
    x: Array = np.ones(m.shape[0])
    for _ in range(64):
        image = m @ x + 1e-12 * x  # the shift keeps nearly periodic loops from swinging
        total = float(image.sum())
        if not total > 0.0:
            break
        x = (x + image / total * x.sum()) / 2.0
    return x


def _inverse(gain: float) -> float:
    """A room from a gain; none where nothing comes back."""
    return 1.0 / gain if gain > 0.0 else math.inf

"""A network that loses, delays, doubles and reorders packets from one seed. Pure.

The same seed and the same packets give the same run: each packet draws the same count of random
numbers, whatever becomes of it.
"""

from __future__ import annotations

import random
from collections.abc import Sequence

Arrival = tuple[float, bytes]


def _probability(name: str, value: float) -> float:
    if not 0.0 <= value <= 1.0:
        raise ValueError(f"{name}: found {value}, expected a probability 0..1")
    return value


class LossyNetwork:
    """One direction of a bad network.

    Attributes:
        delay_max_s: No packet arrives later than this after it was sent.
        carried: Packets given to it.
        lost: Packets that never arrive, those of a blackout included.
        doubled: Packets that arrive twice.
        overtaken: Arrivals that come after a packet that was sent later.
    """

    def __init__(
        self,
        seed: int,
        *,
        loss: float = 0.0,
        double: float = 0.0,
        delay_s: tuple[float, float] = (0.0, 0.0),
        reorder: float = 1.0,
        blackouts: Sequence[tuple[float, float]] = (),
    ) -> None:
        """Declare how bad it is.

        Args:
            seed: Where all its accidents come from.
            loss: Probability 0..1 that a packet is lost.
            double: Probability 0..1 that it arrives twice.
            delay_s: Shortest and longest delay, s; each packet has its own, evenly spread.
            reorder: Probability 0..1 that a packet may overtake those before it; the others
                queue behind them (and still arrive within the longest delay).
            blackouts: Times (from, to), s, in which nothing is taken and nothing arrives.

        Raises:
            ValueError: a probability outside 0..1, a delay or a blackout that runs backwards.
        """
        self._loss = _probability("loss", loss)
        self._double = _probability("double", double)
        self._reorder = _probability("reorder", reorder)
        if not 0.0 <= delay_s[0] <= delay_s[1] < float("inf"):
            raise ValueError(f"delay_s: found {delay_s}, expected 0 <= shortest <= longest, s")
        for start_s, end_s in blackouts:
            if not start_s <= end_s:
                raise ValueError(f"blackouts: found {(start_s, end_s)}, expected (from, to), s")
        self.delay_min_s, self.delay_max_s = delay_s
        self.blackouts = tuple(blackouts)
        self._random = random.Random(seed)
        self._latest_s = 0.0
        self.carried = self.lost = self.doubled = self.overtaken = 0

    def dark(self, at_s: float) -> bool:
        """Whether a blackout covers this moment."""
        return any(start_s <= at_s < end_s for start_s, end_s in self.blackouts)

    def carry(self, now_s: float, data: bytes) -> list[Arrival]:
        """Send a packet.

        Args:
            now_s: This moment, s; never earlier than at the call before.
            data: The packet's bytes, untouched.

        Returns:
            When it arrives, s, with its bytes: nothing when lost, two entries when doubled.
        """
        draw = self._random.random
        loss, double, in_line, first, second = draw(), draw(), draw(), draw(), draw()
        self.carried += 1
        delays = [first, second] if double < self._double else [first]
        arrivals = [self._arrival(now_s, share, in_line >= self._reorder) for share in delays]
        kept = [at_s for at_s in arrivals if not self.dark(at_s)]
        if loss < self._loss or self.dark(now_s) or not kept:
            self.lost += 1
            return []
        self.doubled += len(kept) - 1
        self.overtaken += sum(at_s < self._latest_s for at_s in kept)
        self._latest_s = max(self._latest_s, *kept)
        return [(at_s, data) for at_s in kept]

    def _arrival(self, now_s: float, share: float, in_line: bool) -> float:
        at_s = now_s + self.delay_min_s + share * (self.delay_max_s - self.delay_min_s)
        return max(at_s, self._latest_s) if in_line else at_s


def perfect() -> LossyNetwork:
    """A network that does nothing wrong."""
    return LossyNetwork(0)

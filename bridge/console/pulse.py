"""Signs of life: when to ask a console for one, and what its silence means. Pure."""

from __future__ import annotations

import math

from bridge import limits


class Pulse:
    """Signs of life of one console.

    Args:
        answer_s: Silence after which it counts as lost, s.
        rare: It can only be asked for everything at once, which is much.

    Attributes:
        next_s: When to think of asking next, s; ``inf`` while nobody has to.
        rare: As above.
    """

    def __init__(self, answer_s: float, *, rare: bool) -> None:
        self._answer_s, self.rare = answer_s, rare
        self.next_s = math.inf
        self._heard_s = self._asked_s = -math.inf

    def heard(self, now_s: float) -> None:
        """It said something."""
        self._heard_s = now_s

    def begin(self, now_s: float) -> None:
        """Listen for signs of life from now on."""
        self.next_s = now_s + self._answer_s / 2

    def beats(self, now_s: float) -> bool:
        """Whether to ask now, once ``next_s`` has come."""
        self.next_s = now_s + self._answer_s / 2
        if not self.rare:
            return True
        pause_s = limits.RARE_PROBE_S if self._answered() else self._answer_s
        return now_s - self._asked_s >= pause_s

    def _answered(self) -> bool:
        return self._heard_s >= self._asked_s

    def silent(self, now_s: float) -> bool:
        """Whether it has not answered the last question for too long."""
        return not self._answered() and now_s - self._heard_s > self._answer_s

    def asked(self, now_s: float) -> None:
        """It was asked for a sign of life."""
        self._asked_s = now_s

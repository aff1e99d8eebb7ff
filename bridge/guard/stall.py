"""Whether the loop turns, and how long it stood still when it did not. Pure.

A loop stands still when the machine is overloaded, when the process is stopped, or when the whole
machine sleeps. Nobody was heard meanwhile, and nobody told anything. So the time is not made up
for: ramps go on from where they were, and a button that was pressed is not held any longer by it.
"""

from __future__ import annotations

import bisect
import math

TURN_S = 0.1
"""Longest time between two turns of the loop in quiet times: somebody sees to it (``Guard``)."""

RECENT_S = 60.0
"""A stall counts as news for so long."""

LATE_S = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.25, 1.0, math.inf)
"""Upper bounds of the classes in which late turns are counted, s. Above 0.02 s a hand feels it."""


class Lateness:
    """How late the loop turns when it was asked for at a given time: a histogram of one run.

    Attributes:
        counts: Turns that were at most so late, one class a bound of ``LATE_S``, each alone.
        sum_s: All lateness together, s.
    """

    def __init__(self) -> None:
        self.counts = [0] * len(LATE_S)
        self.sum_s = 0.0

    def add(self, late_s: float) -> None:
        """Count a turn.

        Args:
            late_s: How late it was, s; a turn that came early is none.
        """
        late_s = max(0.0, late_s)
        self.counts[bisect.bisect_left(LATE_S, late_s)] += 1
        self.sum_s += late_s


class Stalls:
    """The stalls of one run.

    Args:
        most_s: Time without a turn that counts as a stall, s; above ``TURN_S``.
        tick_s: Time that may pass between two words of a ramp anyway, s.

    Attributes:
        seen_s: When the loop turned last; ``inf`` before the first time.
        count: How many stalls there were.
        longest_s: The longest of them, s.
        last_s: When the last one ended; ``-inf`` before the first.
        asleep_s: Time that the machine slept in all, s.
    """

    def __init__(self, most_s: float, tick_s: float) -> None:
        assert most_s > TURN_S, "a quiet loop is not a stalled one"
        self.most_s, self._tick_s = most_s, tick_s
        self.seen_s = math.inf
        self.count, self.longest_s, self.last_s = 0, 0.0, -math.inf
        self.asleep_s = 0.0
        self._slept_so_far_s = math.nan

    def stood_s(self, now_s: float) -> float:
        """The loop turns: how long it stood still before that, s; 0 when it did not.

        Args:
            now_s: This moment, s.
        """
        gap_s, self.seen_s = now_s - self.seen_s, now_s
        if not gap_s > self.most_s:
            return 0.0
        stood_s = gap_s - self._tick_s
        self.count += 1
        self.longest_s = max(self.longest_s, stood_s)
        self.last_s = now_s
        return stood_s

    def slept_s(self, slept_so_far_s: float, now_s: float) -> float:
        """How long the machine slept since the last question, s; 0 when it did not.

        Args:
            slept_so_far_s: By how much the clock that counts sleep is ahead of the one that does
                not (clock_gettime(2): CLOCK_BOOTTIME and CLOCK_MONOTONIC), s.
            now_s: This moment, s.
        """
        before_s, self._slept_so_far_s = self._slept_so_far_s, slept_so_far_s
        slept_s = slept_so_far_s - before_s
        if not slept_s > self.most_s:  # the first time, there is no before
            return 0.0
        self.asleep_s += slept_s
        self.count += 1
        self.longest_s = max(self.longest_s, slept_s)
        self.last_s = now_s
        return slept_s

    def recent(self, now_s: float) -> bool:
        """Whether a stall is news still."""
        return now_s - self.last_s <= RECENT_S

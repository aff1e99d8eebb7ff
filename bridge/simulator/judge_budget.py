"""The judge of a link's budget, part of promise 4. Pure."""

from __future__ import annotations


class BudgetJudge:
    """Over any window, no more than ``rate * window + burst`` goes out: a leaking bucket.

    Attributes:
        unit: What is counted: bytes or messages.
        most: The fullest that the bucket was, in that unit.
        total: All that went out.
    """

    def __init__(self, unit: str, per_s: float, burst_s: float, at_s: float) -> None:
        self.unit = unit
        self._per_s, self._burst = per_s, per_s * burst_s
        self._fill, self._at_s = 0.0, at_s
        self.most, self.total = 0.0, 0

    def sent(self, at_s: float, count: int) -> str:
        """Something went out; the breach in words, empty when it fits."""
        self.total += count
        if self._per_s == float("inf"):
            return ""
        passed_s = max(0.0, at_s - self._at_s)
        self._at_s = max(self._at_s, at_s)
        self._fill = max(0.0, self._fill - self._per_s * passed_s) + count
        self.most = max(self.most, self._fill)
        allowed = max(self._burst, count)  # one packet always may go out whole
        if self._fill <= allowed + 1e-6:
            return ""
        text = f"{self._fill:.0f} {self.unit} at once, expected at most {allowed:.0f}"
        self._fill = allowed
        return f"{text} beside {self._per_s:g} {self.unit} a second"

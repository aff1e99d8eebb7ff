"""How fast a level may rise. Pure.

The promise: for every two moments, ``level(t2) - level(t1) <= step + rise * (t2 - t1)``, in dB,
where levels under the ramp floor count as the ramp floor. It is kept by a *base* that follows the
level down at once and up at ``rise``; the level may stand ``step`` above it.
"""

from __future__ import annotations

import math

from bridge import limits

NAN = math.nan


def reserved(rise_db_per_s: float, step_db: float, slack_s: float) -> tuple[float, float]:
    """Rise and step for the bridge when the link's delay varies by up to ``slack_s``.

    Words that leave evenly may arrive bunched: two that left ``slack_s`` apart arrive at once.
    So the step that is left to a gesture is the declared one less what a ramp covers in that
    time, and a rise so fast that it would eat more than half of the step is slowed down.

    Args:
        rise_db_per_s: Declared rise, dB/s.
        step_db: Declared step, dB.
        slack_s: Variation of the link's delay, s.
    """
    rise = rise_db_per_s if slack_s == 0 else min(rise_db_per_s, step_db / (2 * slack_s))
    return rise, step_db - rise * slack_s


class Rides:
    """The levels on their way, one list entry a slot; slots without a level stay unused.

    Attributes:
        told: What the console was last told, dB; NaN before the first word.
        rise: dB/s a slot.
        step: dB a slot.
        floor_db: The ramp floor.
    """

    def __init__(self, size: int, floor_db: float) -> None:
        self.told = [NAN] * size
        self.rise = [6.0] * size
        self.step = [1.0] * size
        self.floor_db = floor_db
        self._base = [floor_db] * size
        self._at = [0.0] * size

    def skip(self, seconds: float) -> None:
        """Let time that has passed earn no rise: the loop stood still, so nothing was told."""
        self._at[:] = [at_s + seconds for at_s in self._at]

    def told_now(self, slot: int, level_db: float, now_s: float) -> None:
        """Take a level as the one that the console has: the desk moved, or it was just told."""
        self.told[slot] = level_db
        self._base[slot] = level_db if level_db > self.floor_db else self.floor_db
        self._at[slot] = now_s

    def fall(self, slot: int, level_db: float, now_s: float) -> None:
        """Remember a lower level as told: falls go through at once and earn no step."""
        base = self._base[slot] + self.rise[slot] * (now_s - self._at[slot])
        low = level_db if level_db > self.floor_db else self.floor_db
        self.told[slot] = level_db
        self._base[slot] = base if base < low else low
        self._at[slot] = now_s

    def climb(self, slot: int, goal_db: float, now_s: float) -> float:
        """The level that may be told now on the way up to ``goal_db``, remembered as told.

        NaN, and nothing remembered, where it would be a crumb. A level never told counts as
        standing at the ramp floor.
        """
        told, floor = self.told[slot], self.floor_db
        base = self._base[slot] + self.rise[slot] * (now_s - self._at[slot])
        heard = told if told > floor else floor  # NaN counts as the floor
        if not base < heard:
            base = heard
        top = base + self.step[slot]
        if goal_db <= top:
            level = goal_db
        elif top - told < limits.WORTH_DB:
            return NAN
        else:
            level = top
        self.told[slot] = level
        self._base[slot] = base if base < level else level if level > floor else floor
        self._at[slot] = now_s
        return level

    def slipped(self, slot: int, level_db: float, now_s: float) -> None:
        """The console stands at an older, lower word; no step is earned by it."""
        base = self._base[slot] + self.rise[slot] * (now_s - self._at[slot])
        self.told_now(slot, level_db, now_s)
        self._base[slot] = min(base, self._base[slot])

    def again(self, slot: int, now_s: float) -> None:
        """A word is told once more: the console may have it only since now, so no rise is earned
        for the time before.
        """
        self._at[slot] = now_s

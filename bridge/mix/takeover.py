"""How a control without a motor takes a level over: at once, on passing it, or scaled. Pure.

An absolute control that stands elsewhere than its level would make the level jump at the first
touch. ``pickup`` waits until the control reaches or passes the level; ``scaled`` moves the level
by the control's travel in proportion to what is left in that direction, so that they meet.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

NEAR = 1.5 / 127
"""How near counts as reached: one and a half steps of a 7-bit control, for one step of jitter."""


@dataclass(slots=True)
class Takeover:
    """Where one control stands and whether it holds its level.

    Attributes:
        kind: ``jump``, ``pickup`` or ``scaled``.
        position: Last position of the control, 0..1; NaN before the first.
        holds: The control has taken the level over.
        left_at: Position of the level when the control last moved it.
    """

    kind: str
    position: float = math.nan
    holds: bool = False
    left_at: float = math.nan

    def touch(self, position: float, level_at: float) -> float:
        """A control moved: the position that the level shall take, NaN for "none yet".

        Args:
            position: Where the control stands now, 0..1.
            level_at: Where the level stands now on the same travel, 0..1.
        """
        before, self.position = self.position, position
        if self.holds and not abs(level_at - self.left_at) <= NEAR:
            self.holds = False  # somebody else moved the level meanwhile
        wanted = _KINDS[self.kind](self, before, position, level_at)
        if not math.isnan(wanted):
            self.left_at = wanted
        return wanted


def _jump(_: Takeover, __: float, position: float, ___: float) -> float:
    return position


def _pickup(state: Takeover, before: float, position: float, level_at: float) -> float:
    if not state.holds:
        near = abs(position - level_at) <= NEAR
        passed = (before - level_at) * (position - level_at) <= 0  # False while before is NaN
        state.holds = near or passed
    return position if state.holds else math.nan


def _scaled(state: Takeover, before: float, position: float, level_at: float) -> float:
    if state.holds or abs(position - level_at) <= NEAR:
        state.holds = True
        return position
    if math.isnan(before) or position == before:
        return math.nan
    if position > before:
        left = 1.0 - before
        wanted = 1.0 if left <= 0 else level_at + (position - before) / left * (1.0 - level_at)
    else:
        wanted = 0.0 if before <= 0 else level_at * position / before
    return min(1.0, max(0.0, wanted))


_KINDS: dict[str, Callable[[Takeover, float, float, float], float]] = {
    "jump": _jump,
    "pickup": _pickup,
    "scaled": _scaled,
}

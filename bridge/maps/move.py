"""What a control's movement means, before any rule looks at it. Pure."""

from __future__ import annotations

import math
from typing import NamedTuple

SET, STEP, FLIP = 0, 1, 2
"""Actions of a move: to a value, by so many dB, to the other state. Plain ints: they are compared
for every message."""


class Move(NamedTuple):
    """One control moved.

    Attributes:
        control: Its index in ``ControllerWords.controls``.
        slot: The parameter that it means.
        action: ``SET``, ``STEP`` or ``FLIP``.
        value: The value for ``SET`` (a level before any takeover), dB for ``STEP``, 0 for ``FLIP``.
        position: The control's own travel 0..1; NaN where it has none.
    """

    control: int
    slot: int
    action: int
    value: float
    position: float = math.nan

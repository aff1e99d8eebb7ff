"""What a control's movement means, before any rule looks at it. Pure."""

from __future__ import annotations

import math
from typing import NamedTuple

from bridge.rig.layout import FLIP, SET, STEP

__all__ = ["FLIP", "NOWHERE", "SET", "STEP", "TURN_BY", "TURN_TO", "Move"]

TURN_BY, TURN_TO = 100, 101
"""Actions that only the controller's own words see: other controls mean something else now."""

NOWHERE = -1
"""The slot of what moves no parameter."""


class Move(NamedTuple):
    """One control moved.

    Attributes:
        control: Its index in ``ControllerWords.controls``.
        slot: The parameter that it means.
        action: ``SET``, ``STEP`` or ``FLIP``.
        value: The value for ``SET`` (a level before any takeover), dB for ``STEP``, 0 for ``FLIP``.
        position: The control's own travel 0..1 where its takeover asks for it; else NaN.
    """

    control: int
    slot: int
    action: int
    value: float
    position: float = math.nan

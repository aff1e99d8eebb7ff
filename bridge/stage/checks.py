"""Checks of declared quantities: what was found and what was expected. Pure."""

from __future__ import annotations

import math


def positive(value: float, what: str) -> float:
    """The value itself, if it is finite and more than 0.

    Args:
        value: Any quantity.
        what: Its name and unit as people read it: ``distance, m``.

    Raises:
        ValueError: it is not; NaN fails too.
    """
    if not 0.0 < value < math.inf:
        raise ValueError(f"{what}: found {value:g}, expected a finite number above 0")
    return value


def not_negative(value: float, what: str) -> float:
    """The value itself, if it is finite and 0 or more.

    Args:
        value: Any quantity.
        what: Its name and unit as people read it.

    Raises:
        ValueError: it is not; NaN fails too.
    """
    if not 0.0 <= value < math.inf:
        raise ValueError(f"{what}: found {value:g}, expected a finite number, 0 or more")
    return value


def finite(value: float, what: str) -> float:
    """The value itself, if it is finite.

    Args:
        value: Any quantity.
        what: Its name and unit as people read it.

    Raises:
        ValueError: it is infinite or not a number.
    """
    if not math.isfinite(value):
        raise ValueError(f"{what}: found {value:g}, expected a finite number")
    return value

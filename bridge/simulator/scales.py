"""Which levels a coarse control can hold, found out by asking the compiled map. Pure."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable

FINE_DB = 0.005
"""A control that comes this close to every level counts as fine: no step of its own to allow."""

LEVELS_MAX = 17_000
"""No scale has more levels than a 14-bit number has values."""

Scale = tuple[float, ...]


def scales(
    held: Callable[[int, float], float],
    slots: Iterable[int],
    *,
    floor_db: float,
    top_db: float,
) -> tuple[tuple[Scale, ...], dict[int, int]]:
    """The scales of all level slots, and which slot has which; fine controls have none.

    Args:
        held: What the console holds when told a level; never above it.
        slots: Level slots.
        floor_db: Ramp floor, dB: steps below it are not heard.
        top_db: The highest level of interest, dB.
    """
    probes = [floor_db + (top_db - floor_db) * (i + 0.37) / 24 for i in range(25)]
    found: dict[tuple[float, ...], int | None] = {}
    all_scales: list[Scale] = []
    scale_of: dict[int, int] = {}
    for slot in slots:
        answers = tuple(held(slot, probe) for probe in probes)
        if answers not in found:
            scale = _scale(held, slot, floor_db, top_db) if _coarse(probes, answers) else None
            found[answers] = len(all_scales) if scale else None
            all_scales.extend([scale] if scale else [])
        number = found[answers]
        if number is not None:
            scale_of[slot] = number
    return tuple(all_scales), scale_of


def _coarse(probes: list[float], answers: tuple[float, ...]) -> bool:
    return any(not probe - held <= FINE_DB for probe, held in zip(probes, answers, strict=True))


def _scale(
    held: Callable[[int, float], float], slot: int, floor_db: float, top_db: float
) -> Scale | None:
    """Every level between floor and top that the slot can hold, rising, the floor included.

    None when the steps are so fine that there is no end to them.
    """
    levels: list[float] = []
    level = held(slot, top_db)
    while level > floor_db:
        levels.append(level)
        if len(levels) > LEVELS_MAX:
            return None
        level = min(held(slot, level - 1e-6), level - 1e-6)
    return (floor_db, *reversed(levels))


def widest_step(scale: Scale, from_db: float, to_db: float) -> float:
    """The widest step of a scale that a rise from one level to another takes, dB."""
    first = max(1, bisect_right(scale, from_db + 1e-9))
    last = bisect_right(scale, to_db + 1e-9)
    return max((scale[i] - scale[i - 1] for i in range(first, last)), default=0.0)

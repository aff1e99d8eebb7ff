"""Which numbers or words these hands may send for a parameter, and in which unit. Pure.

A ``RANGE`` ends at the ceiling that the rig declares for these hands, in the numbers of the map:
the highest number whose level the bridge would take. Ceilings that come and go (the engineer's
live ones, a channel fader that is up, the stage's) may be lower, and the rules see to them. An
item is wider than what means something where JSON cannot say it: between a number for "off" that
lies apart and the lowest of the travel nothing is meant.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from bridge import limits
from bridge.maps.controller import CLICKS_MAX
from bridge.maps.model import OscEntry
from bridge.maps.scale import DecibelScale, Raw, Scale
from bridge.maps.scales import DECIBEL_ENDS
from bridge.oscquery.spots import Spot, is_level
from bridge.rig.layout import KINDS, Kind
from bridge.units import FLOOR_DB, OFF

Item = dict[str, Any]

TOP_DB = 200.0
"""Stands for no ceiling at all: above every level that a map can say."""


def ends(low: Raw, high: Raw) -> Item:
    """An item of ``RANGE`` between two numbers, in whichever order."""
    assert not isinstance(low, str) and not isinstance(high, str), "numbers"
    return {"MIN": min(low, high), "MAX": max(low, high)}


def item_of(spot: Spot, ceiling_db: Callable[[int], float], only_on: bool) -> Item | None:
    """What may be sent as the value of a spot; None where its type says it already.

    Args:
        spot: The spot.
        ceiling_db: The declared ceiling of a slot, dB; ``inf`` for none.
        only_on: The hands may switch it on but not off.
    """
    entry, scale = spot.entry, spot.scale
    if entry.type in ("T", "none"):
        return None
    if entry.action == "relative":
        return ends(-CLICKS_MAX, CLICKS_MAX)
    kind = Kind.SWITCH if entry.parameter is None else KINDS[entry.parameter][0]
    if is_level(entry):
        return _level(entry, scale, min(ceiling_db(spot.slot), TOP_DB))
    if kind is Kind.PAN and entry.action == "absolute":
        return ends(scale.raw(-1.0), scale.raw(1.0))
    if kind is Kind.SOUND:
        return ends(*(entry.range or (0.0, limits.SOUND_DB_MAX)))
    one_word = only_on or presses_only(entry)
    return {"VALS": [scale.raw(1.0)] if one_word else [scale.raw(0.0), scale.raw(1.0)]}


def presses_only(entry: OscEntry) -> bool:
    """Whether a control says that it is pressed and never that it is let go."""
    return entry.action not in ("absolute", "relative") and not entry.releases


def _level(entry: OscEntry, scale: Scale, ceiling_db: float) -> Item:
    bottom, top = _bottom(entry, scale), finite(scale.raw(ceiling_db), scale, entry)
    numbers = [top]
    if scale.value(bottom) <= ceiling_db:
        numbers.append(bottom)
    silence = finite(scale.raw(OFF), scale, entry)
    rising = not isinstance(top, str) and top >= bottom
    if silence <= bottom if rising else silence >= bottom:
        numbers.append(silence)
    return ends(min(numbers), max(numbers))


def _bottom(entry: OscEntry, scale: Scale) -> float:
    """The number at the bottom of a level's travel."""
    if isinstance(scale, DecibelScale):
        return max((entry.range or DECIBEL_ENDS)[0], FLOOR_DB)
    low, high = entry.range or (0.0, 1.0)
    unit_db = entry.unit_db
    if unit_db is not None and (high - low) * unit_db < 0:
        low = high  # it counts downwards
    return low


def finite(raw: Raw, scale: Scale, entry: OscEntry) -> float:
    """A level's number for JSON, which has no infinities: off is the lowest level of the scale."""
    assert not isinstance(raw, str), "levels are numbers"
    return raw if math.isfinite(raw) else _bottom(entry, scale)


def unit_of(spot: Spot) -> str | None:
    """A level's unit by the proposal's list (units.md, "Gain"), where the number is in dB."""
    entry = spot.entry
    if not is_level(entry):
        return None
    counted = entry.unit_db == 1.0 and entry.zero == 0.0
    return "gain.db" if counted or isinstance(spot.scale, DecibelScale) else None

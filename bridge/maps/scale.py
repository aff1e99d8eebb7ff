"""Between a parameter's value and the number or word that a message carries. Pure.

A ``Scale`` says both ways. Levels round down, onto a grid of whole numbers: the number sent is the
highest whose level is not above the value, so a ceiling holds on the coarsest control, and what
was understood is sent again as the same number (no drift 64, 63, 62). Levels of the grid are
rounded to 1e-9 dB, so that -6 dB is -6.0 and not -5.9999999999999.
"""

from __future__ import annotations

import math
import struct
from bisect import bisect_left
from collections.abc import Sequence
from math import floor
from typing import Protocol

from bridge.maps.laws import straight_law
from bridge.units import FLOOR_DB, OFF, Law

Raw = bool | int | float | str

FLOAT_GRID = 1 << 22
"""Steps of a float's travel: 2.4e-7 each, exact in a 32-bit float, finer than 0.0001 dB on any
law that a person would use."""

GRID_MAX = 1 << 24
"""Most steps of a whole number's travel: beyond it two neighbours are the same dB (1e-9)."""

_ROUND = 1e9
_NEAR = 0.01
"""How much of a step the inverse of a law may be wrong by arithmetic."""

_BEYOND = 1e-3
"""How far, of the travel, a float may lie outside and still count as the end."""


class Scale(Protocol):
    """How one message says one parameter."""

    law: Law | None
    """The law between its travel 0..1 and dB; None for what is no level."""

    def raw(self, value: float) -> Raw:
        """What a message carries for a value."""

    def value(self, raw: Raw) -> float:
        """What a message means; NaN when it means nothing here."""

    def position(self, raw: Raw) -> float:
        """The control's travel 0..1; NaN where there is none."""


class GridScale:
    """A level as one of ``top + 1`` numbers, ``start`` and then ``step`` apart."""

    __slots__ = (
        "_db",
        "_least",
        "_off",
        "_position",
        "_silence",
        "_slack",
        "_start",
        "_step",
        "_top",
        "law",
    )

    law: Law | None

    def __init__(
        self, law: Law, ends: tuple[float, float], *, whole: bool, off: float | None = None
    ) -> None:
        """Prepare a scale.

        Args:
            law: Level by travel.
            ends: Numbers at the bottom and at the top of the travel; the top may be the lower one.
            whole: Only whole numbers can be sent.
            off: A number outside of the travel that means off.

        Raises:
            ValueError: the ends cannot carry a level.
        """
        start, end = ends
        self.law, self._db, self._position = law, law.db, law.position
        self._top = _steps(start, end, whole)
        self._start: float = int(start) if whole else start
        self._step: float = (1 if end > start else -1) if whole else (end - start) / self._top
        self._slack = 0.0 if whole else _BEYOND * self._top
        self._off: float | None = int(off) if whole and off is not None else off
        self._silence = self._start if self._off is None else self._off
        self._least = 0
        if law.db(0.0) == OFF or off is not None:
            self._least = bisect_left(range(self._top), FLOOR_DB, key=self._level)

    def _level(self, number: int) -> float:
        level_db = self._db(number / self._top)
        return level_db if level_db == OFF else floor(level_db * _ROUND + 0.5) / _ROUND

    def raw(self, value: float) -> Raw:
        """The highest number whose level is not above the value; what says off, for off."""
        if not value >= FLOOR_DB:
            return self._silence
        exact = self._position(value) * self._top + _NEAR
        number = int(exact)
        if exact - number < 2 * _NEAR and self._level(number) > value:
            number -= 1
        if number < self._least or number < 0:
            return self._silence
        return self._start + self._step * number

    def value(self, raw: Raw) -> float:
        """The level that a number means, dB."""
        if raw == self._off:
            return OFF
        number = self._number(raw)
        if number != number:
            return number
        return OFF if number < self._least else self._level(int(number))

    def _number(self, raw: Raw) -> float:
        """How many steps from the bottom; NaN where nothing is."""
        if isinstance(raw, str):
            return math.nan
        number = (raw - self._start) / self._step
        if 0.0 <= number <= self._top:
            return floor(number + 0.5)
        if not -self._slack <= number <= self._top + self._slack:
            return math.nan
        return 0 if number < 0.0 else self._top

    def position(self, raw: Raw) -> float:
        """The travel 0..1 that a number means."""
        return 0.0 if raw == self._off else self._number(raw) / self._top


def _steps(start: float, end: float, whole: bool) -> int:
    """How many steps lie between two ends."""
    span = abs(end - start)
    if not whole:
        if not (span > 0 and max(abs(start), abs(end)) <= 2 * span):
            raise ValueError(f"{start:g} to {end:g} is too narrow for so large numbers")
        return FLOAT_GRID
    if start != int(start) or end != int(end):
        raise ValueError(f"{start:g} to {end:g} are not whole numbers")
    if not 1 <= span <= GRID_MAX:
        raise ValueError(f"{start:g} to {end:g} are {span:g} steps, expected 1 to {GRID_MAX}")
    return int(span)


_F32 = struct.Struct(">f")


def float32_below(number: float) -> float:
    """The highest 32-bit float that is not above a number."""
    near: float = _F32.unpack(_F32.pack(number))[0]
    if near <= number:
        return near
    bits = int.from_bytes(_F32.pack(near), "big")
    bits = 0x80000001 if near == 0.0 else bits + 1 if near < 0.0 else bits - 1
    below: float = _F32.unpack(bits.to_bytes(4, "big"))[0]
    return below


class DecibelScale:
    """A level as a float in dB."""

    __slots__ = ("_high", "_low", "_off", "_single", "law")

    law: Law | None

    def __init__(self, ends: tuple[float, float], *, single: bool, off: float | None) -> None:
        """Prepare a scale.

        Args:
            ends: Lowest and highest level that the message may carry, dB.
            single: The float has 32 bits.
            off: The number that says off (may be ``-inf``), if one does.

        Raises:
            ValueError: the ends do not rise.
        """
        low, high = ends
        self.law = straight_law(low, high, False)
        self._low = float32_below(low) if single else low
        self._high = float32_below(high) if single else high
        self._off = off if off is None or not single or off == OFF else float32_below(off)
        self._single = single

    def raw(self, value: float) -> Raw:
        """The level itself, rounded down to what the float can say."""
        if not (value >= self._low and value >= FLOOR_DB):
            return self._low if self._off is None else self._off
        if value >= self._high:
            return self._high
        return float32_below(value) if self._single else value

    def value(self, raw: Raw) -> float:
        """The number itself, off below the lowest where off can be said, NaN above the highest."""
        if isinstance(raw, str) or raw != raw:
            return math.nan
        if raw == self._off:
            return OFF
        if raw < self._low or raw < FLOOR_DB:
            return float(raw) if self._off is None else OFF
        return float(raw) if raw <= self._high else math.nan

    def position(self, raw: Raw) -> float:
        """The travel 0..1 between the ends."""
        level_db = self.value(raw)
        assert self.law is not None
        return level_db if level_db != level_db else self.law.position(level_db)


class WordScale:
    """Two states, each said by one word and understood by one or several."""

    __slots__ = ("_known", "_said", "_threshold", "law")

    law: Law | None

    def __init__(
        self, zero: Sequence[Raw], one: Sequence[Raw], *, threshold: float = math.nan
    ) -> None:
        """Prepare a scale.

        Args:
            zero: What says 0; the first is sent.
            one: What says 1; the first is sent.
            threshold: From this number on it is 1, below it 0; NaN when only the words count.

        Raises:
            ValueError: one word says both.
        """
        both = set(zero) & set(one)
        if both:
            raise ValueError(f"{min(map(repr, both))} says both")
        self._said = (zero[0], one[0])
        self._known: dict[Raw, float] = dict.fromkeys(zero, 0.0) | dict.fromkeys(one, 1.0)
        self._threshold = threshold
        self.law = None

    def raw(self, value: float) -> Raw:
        """The word of a state."""
        return self._said[value >= 0.5]

    def value(self, raw: Raw) -> float:
        """The state that a word means."""
        known = self._known.get(raw)
        if known is not None:
            return known
        if isinstance(raw, str) or self._threshold != self._threshold or raw != raw:
            return math.nan
        return 1.0 if raw >= self._threshold else 0.0

    def position(self, raw: Raw) -> float:
        """A switch has no travel."""
        return math.nan


class SoundScale:
    """A measured sound level: the number itself, dB(A)."""

    __slots__ = ("_high", "_low", "law")

    law: Law | None

    def __init__(self, low_db: float, high_db: float) -> None:
        """Prepare a scale that believes levels between two ends, dB(A)."""
        self._low, self._high = low_db, high_db
        self.law = None

    def raw(self, value: float) -> Raw:
        """The number of a level."""
        return value

    def value(self, raw: Raw) -> float:
        """The level that a number says, dB(A); NaN where no meter of this kind would say it."""
        believed = not isinstance(raw, str) and self._low <= raw <= self._high
        return float(raw) if believed else math.nan

    def position(self, raw: Raw) -> float:
        """There is no travel."""
        return math.nan


class PanScale:
    """A pan as a number: straight from left to the centre, and from there to the right."""

    __slots__ = ("_centre", "_left", "_span", "_top", "_whole", "law")

    law: Law | None

    def __init__(self, ends: tuple[float, float], centre: float | None, *, whole: bool) -> None:
        """Prepare a scale.

        Args:
            ends: Numbers far left and far right.
            centre: Number in the centre; halfway when None.
            whole: Only whole numbers can be sent.

        Raises:
            ValueError: the ends cannot carry a pan, or the centre is not between them.
        """
        self._left, right = ends
        self._top = _steps(self._left, right, whole)
        self._span = right - self._left
        middle = self._left + self._span / 2 if centre is None else centre
        self._centre = (middle - self._left) / self._span
        if not 0 < self._centre < 1:
            raise ValueError(f"centre {middle:g} is not between {self._left:g} and {right:g}")
        self._whole = whole
        self.law = None

    def raw(self, value: float) -> Raw:
        """The number nearest to a pan -1..1."""
        part = min(1.0, max(-1.0, value))
        centre = self._centre
        travel = centre * (part + 1) if part < 0 else centre + (1 - centre) * part
        number = floor(travel * self._top + 0.5)
        raw = self._left + self._span * (number / self._top)
        return round(raw) if self._whole else raw

    def value(self, raw: Raw) -> float:
        """The pan -1..1 of a number."""
        travel = self.position(raw)
        if travel < self._centre:
            return travel / self._centre - 1
        return (travel - self._centre) / (1 - self._centre)

    def position(self, raw: Raw) -> float:
        """The travel 0..1 from left to right."""
        if isinstance(raw, str):
            return math.nan
        travel = (raw - self._left) / self._span
        if not -_BEYOND <= travel <= 1 + _BEYOND:
            return math.nan
        return min(1.0, max(0.0, floor(travel * self._top + 0.5) / self._top))

"""Buttons: told on press and release, told as a state, or told on the press only. Pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from statistics import median
from typing import NamedTuple

from bridge.learning.finding import LATCHING, MOMENTARY, PRESS, Ask, Movement, Sure, all_values
from bridge.learning.watch import Direction

HELD_S = 0.5
"""A press that lasts longer was held: a tap lasts a tenth of a second or two (common practice)."""

PULSE_S = 0.02
"""A release that comes sooner was not a finger's: the device sends both at once."""

ALTERNATING = 0.8
"""Share of words that differ from the one before, from which on two words are the states of a
button and not the clicks of a knob."""


class Pressed(NamedTuple):
    """What kind of button it is, how sure that is, what would make it surer."""

    kind: str
    sure: Sure
    ask: Ask | None = None


def alternates(moved: Sequence[Movement]) -> bool:
    """Whether hardly any word comes twice in a row."""
    pairs = list(pairwise(all_values(moved)))
    return bool(pairs) and sum(a != b for a, b in pairs) >= ALTERNATING * len(pairs)


def every_other_is_zero(moved: Sequence[Movement]) -> bool:
    """Whether it is a key with velocity: 0 follows each of its numbers."""
    pairs = [pair for one in moved for pair in pairwise(one.values)]
    return len(pairs) >= 3 and all((a == 0) != (b == 0) for a, b in pairs)


def button(moved: Sequence[Movement], is_on: Callable[[float], bool]) -> Pressed:
    """What kind of button says these words.

    Args:
        moved: What it said.
        is_on: Whether a word says 1.
    """
    known = [[(at_s, is_on(value)) for value, at_s in zip(one.values, one.at_s, strict=True)]
             for one in moved]  # fmt: skip
    for one, words in zip(moved, known, strict=True):
        if one.direction is Direction.HOLD and (found := _held(words)):
            return found
    if all(on for words in known for _, on in words):
        return Pressed(PRESS, Sure.LIKELY if sum(map(len, known)) > 1 else Sure.UNSURE, Ask.HOLD)
    return _tapped([words for words in known if words])


_Words = list[tuple[float, bool]]


def _held(words: _Words) -> Pressed | None:
    """A press that was asked to be held: its release comes late, or never."""
    if len(words) == 1:
        return Pressed(LATCHING, Sure.CERTAIN)
    lasted_s = [b[0] - a[0] for a, b in pairwise(words) if a[1] and not b[1]]
    if any(one >= HELD_S for one in lasted_s):
        return Pressed(MOMENTARY, Sure.CERTAIN)
    return Pressed(PRESS, Sure.LIKELY) if lasted_s and max(lasted_s) < PULSE_S else None


def _tapped(takes: list[_Words]) -> Pressed:
    """Some taps: how long it was on tells a finger from a state, where the finger was quick."""
    first, last = takes[0][0][1], takes[-1][-1][1]
    count = sum(map(len, takes))
    if last or not first:
        # it stays on when the finger has gone, or says off when one comes
        return Pressed(LATCHING, Sure.LIKELY, Ask.HOLD)
    on_s = [b[0] - a[0] for words in takes for a, b in pairwise(words) if a[1] and not b[1]]
    off_s = [b[0] - a[0] for words in takes for a, b in pairwise(words) if b[1] and not a[1]]
    if on_s and max(on_s) < PULSE_S:
        return Pressed(PRESS, Sure.LIKELY, Ask.HOLD)
    if count < 4 or not off_s or not on_s:
        return Pressed(MOMENTARY, Sure.UNSURE, Ask.HOLD)
    if median(on_s) > 0.5 * median(off_s):
        return Pressed(MOMENTARY, Sure.UNSURE, Ask.HOLD)
    sure = len(on_s) >= 3 and max(on_s) < 0.5 * min(off_s)
    return Pressed(MOMENTARY, Sure.CERTAIN if sure else Sure.LIKELY)

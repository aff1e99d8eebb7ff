"""A typed line to what is meant by it. Pure."""

from __future__ import annotations

import re
from enum import StrEnum
from typing import NamedTuple

from bridge.rig.faults import shown
from bridge.soundcheck.marks import HEARD_HZ_MAX, HEARD_HZ_MIN
from bridge.soundcheck.states import Word


class Show(StrEnum):
    """Lines that the procedure itself has nothing to do with."""

    HELP = "help"
    MARKS = "marks"
    STATUS = "status"
    WITHDRAW = "withdraw"
    UNKNOWN = "?"


class Line(NamedTuple):
    """A line as it is meant.

    Attributes:
        word: A word for the procedure, or something to show.
        hz: The frequency that was named, Hz.
        names: What followed ``withdraw``.
        fault: What was wrong with it, in words; empty: nothing. The word counts all the same.
    """

    word: Word | Show
    hz: float | None = None
    names: tuple[str, ...] = ()
    fault: str = ""


_WORDS: dict[str, Word | Show] = {
    "": Word.RING,  # Enter alone: the key that a hand finds without looking
    "skip": Word.NEXT,
    **{word.value: word for word in Word if word is not Word.OTHER},
    **{show.value: show for show in Show if show is not Show.UNKNOWN},
}
_NAMES_HZ = (Word.RING, Word.TONE)
_FREQUENCY = re.compile(r"(\d{1,6}(?:[.,]\d{1,6})?)\s*(k|khz|hz)?", re.ASCII)


def parse_line(text: str) -> Line:
    """What a typed line means. Never raises."""
    first, *rest = text.strip().lower().split() or [""]
    word = _WORDS.get(first)
    if word is None:
        return Line(Show.UNKNOWN, fault=f"{shown(text.strip())} is no word here; `help` lists them")
    if word in _NAMES_HZ:
        return _with_frequency(word, " ".join(rest))
    if word is Show.WITHDRAW and len(rest) != 2:
        return Line(word, fault="withdraw wants two names: `withdraw CHANNEL MIX`")
    return Line(word, names=tuple(rest))


def _with_frequency(word: Word | Show, said: str) -> Line:
    if not said:
        missing = "tone wants a frequency: `tone 2500`" if word is Word.TONE else ""
        return Line(word, fault=missing)
    found = _FREQUENCY.fullmatch(said)
    if found:
        hz = float(found[1].replace(",", ".")) * (1000.0 if (found[2] or "")[:1] == "k" else 1.0)
        if HEARD_HZ_MIN <= hz <= HEARD_HZ_MAX:
            return Line(word, hz)
    expected = f"{HEARD_HZ_MIN:.0f} to {HEARD_HZ_MAX:.0f} Hz, as 2500 or 2.5k"
    return Line(word, fault=f"frequency: found {shown(said)}, expected {expected}")

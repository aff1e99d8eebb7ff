"""Whether what a console says is what it was told. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from bridge import limits
from bridge.maps.console import ConsoleWords
from bridge.mix.matrix import LEVEL, SWITCH, Matrix


def same(kind: int, value: float, other: float) -> bool:
    """Whether two values of a slot are one word, whatever a console's display rounds.

    Args:
        kind: ``LEVEL``, ``SWITCH``, ``TAP`` or ``PAN``.
        value: dB for levels, else 0/1 or a pan.
        other: The same.
    """
    if value == other:
        return True
    return abs(value - other) <= (limits.SAME_DB if kind == LEVEL else limits.SAME_PAN)


def quieter(kind: int, value: float, before: float) -> float:
    """What may still stand instead of a word that lets more be heard: less is possible for sure.

    Of a switch it is the state that lets nothing be heard, else the last word.
    """
    return 1.0 - value if kind == SWITCH else before


def as_told(m: Matrix, words: ConsoleWords, heard: Mapping[int, float]) -> dict[int, float]:
    """What the console says, by our own last words where it means the same."""
    told, kind = m.told, m.kind
    return {
        slot: told[slot]
        if told[slot] == told[slot] and same(kind[slot], value, words.held(slot, told[slot]))
        else value
        for slot, value in heard.items()
    }


def believed(m: Matrix, words: ConsoleWords) -> dict[int, float]:
    """What a console that can't be asked is taken to hold: all that it was told."""
    return {slot: m.told[slot] for slot in words.can_set if m.told[slot] == m.told[slot]}

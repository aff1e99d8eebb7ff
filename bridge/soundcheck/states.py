"""The states of a soundcheck, the words that a person says, and what comes out of it. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from bridge.stage.rings import RingMark


class State(StrEnum):
    """Where the procedure stands."""

    WAITING = "waiting for the console"
    CHOOSE = "choosing a mix"
    PREPARING = "preparing a mix"
    READY = "ready to raise"
    RISING = "rising"
    RANG = "rang"
    CLEAR = "clear"
    HELD = "held"
    LEAVING = "leaving"
    RESTORING = "restoring"
    LEFT = "left"


class Word(StrEnum):
    """What a person can say."""

    GO = "go"
    RING = "ring"
    SILENCE = "silence"
    NEXT = "next"
    BACK = "back"
    AGAIN = "again"
    TONE = "tone"
    RESTORE = "restore"
    LEAVE = "quit"
    OTHER = "anything else"


class Finding(NamedTuple):
    """Something to keep in the marks file.

    Attributes:
        kind: ``ring``, ``clear`` or ``tone`` (the frequency of the pair's last ring).
        channel: Number of the channel.
        bus: Number of the bus.
        level_db: Effective level, dB; not used by ``tone``.
        hz: Frequency, Hz, where known.
    """

    kind: str
    channel: int
    bus: int
    level_db: float
    hz: float | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """What is to be tested.

    Attributes:
        pairs: For each bus, the channels whose microphones hear it.
        done: Pairs that have been tested and are passed over.
        margin_db: Distance kept from a ring, dB.
        marks: Ring marks in force at the beginning.
        wide: Buses whose two sides have loudspeakers of their own.
    """

    pairs: Sequence[Sequence[int]]
    done: frozenset[tuple[int, int]] = frozenset()
    margin_db: float = 6.0
    marks: tuple[RingMark, ...] = ()
    wide: frozenset[int] = frozenset()


class Said(NamedTuple):
    """A word as it was said.

    Attributes:
        word: The word.
        now_s: When, s.
        hz: The frequency that was named with it, Hz.
        began_s: When it began to ring, s.
    """

    word: Word
    now_s: float
    hz: float | None
    began_s: float

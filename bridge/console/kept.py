"""What is kept of a console's levels beyond the life of this process, and who keeps it. Pure."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from typing import NamedTuple, Protocol

from bridge.maps.console import ConsoleWords
from bridge.mix.engine import Engine
from bridge.mix.gesture import Verdict

COLD, WARM, DIFFERING = "cold", "warm", "differing"
"""Ways of coming back: masters low first; as it was; the lower of the two levels stays."""


class Returned(NamedTuple):
    """How a bridge came back, and why so.

    Attributes:
        way: ``COLD``, ``WARM``, ``DIFFERING``, or empty while the console is not known yet.
        reason: Why, in words.
        under_way: Slots whose last word may not have arrived where nobody confirms it, and the
            lowest value that the console may have instead.
    """

    way: str
    reason: str
    under_way: tuple[tuple[int, float], ...] = ()


NOT_YET = Returned("", "the console is not known yet")


class Cells(Protocol):
    """One number a slot: a list, or a view of memory that outlives the process."""

    def __getitem__(self, slot: int, /) -> float: ...

    def __setitem__(self, slot: int, value: float, /) -> None: ...


class Kept:
    """The levels as last told to the console, one number a slot.

    A word that lowers is kept before it leaves, one that raises after: so what is kept is at no
    moment louder than what was handed to the link. Words leave one at a time, each is one number,
    and so every state that somebody finds here is one that really was.

    Attributes:
        told: The last word a slot; NaN before the first.
        low: The lowest value that the console may have while a word is on its way that nobody
            confirms; NaN where there is none. It comes back to this one, and tells it again.
        changed: Set with every word; whoever copies it resets it.
    """

    __slots__ = ("changed", "low", "told")

    def __init__(self, told: Cells, low: Cells) -> None:
        self.told, self.low = told, low
        self.changed = True

    def keep(self, slot: int, value: float) -> None:
        """Keep one word."""
        self.told[slot] = value
        self.changed = True

    def leaves(self, slot: int, before: float, quiet: float) -> None:
        """A word goes out that nobody confirms.

        Args:
            slot: What it is about.
            before: The last word.
            quiet: What may stand afterwards at least: the lower one of the old and the new word.
        """
        low = self.low[slot]
        self.low[slot] = low if quiet == before and low < before else quiet


class Hands(Protocol):
    """The hands' side, as far as a journal looks at it.

    Attributes:
        verdicts: The last verdicts with moment and controller, newest last.
        counts: How many wishes were taken, limited and refused.
    """

    verdicts: deque[tuple[float, str, Verdict]]
    counts: list[int]


class Journal(Protocol):
    """Whoever keeps things beyond the life of this process, as the bridge sees it."""

    @property
    def kept(self) -> Kept:
        """The levels as last told."""

    def join(self, engine: Engine, hands: Hands) -> None:
        """Keep these levels and gestures from now on; called once, before anything happens."""

    def begin(self, words: ConsoleWords, heard: Mapping[int, float], now_s: float) -> Returned:
        """The console is known for the first time: begin cold, or put back what was.

        Args:
            words: Its map, compiled.
            heard: What it said of itself; empty where it can't be asked.
            now_s: This moment, s.
        """

    def whole(self) -> None:
        """Many levels changed at once without a word: keep all of them anew."""

    def look(self, now_s: float) -> None:
        """Something may have happened: called after every batch and wake, before words leave."""

    def next_wake_s(self) -> float:
        """When ``look`` has something to do though nothing happens; ``inf`` if nothing."""

    def state(self) -> dict[str, str]:
        """How it stands with what is kept, for people: part to ``kept``, or why it is not."""


class Forgetful:
    """The journal of a bridge without one: every start is cold."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        size = engine.matrix.size
        self.kept = Kept([math.nan] * size, [math.nan] * size)

    def join(self, engine: Engine, hands: Hands) -> None:
        """Nothing is kept."""

    def begin(self, words: ConsoleWords, heard: Mapping[int, float], now_s: float) -> Returned:
        """Begin cold."""
        self._engine.begin(heard, now_s)
        return Returned(COLD, "no journal is kept")

    def whole(self) -> None:
        """Nothing is kept."""

    def look(self, now_s: float) -> None:
        """Nothing is kept."""

    def next_wake_s(self) -> float:
        """Never."""
        return math.inf

    def state(self) -> dict[str, str]:
        """There is none."""
        return {}

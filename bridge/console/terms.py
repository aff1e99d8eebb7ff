"""How a console and its link are dealt with. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from bridge import limits
from bridge.wire.conversation import Unsettled


@dataclass(frozen=True, slots=True)
class Terms:
    """How the console and its link are dealt with.

    Attributes:
        readback: The console answers questions.
        reliable: The link loses nothing while it is open.
        answer_s: Silence after which the console counts as lost, s.
    """

    readback: bool
    reliable: bool
    answer_s: float


class Unsure(Unsettled):
    """Words that the console is not known to have, to be asked about one by one.

    Attributes:
        owed: Slots whose word is to be repeated, whatever else is to be told about them.
    """

    __slots__ = ("owed",)

    def __init__(self, interval_s: float) -> None:
        super().__init__(interval_s)
        self.owed: set[int] = set()

    def lowest(self, slot: int) -> float:
        """The lowest value that the console may have instead of the last word; NaN if none."""
        word = self._words.get(slot)
        return math.nan if word is None else word.low()

    def only_missing(self, told: Sequence[float], heard: Mapping[int, float]) -> None:
        """Keep only raises that a console that was read does not have."""
        for slot, word in list(self):
            if not word.louder or heard.get(slot, told[slot]) == told[slot]:
                self.settle(slot)


class Ration:
    """How many words are repeated in one go: few while there is much new to tell.

    Attributes:
        fresh: New words since the last go; whoever tells one counts it.
        next_s: When the next go may be, s.
    """

    def __init__(self) -> None:
        self.fresh, self.next_s = 0, -math.inf

    def turns(self, now_s: float) -> int:
        """How many words may be repeated now."""
        if now_s < self.next_s:
            return 0
        if not self.fresh:
            return limits.REPEATS_AT_ONCE
        turns = max(1, self.fresh // limits.FRESH_A_REPEAT)
        self.next_s = now_s + limits.REPEAT_PAUSE_S
        self.fresh = 0
        return turns

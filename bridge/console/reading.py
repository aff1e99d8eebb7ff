"""Reading a console: what is still to be asked, what it has said of itself so far. Pure."""

from __future__ import annotations

import math

from bridge import limits
from bridge.maps.console import ConsoleWords


class Reading:
    """One console's answers, while it is read.

    Args:
        words: Its map, compiled.
        answer_s: Silence after which it counts as lost, s.

    Attributes:
        heard: What it said, by slot.
        open: Slots that it was asked about and has not answered.
        again_s: When to ask once more, s; ``inf`` while nothing is read.
    """

    def __init__(self, words: ConsoleWords, answer_s: float) -> None:
        self._words = words
        self._pause_s = max(limits.CONFIRM_RETRY_S, answer_s / 2)
        self.heard: dict[int, float] = {}
        self.open: set[int] = set()
        self.again_s = math.inf

    def possible(self) -> bool:
        """Whether there is anything to ask."""
        return bool(self._questions())

    def begin(self) -> None:
        """Forget what was heard: everything is to be asked."""
        self.heard = {}
        self.open = self._questions()

    def _questions(self) -> set[int]:
        """What the console can be asked: all it tells, where one question brings everything."""
        words = self._words
        if words.ask_all:
            return set(words.can_read)
        return {slot for slot in words.can_read if words.ask(slot)}

    def ask(self, now_s: float) -> list[int] | None:
        """Put the open questions: the slots to ask for one by one, None for all at once."""
        words = self._words
        self.again_s = now_s + self._pause_s
        alone = all(words.ask(slot) for slot in self.open)
        if words.ask_all and (not self.heard or not alone):
            return None
        return sorted(self.open)

    def answer(self, slot: int, value: float) -> bool:
        """Take one answer; whether it was the last one that was missing."""
        self.heard[slot] = value
        self.open.discard(slot)
        return not self.open

    def end(self) -> None:
        """Nothing is to be asked again."""
        self.again_s = math.inf

"""Words to a console that it is not known to have, and those that it may repeat late. Pure."""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Iterator
from itertools import dropwhile

from bridge import limits


class Unsure:
    """A word that the console is not known to have.

    Attributes:
        due_s: When it is told, or asked for, again.
        tries: How often it was.
        louder: It raises something.
        lowest: The lowest value that the console may have instead, since ``since_s``.
        older: The same for the time before that.
        since_s: When counting ``lowest`` began.
    """

    __slots__ = ("due_s", "louder", "lowest", "older", "since_s", "tries")

    def __init__(self, before: float, *, louder: bool, due_s: float, now_s: float) -> None:
        self.due_s, self.tries, self.louder = due_s, 0, louder
        self.lowest = self.older = before
        self.since_s = now_s

    def low(self) -> float:
        """The lowest value that the console may have."""
        return min(self.lowest, self.older)


class Unsettled:
    """All such words by slot, the one that is due first in front.

    Args:
        interval_s: Time until a word is looked after, the same for all, s.
    """

    __slots__ = ("_interval_s", "_words")

    def __init__(self, interval_s: float) -> None:
        self._interval_s = interval_s
        # OrderedDict, because taking the first of a plain dict walks over all that were taken.
        self._words: OrderedDict[int, Unsure] = OrderedDict()

    def __len__(self) -> int:
        """How many words the console is not known to have."""
        return len(self._words)

    def __contains__(self, slot: int) -> bool:
        """Whether the last word about this slot is one of them."""
        return slot in self._words

    def __iter__(self) -> Iterator[tuple[int, Unsure]]:
        """All of them, to be looked at; take or settle only what a copy answers."""
        return iter(self._words.items())

    def told(self, slot: int, before: float, *, louder: bool, now_s: float) -> None:
        """A word went out, while the one before may still be under way.

        Args:
            slot: What it is about.
            before: The value told last.
            louder: The new word raises something.
            now_s: This moment, s.
        """
        due_s = now_s + self._interval_s
        word = self._words.get(slot)
        if word is None:
            self._words[slot] = Unsure(before, louder=louder, due_s=due_s, now_s=now_s)
            return
        if now_s - word.since_s > limits.UNDER_WAY_S:
            word.older, word.lowest, word.since_s = word.lowest, before, now_s
        elif before < word.lowest:
            word.lowest = before
        word.due_s, word.tries, word.louder = due_s, 0, louder
        self._words.move_to_end(slot)

    def later(self, slot: int, word: Unsure, now_s: float) -> None:
        """A word was looked after: once more, after the interval."""
        word.due_s = now_s + self._interval_s
        word.tries += 1
        self._words.move_to_end(slot)

    def due(self, now_s: float) -> tuple[int, Unsure] | None:
        """The first word that is due, which stays; None when there is none."""
        if self._words:
            slot = next(iter(self._words))
            word = self._words[slot]
            if word.due_s <= now_s:
                return slot, word
        return None

    def all_due(self, now_s: float) -> None:
        """Look after all of them anew, now."""
        for word in self._words.values():
            word.due_s, word.tries = now_s, 0

    def settle(self, slot: int) -> bool:
        """The console has the word, or another one counts; whether it was unsure."""
        return self._words.pop(slot, None) is not None

    def clear(self) -> None:
        """Forget all of them."""
        self._words.clear()

    def next_wake_s(self) -> float:
        """When the first of them is due; ``inf`` when there is none."""
        return self._words[next(iter(self._words))].due_s if self._words else math.inf


class Echoes:
    """Our last words about each slot, as the console repeats them: late ones are known by it."""

    __slots__ = ("_said",)

    def __init__(self) -> None:
        self._said: dict[int, tuple[tuple[float, float], ...]] = {}

    def remember(self, slot: int, held: float, now_s: float) -> None:
        """A word was replaced by another one.

        Args:
            slot: What it is about.
            held: What the console understood of it; NaN before the first word.
            now_s: This moment, s.
        """
        said = self._said.get(slot, ())
        self._said[slot] = (*said[-limits.ECHOES_KEPT + 1 :], (held, now_s))

    def recent(self, slot: int, now_s: float) -> list[float]:
        """What the console may repeat late, oldest first."""
        return self._since(slot, now_s - limits.ECHO_MEMORY_S)

    def doubtful(self, slot: int, held: float, now_s: float) -> bool:
        """Whether a repeated value may be the echo of an older word that said the same.

        So it is where another value was told in between: the console may stand at that one now.
        """
        older = self._since(slot, now_s - 2.0 * limits.UNDER_WAY_S)
        return any(value == held for value in dropwhile(held.__eq__, reversed(older)))

    def _since(self, slot: int, since_s: float) -> list[float]:
        return [held for held, at_s in self._said.get(slot, ()) if at_s >= since_s]

    def clear(self) -> None:
        """Forget all of them."""
        self._said.clear()

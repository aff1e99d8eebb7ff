"""How much may leave on a link now, and whose turn it is. Pure.

A link pulls: while ``Budget.may`` says yes, pop a slot, ask for its latest value, send, ``spend``.
No value waits here, so a slow link is never behind by more than one round.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from typing import Final

MIDI_WIRE_BYTES_PER_S: Final = 3125.0
"""A MIDI 1.0 wire: 31,250 bit/s, 10 bits a byte (IEC 63035:2017)."""

BURST_S: Final = 0.02
"""Default burst, in seconds' worth of the rate: what a link may send at once after a rest. One
ramp tick; more would only queue in buffers that the bridge cannot see and cannot overtake."""

URGENT, FALL, OTHER, RAISE, ASK, REPEAT = range(6)
"""Classes of a waiting slot, the most urgent first: silence and mutes; levels that go down;
switches, taps and pans; levels that go up; questions; repeats. Plain ints: list indexes."""

CLASS_NAMES: Final = ("urgent", "fall", "other", "raise", "ask", "repeat")

FAIR_EVERY: Final = 8
"""Every so many pops one turn goes to the class that waited longest: an eighth of the link starves
nobody."""


class Budget:
    """A link's rate limit in messages and bytes a second, either may be infinite.

    In every window of ``T`` seconds at most ``burst + rate * T`` leave, where the burst is
    ``burst_s`` seconds' worth of the rate or the longest single spend, whichever is more. (A spend
    longer than the burst waits until the link has rested enough, then goes as a whole; else it
    could never go.) Times are seconds of one monotonic clock.

    This is the virtual scheduling form of the token bucket: it remembers when the link will have
    caught up (``_due``), so that ``may`` at the moment of ``next_wake_s`` is exactly true.
    Source: ITU-T I.371, generic cell rate algorithm (from memory).
    """

    __slots__ = ("_burst_s", "_byte_s", "_due_bytes_s", "_due_messages_s", "_message_s", "_wake_s")

    def __init__(
        self,
        messages_per_s: float = math.inf,
        bytes_per_s: float = math.inf,
        *,
        burst_s: float = BURST_S,
    ) -> None:
        """Start rested.

        Raises:
            ValueError: a rate that is not above 0, or a burst that is not 0 or more and finite.
        """
        if not (messages_per_s > 0 and bytes_per_s > 0):
            raise ValueError(f"rates are {messages_per_s} and {bytes_per_s}, expected above 0")
        if not 0 <= burst_s < math.inf:
            raise ValueError(f"burst_s is {burst_s}, expected 0 or more and finite")
        self._message_s = 1.0 / messages_per_s
        self._byte_s = 1.0 / bytes_per_s
        self._burst_s = burst_s
        self._due_messages_s = self._due_bytes_s = -math.inf
        self._wake_s = math.inf

    def may(self, now_s: float, messages: int, nbytes: int) -> bool:
        """Whether so many messages with so many bytes together may leave now."""
        at_s = max(
            self._earliest(self._due_messages_s, messages * self._message_s),
            self._earliest(self._due_bytes_s, nbytes * self._byte_s),
        )
        allowed = now_s >= at_s
        self._wake_s = math.inf if allowed else at_s
        return allowed

    def spend(self, now_s: float, messages: int, nbytes: int) -> None:
        """Note what has left. Also right after no ``may``: what could not wait is then repaid."""
        assert not math.isnan(now_s), "time is a number"
        self._due_messages_s = _later(self._due_messages_s, now_s, messages * self._message_s)
        self._due_bytes_s = _later(self._due_bytes_s, now_s, nbytes * self._byte_s)

    def next_wake_s(self) -> float:
        """When what ``may`` last refused may leave; ``inf`` if it refused nothing."""
        return self._wake_s

    def _earliest(self, due_s: float, cost_s: float) -> float:
        return due_s - max(self._burst_s - cost_s, 0.0)


def _later(due_s: float, now_s: float, cost_s: float) -> float:
    """The moment when the link has caught up; an infinite rate costs nothing and is never due."""
    return max(due_s, now_s) + cost_s if cost_s else due_s


class SlotQueue:
    """Which slots wait to be told, without their values; every act is O(1).

    ``pop`` answers the most urgent class first, and first come first served inside a class. Urgent
    slots and falls always go first: they wait for nothing that rises, and their flood ends by
    itself, at the bottom. Among the others, every ``fair_every``-th pop while several classes wait
    serves the class whose last turn is longest ago. So, while nothing falls, a slot with ``n``
    slots before it in its class is popped within ``4 * fair_every * (n + 1)`` pops (4 classes share
    the fair turns), and where one other class is the only rival within ``fair_every * (n + 1)``.
    """

    __slots__ = ("_classes", "_fair_every", "_last_turn", "_since_fair", "_turn", "_waiting")

    def __init__(self, fair_every: int = FAIR_EVERY) -> None:
        """Start empty; ``fair_every`` is 2 or more, else urgency would mean nothing."""
        if not fair_every >= 2:
            raise ValueError(f"fair_every is {fair_every}, expected 2 or more")
        self._fair_every = fair_every
        self._classes: dict[int, int] = {}
        # OrderedDict, because taking the first of a plain dict walks over all that were taken.
        self._waiting: tuple[OrderedDict[int, None], ...] = tuple(
            OrderedDict() for _ in CLASS_NAMES
        )
        self._last_turn = [0] * len(CLASS_NAMES)
        self._turn = 0
        self._since_fair = 0

    def __len__(self) -> int:
        """How many slots wait."""
        return len(self._classes)

    def __contains__(self, slot: int) -> bool:
        """Whether this slot waits."""
        return slot in self._classes

    def put(self, slot: int, cls: int) -> None:
        """Let a slot wait in a class (``URGENT`` to ``REPEAT``).

        A slot that waits already keeps its place, unless the class is more urgent: then it goes to
        the end of that class.
        """
        known = self._classes.get(slot)
        if known is not None:
            if known <= cls:
                return
            del self._waiting[known][slot]
        self._waiting[cls][slot] = None
        self._classes[slot] = cls

    def pop(self) -> int:
        """Take out the slot whose turn it is; -1 if none waits."""
        return self.take()[0]

    def take(self) -> tuple[int, int]:
        """Take out the slot whose turn it is, with its class; (-1, -1) if none waits."""
        if not self._classes:
            return -1, -1
        cls = self._next_class()
        slot, _ = self._waiting[cls].popitem(last=False)
        del self._classes[slot]
        return slot, cls

    def discard(self, slot: int) -> None:
        """Take out one slot, wherever it waits; nothing happens if it does not."""
        cls = self._classes.pop(slot, None)
        if cls is not None:
            del self._waiting[cls][slot]

    def clear(self) -> None:
        """Take out all."""
        self._classes.clear()
        for waiting in self._waiting:
            waiting.clear()

    def waiting(self, cls: int) -> int:
        """How many slots wait in one class."""
        return len(self._waiting[cls])

    def _next_class(self) -> int:
        urgent, fall, *others = self._waiting
        if urgent:
            return URGENT
        if fall:
            return FALL
        present = [cls for cls, waiting in enumerate(others, OTHER) if waiting]
        cls = present[0]
        self._since_fair = self._since_fair + 1 if len(present) > 1 else 0
        if self._since_fair >= self._fair_every:
            self._since_fair = 0
            cls = min(present, key=self._last_turn.__getitem__)
        self._turn += 1
        self._last_turn[cls] = self._turn
        return cls

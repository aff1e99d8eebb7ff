"""OSC time tags: what they mean in Unix time, and messages that wait for theirs. Pure.

A time tag is 64 bits: seconds since 1900-01-01, then 1/2**32 of a second; 1 means immediately (OSC
1.0, "OSC Time Tags"; the format is NTP's, RFC 5905 section 6). The seconds run over on 2036-02-07
and start again at 0.

Time tags speak of the calendar, which a person or the network may set in the middle of a show. So
the calendar is asked once, when a message arrives: how far ahead is it? From then on it waits on
the clock of the bridge, which only runs forward.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from heapq import heappop, heappush
from typing import Final, Generic, TypeVar

from bridge.wire.guard import IMMEDIATELY

HELD_MAX: Final = 1024
"""Most messages that wait for their time: two packets of the largest kind."""

HORIZON_S: Final = 10.0
"""How far ahead a time tag may lie, in seconds. Senders date ahead by milliseconds to even out the
network; a message for later than this comes from a wrong clock, and must not act at any time."""

UNIX_EPOCH_S: Final = 2_208_988_800
"""Seconds from 1900-01-01 to 1970-01-01 (RFC 868)."""

_SECOND: Final = 1 << 32
_ERA: Final = 1 << 64
_DAY: Final = 86_400 * _SECOND


def time_tag(unix_s: float) -> int:
    """The time tag of a moment in Unix time, seconds; cut, never rounded up to a later one."""
    whole = math.floor(unix_s)
    fraction = int((unix_s - whole) * _SECOND)
    return ((whole + UNIX_EPOCH_S) * _SECOND + fraction) % _ERA


def unix_s(tag: int) -> float:
    """The moment of a time tag in Unix time, seconds, read as 1900 to 2036."""
    return tag / _SECOND - UNIX_EPOCH_S


def ahead_s(tag: int, now_unix_s: float) -> float:
    """How far a time tag lies ahead of now, in seconds; late ones are negative, 0 and 1 are now.

    A tag means the years 1900 to 2036 or the next era, whichever ``now_unix_s`` is in; only within
    a day of the change between the two it may be in the other one. So the tag of a sender that
    counts from its own start, near 1900, is late, and not nine years ahead.
    """
    if tag <= IMMEDIATELY:
        return 0.0
    ahead = tag - time_tag(now_unix_s)
    if ahead < _DAY - _ERA:
        ahead += _ERA
    elif ahead > _ERA - _DAY:
        ahead -= _ERA
    return ahead / _SECOND


T = TypeVar("T")


class TimedQueue(Generic[T]):
    """Messages that wait for their time tags, up to a number and a time.

    Attributes:
        refused_far: Messages refused because they lay too far ahead.
        refused_full: Messages refused because too many were waiting.
    """

    def __init__(self, held_max: int = HELD_MAX, horizon_s: float = HORIZON_S) -> None:
        self._held_max = held_max
        self._horizon_s = horizon_s
        self._due: list[tuple[float, int, int]] = []  # a heap of (due_s, order of arrival, tag)
        self._waiting: dict[int, list[T]] = {}
        self._arrivals = 0
        self._held = 0
        self.refused_far = 0
        self.refused_full = 0

    def __len__(self) -> int:
        return self._held

    def put(
        self, messages: Sequence[T], tag: int, *, now_s: float, now_unix_s: float
    ) -> Sequence[T]:
        """Take the messages of one bundle; late and immediate ones come back at once.

        A bundle acts whole or not at all: where not all of it has room, none of it is held.

        Args:
            messages: What to keep, in order.
            tag: Their time tag.
            now_s: This moment on the clock of the bridge, seconds.
            now_unix_s: This moment on the calendar, Unix time in seconds.

        Returns:
            The messages if they are due; otherwise none, they are held or refused.
        """
        ahead = ahead_s(tag, now_unix_s)
        if ahead <= 0.0 or not messages:
            return messages
        if not ahead <= self._horizon_s:
            self.refused_far += len(messages)
        elif self._held + len(messages) > self._held_max:
            self.refused_full += len(messages)
        else:
            self._hold(messages, tag, now_s + ahead)
        return ()

    def due(self, now_s: float) -> list[T]:
        """The messages whose time has come, in the order of their time tags, then of arrival."""
        found: list[T] = []
        while self._due and self._due[0][0] <= now_s:
            _, _, tag = heappop(self._due)
            found += self._waiting.pop(tag)
        self._held -= len(found)
        return found

    def next_wake_s(self) -> float:
        """When the next message is due, on the clock of the bridge; ``inf`` if none waits."""
        return self._due[0][0] if self._due else math.inf

    def _hold(self, messages: Sequence[T], tag: int, due_s: float) -> None:
        """One entry for each tag: equal tags stay in order, however the two clocks were read."""
        if tag not in self._waiting:
            self._waiting[tag] = []
            self._arrivals += 1
            heappush(self._due, (due_s, self._arrivals, tag))
        self._waiting[tag] += messages
        self._held += len(messages)

"""What every link offers: bytes in, bytes out, a state, counters. I/O.

A link never interprets what it carries. Whatever goes wrong while it runs is counted, logged once
per cause and visible in its state; only opening it may raise, with words for the person who set
it up.
"""

from __future__ import annotations

import logging
from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import TypeAlias

log = logging.getLogger(__name__)

Source: TypeAlias = tuple[str, int] | tuple[str, int, int, int] | str
"""Where a message came from: a socket's address, or the name of a MIDI port."""

Batch: TypeAlias = list[tuple[bytes, Source]]
"""Messages that arrived together, oldest first."""

DATAGRAM_BYTES_MAX = 8192
"""Longest message taken from a network: room for a bundle of some 200 levels; nobody moves more
faders at once."""

READS_PER_WAKE = 64
"""Datagrams read in one go: enough to keep up with a flood, few enough to stay under a
millisecond, so that timers and other links have their turn."""

RECEIVE_BUFFER_BYTES = 4 * 1024 * 1024
"""Asked of the system for datagrams that wait while the bridge works; it grants what it likes."""

WRITE_BUFFER_BYTES_MAX = 64 * 1024
"""Unsent bytes kept for a peer that reads slowly. What waits there grows old: beyond it the answer
is no, and the sender keeps the newest value instead."""

CONNECTIONS_MAX = 8
"""Connections that one listening link keeps: more controllers than that share a stage rarely."""

BACKOFF_FIRST_S = 0.2
"""Wait before the first new try after a loss: a console that only blinked is back at once."""

BACKOFF_LAST_S = 5.0
"""Longest wait between tries: a console that was away for an hour is back within a song's verse."""

TROUBLES_MAX = 32
"""Different causes of trouble kept apart by one link; further ones count as ``other``."""

assert 0 < BACKOFF_FIRST_S < BACKOFF_LAST_S, "the wait grows"
assert DATAGRAM_BYTES_MAX < WRITE_BUFFER_BYTES_MAX, "the longest message fits the write buffer"

_NEXT_STATES: dict[str, frozenset[str]] = {
    "closed": frozenset({"opening"}),
    "opening": frozenset({"open", "closed"}),
    "open": frozenset({"lost", "closed"}),
    "lost": frozenset({"open", "closed"}),
}


def ignore(state: str) -> None:
    """Hear of a state change and do nothing."""


class Backoff:
    """How long to wait before the next try: twice as long each time, up to a limit."""

    def __init__(self, first_s: float = BACKOFF_FIRST_S, last_s: float = BACKOFF_LAST_S) -> None:
        self._first_s, self._last_s, self._next_s = first_s, last_s, first_s

    def wait_s(self) -> float:
        """Seconds to wait now; the answer after that is twice as long."""
        wait_s = self._next_s
        self._next_s = min(2 * wait_s, self._last_s)
        return wait_s

    def lasted(self, seconds: float) -> None:
        """Hear how long the last success lasted; one that outlived the longest wait starts over."""
        if seconds > self._last_s:
            self._next_s = self._first_s


class Link(ABC):
    """One way to the outside: a socket or a MIDI port.

    Attributes:
        name: The link's name in the rig, used in every text about it.
        reliable: True where what was sent arrives complete and in order, or the link is lost.
        state: ``closed``, ``opening`` (not there yet, still trying), ``open`` or ``lost`` (was
            there, trying again).
        received: Messages handed to the inbox.
        sent: Messages taken from the bridge.
        dropped: Messages that did not get through, in either direction.
        refused: Messages or connections from peers that are not allowed here, or that broke the
            framing.
        troubles: Cause -> how often it was seen.
        inbox: Takes each batch of messages.
        changed: Hears each new state.
    """

    reliable: bool = False

    def __init__(
        self,
        name: str,
        inbox: Callable[[Batch], None],
        changed: Callable[[str], None] = ignore,
    ) -> None:
        self.name, self.inbox, self.changed = name, inbox, changed
        self.state = "closed"
        self.received = self.sent = self.dropped = self.refused = 0
        self.troubles: dict[str, int] = {}

    @abstractmethod
    async def open(self) -> None:
        """Start the link; a peer that is away is waited for in the background.

        Raises:
            LinkError: It can never work as declared: a busy port, an unknown name.
        """

    @abstractmethod
    async def close(self) -> None:
        """Stop the link and free what it holds; closing twice is fine."""

    @abstractmethod
    def send(self, data: bytes) -> bool:
        """Hand over one message; False: it was not taken. Never blocks, never raises."""

    def send_to(self, data: bytes, source: Source) -> bool:
        """Hand over one message for whoever is at ``source``, as :meth:`send` does.

        Args:
            data: One complete message.
            source: As the inbox got it. Links with one peer send it there.
        """
        return self.send(data)

    def _deliver(self, batch: Batch) -> None:
        """Give a batch to the inbox; a fault in there must not cost the connection."""
        self.received += len(batch)
        try:
            self.inbox(batch)
        except Exception as fault:
            if self._trouble(f"inbox: {type(fault).__name__}", f"the inbox failed: {fault}"):
                log.exception("%s: batch of %d messages lost", self.name, len(batch))

    def _become(self, state: str) -> None:
        """Change the state and tell; saying the same again is no change."""
        if state == self.state:
            return
        assert state in _NEXT_STATES[self.state], f"{self.state} -> {state} is no step of a link"
        log.info("%s: %s", self.name, state)
        self.state = state
        self.changed(state)

    def _trouble(self, cause: str, text: str) -> bool:
        """Count a cause, and log it the first time; True that time."""
        if cause not in self.troubles and len(self.troubles) >= TROUBLES_MAX:
            cause = "other"
        count = self.troubles[cause] = self.troubles.get(cause, 0) + 1
        if count == 1:
            log.warning("%s: %s (from now on only counted)", self.name, text)
        return count == 1

    def refuse(self, cause: str, text: str) -> bool:
        """Count a message or connection of somebody who may not be here; always False."""
        self.refused += 1
        self._trouble(cause, text)
        return False

    def _drop(self, cause: str, text: str) -> bool:
        """Count a message that did not get through; always False, the answer of ``send``."""
        self.dropped += 1
        self._trouble(cause, text)
        return False

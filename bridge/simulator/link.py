"""Both ends of a simulated cable between bridge and console, on any event loop. I/O.

Each end looks like a real link: ``send(data) -> bool``, an ``inbox`` for batches, ``changed`` for
states, counters. What a recorder must know and the bytes don't carry (when a packet was sent, in
which order, that it was lost) travels beside them, to ``packets`` and ``missed``.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from heapq import heappop, heappush
from typing import NamedTuple

from bridge.simulator.network import LossyNetwork, perfect

QUEUE_S = 0.1
"""A slow wire holds this much time's worth of bytes; beyond it a send is not taken. A driver's
buffer is of that order, and more would hide how late the words are."""


class Packet(NamedTuple):
    """A packet as the recorder sees it; times in s, ``seq`` counts what this direction sent."""

    data: bytes
    seq: int
    sent_s: float


Inbox = Callable[[list[tuple[bytes, object]]], None]


class SimulatedLink:
    """One end of a simulated cable; it has the shape of a real link.

    Attributes:
        name: The link's name; also the source that its inbox sees.
        reliable: Whether everything that was taken arrives.
        state: closed, open or lost.
        inbox: Called with each batch of ``(bytes, source)``.
        changed: Called with each new state.
        packets: Called with the batch as packets, before ``inbox``.
        missed: Called at once with each packet from the other end that will never arrive.
        received, sent, dropped, refused: Counters of packets: arrived here, taken, not deliverable
            when they arrived, not taken.
    """

    def __init__(
        self, name: str, network: LossyNetwork, *, reliable: bool, wire_bytes_per_s: float
    ) -> None:
        self.name, self.reliable, self.state = name, reliable, "closed"
        self.inbox: Inbox = lambda batch: None
        self.changed: Callable[[str], None] = lambda state: None
        self.packets: Callable[[list[Packet]], None] = lambda batch: None
        self.missed: Callable[[Packet], None] = lambda packet: None
        self.received = self.sent = self.dropped = self.refused = 0
        self.peer: SimulatedLink = self
        self.network = network
        self._wire_bytes_per_s = wire_bytes_per_s
        self._wire_free_s = 0.0
        self._due: list[Packet] = []
        self._under_way: list[tuple[float, int, Packet]] = []
        self._counted = 0

    async def open(self) -> None:
        """Open this end."""
        self._become("open")

    async def close(self) -> None:
        """Close this end; what is under way to it is dropped."""
        self._become("closed")

    def pull(self) -> None:
        """Pull the plug: both ends are lost until ``plug``; what is under way is dropped."""
        for end in (self, self.peer):
            if end.state == "open":
                end._become("lost")

    def plug(self) -> None:
        """Put the plug back in."""
        for end in (self, self.peer):
            if end.state == "lost":
                end._become("open")

    def _become(self, state: str) -> None:
        if state != self.state:
            self.state = state
            self.changed(state)

    def send(self, data: bytes) -> bool:
        """Send a packet to the other end; False when it is not taken. Never blocks or raises."""
        loop = asyncio.get_running_loop()
        now_s = loop.time()
        leaves_s = self._leaves_s(now_s, len(data))
        if self.state != "open" or leaves_s - now_s > QUEUE_S:
            self.refused += 1
            return False
        self._wire_free_s = leaves_s
        packet = Packet(data, self.sent, now_s)
        self.sent += 1
        arrivals = self.network.carry(leaves_s, data)
        for arrive_s, _ in arrivals:
            self.peer._expect(arrive_s, packet)
        if not arrivals:
            self.peer.missed(packet)
        return True

    def _leaves_s(self, now_s: float, size: int) -> float:
        """When the last byte of a packet has left, behind those that still wait for the wire."""
        return max(now_s, self._wire_free_s) + size / self._wire_bytes_per_s

    def _expect(self, arrive_s: float, packet: Packet) -> None:
        """Let a packet arrive then; of those of one moment the first sent comes first.

        The loop's own timers have no order among equals, and no half of a MIDI value may overtake
        another.
        """
        heappush(self._under_way, (arrive_s, self._counted, packet))
        self._counted += 1
        asyncio.get_running_loop().call_at(arrive_s, self._arrive)

    def _arrive(self) -> None:
        packet = heappop(self._under_way)[2]
        if self.state != "open":
            self.dropped += 1
            self.missed(packet)
            return
        if not self._due:
            asyncio.get_running_loop().call_soon(self._deliver)
        self._due.append(packet)

    def _deliver(self) -> None:
        batch, self._due = self._due, []
        self.received += len(batch)
        self.packets(batch)
        self.inbox([(packet.data, self.peer.name) for packet in batch])


class SimulatedCable(NamedTuple):
    """The two ends of one cable."""

    bridge_end: SimulatedLink
    console_end: SimulatedLink


def cable(
    to_console: LossyNetwork | None = None,
    to_bridge: LossyNetwork | None = None,
    *,
    reliable: bool = False,
    wire_bytes_per_s: float = float("inf"),
) -> SimulatedCable:
    """Make a cable.

    Args:
        to_console: What happens to packets of the bridge; nothing bad when missing.
        to_bridge: What happens to packets of the console; nothing bad when missing.
        reliable: What both ends say about themselves.
        wire_bytes_per_s: How fast either direction is, bytes/s: 3125 is MIDI 1.0 on a wire.
    """
    bridge_end = SimulatedLink(
        "bridge", to_console or perfect(), reliable=reliable, wire_bytes_per_s=wire_bytes_per_s
    )
    console_end = SimulatedLink(
        "console", to_bridge or perfect(), reliable=reliable, wire_bytes_per_s=wire_bytes_per_s
    )
    bridge_end.peer, console_end.peer = console_end, bridge_end
    return SimulatedCable(bridge_end, console_end)

"""Runs the console stand-in on real sockets, or on any link that is handed in. I/O.

The sockets are asyncio's own: the witness's end of the wire shares no code with the bridge's.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections import deque
from collections.abc import Callable, Iterator
from typing import Literal, Protocol, cast

from bridge.errors import WireError
from bridge.simulator.link import Packet
from bridge.simulator.network import LossyNetwork, perfect
from bridge.simulator.stamped import StampedUdp
from bridge.simulator.stand_in import StandIn
from bridge.wire.framing import Framing, SizeFraming, SlipFraming

REPLIES_AT_ONCE = 64
"""Replies that leave together; a kernel's default buffer holds about 256 small datagrams, so a
console that tells everything at once would lose most of it."""
REPLIES_PAUSE_S = 0.002
"""Time between such groups: 32,000 replies a second, more than any link needs."""
REPLIES_WAITING_MAX = 200_000
"""Replies that wait; beyond it the newest are dropped and counted. Thrice a console of 512 channels
and 128 buses."""
CONNECTIONS_MAX = 8
"""Connections at once: one bridge, and those that it left half open."""
READ_BYTES = 65_536
"""Bytes taken from a connection at once."""

Send = Callable[[bytes], object]
_FRAMINGS: dict[str, type[Framing]] = {"size": SizeFraming, "slip": SlipFraming}

_log = logging.getLogger(__name__)


class LinkLike(Protocol):
    """What is needed of a link that is handed in: a MIDI port, or a simulated cable's end."""

    inbox: Callable[[list[tuple[bytes, object]]], None]

    def send(self, data: bytes) -> bool:
        """Send a message; False when it is not taken."""


class _Talk:
    """Carries packets to the stand-in and its replies back, each through its network.

    Attributes:
        to_console, to_bridge: The networks.
        dropped: Replies for which there was no room.
    """

    def __init__(
        self, stand_in: StandIn, to_console: LossyNetwork, to_bridge: LossyNetwork
    ) -> None:
        self._stand_in = stand_in
        self.to_console, self.to_bridge = to_console, to_bridge
        self._waiting: deque[tuple[Send, bytes]] = deque()
        self._pumping = False
        self._seq = 0
        self.dropped = 0

    def hear(self, data: bytes, reply: Send, at_s: float | None = None) -> None:
        """A packet came off the socket: it enters the simulated network here.

        Args:
            data: Its bytes.
            reply: Sends an answer.
            at_s: When it arrived, s; now when missing.
        """
        loop = asyncio.get_running_loop()
        now_s = loop.time() if at_s is None else at_s
        packet = Packet(data, self._seq, now_s)
        self._seq += 1
        arrivals = self.to_console.carry(now_s, data)
        if not arrivals:
            self._stand_in.missed(data, now_s, packet.seq, now_s)
        for due_s, _ in arrivals:
            if due_s <= now_s:
                self.deliver(packet, reply, now_s)
            else:
                loop.call_at(due_s, self.deliver, packet, reply)

    def deliver(self, packet: Packet, reply: Send, at_s: float | None = None) -> None:
        """A packet reaches the console; now, or when ``at_s`` says."""
        now_s = asyncio.get_running_loop().time() if at_s is None else at_s
        answers = self._stand_in.receive(packet.data, now_s, packet.seq, packet.sent_s)
        self.say(answers, reply)

    def say(self, answers: list[bytes], reply: Send) -> None:
        """Send replies, in groups that a kernel's buffer holds."""
        room = REPLIES_WAITING_MAX - len(self._waiting)
        self.dropped += max(0, len(answers) - room)
        self._waiting.extend((reply, data) for data in answers[:room])
        if not self._pumping:
            self._pump()

    def _pump(self) -> None:
        loop = asyncio.get_running_loop()
        for _ in range(min(REPLIES_AT_ONCE, len(self._waiting))):
            reply, data = self._waiting.popleft()
            for at_s, _ in self.to_bridge.carry(loop.time(), data):
                if at_s <= loop.time():
                    reply(data)
                else:
                    loop.call_at(at_s, reply, data)
        self._pumping = bool(self._waiting)
        if self._pumping:
            loop.call_later(REPLIES_PAUSE_S, self._pump)


class Console:
    """A stand-in that is connected to something.

    Attributes:
        stand_in: The console.
        address: Where it listens, ``(host, port)``; empty on a link.
    """

    def __init__(
        self,
        stand_in: StandIn,
        *,
        to_console: LossyNetwork | None = None,
        to_bridge: LossyNetwork | None = None,
        reports_to: tuple[str, int] | None = None,
    ) -> None:
        """Take a stand-in.

        Args:
            stand_in: The console.
            to_console: What happens to the bridge's packets; nothing bad when missing.
            to_bridge: What happens to the console's; nothing bad when missing.
            reports_to: Where a UDP console sends all it says; to who spoke last when missing.
        """
        self.stand_in = stand_in
        self._talk = _Talk(stand_in, to_console or perfect(), to_bridge or perfect())
        self._reports_to = reports_to
        self._reply: Send | None = None
        self._connections: set[asyncio.StreamWriter] = set()
        self._close: Callable[[], None] = lambda: None
        self._stamped: StampedUdp | None = None
        self.address: tuple[str, int] | tuple[()] = ()

    @property
    def dropped(self) -> int:
        """Replies for which there was no room."""
        return self._talk.dropped

    def move(self, slot: int, value: float) -> None:
        """Move something at the desk, and tell the bridge where the map says so."""
        reports = self.stand_in.move(slot, value, asyncio.get_running_loop().time())
        if self._reply is not None:
            self._talk.say(reports, self._reply)

    def attach(self, link: LinkLike) -> None:
        """Connect to a link: a MIDI port, or the console end of a simulated cable.

        A simulated end hands over packets with their order and time of sending; any other link
        just bytes, which are numbered as they come.
        """
        self._reply = link.send
        if hasattr(link, "packets") and hasattr(link, "missed"):
            link.packets = self._take_packets
            link.missed = self._miss_packet
        else:
            link.inbox = self._take_batch

    def _take_packets(self, batch: list[Packet]) -> None:
        for packet in batch:
            assert self._reply is not None, "attached before anything arrives"
            self._talk.deliver(packet, self._reply)

    def _miss_packet(self, packet: Packet) -> None:
        now_s = asyncio.get_running_loop().time()
        self.stand_in.missed(packet.data, now_s, packet.seq, packet.sent_s)

    def _take_batch(self, batch: list[tuple[bytes, object]]) -> None:
        for data, _ in batch:
            assert self._reply is not None, "attached before anything arrives"
            self._talk.hear(data, self._reply)

    @contextlib.contextmanager
    def roads(self, to_console: LossyNetwork, to_bridge: LossyNetwork) -> Iterator[None]:
        """Other networks for a while; arguments as at the start."""
        before = self._talk.to_console, self._talk.to_bridge
        self._talk.to_console, self._talk.to_bridge = to_console, to_bridge
        try:
            yield
        finally:
            self._talk.to_console, self._talk.to_bridge = before

    def catch_up(self) -> None:
        """Take all that has arrived already; for whoever moves the desk and wants it told after."""
        if self._stamped is not None:
            self._stamped.read(REPLIES_WAITING_MAX)

    async def listen_udp(self, host: str, port: int, *, stamped: bool = False) -> None:
        """Listen on a UDP port; 0 takes a free one.

        Args:
            host: Address.
            port: Port.
            stamped: A word's time is when the kernel had it, not when there was time to read it.
                Whoever records other lines beside has to put them in order then.

        Raises:
            OSError: the port is taken.
        """
        loop = asyncio.get_running_loop()
        if stamped:
            with contextlib.suppress(NotImplementedError):  # a loop that watches no sockets
                udp = StampedUdp(host, port, self._hear_stamped)
                self._stamped, self.address, self._close = udp, udp.address, udp.close
                return
        transport, _ = await loop.create_datagram_endpoint(
            lambda: _Datagrams(self), local_addr=(host, port)
        )
        self.address = transport.get_extra_info("sockname")[:2]
        self._close = transport.close

    def _hear_stamped(self, data: bytes, source: tuple[str, int], at_s: float) -> None:
        assert self._stamped is not None
        send, to = self._stamped.send, self._reports_to or source
        self._reply = lambda answer: send(answer, to)
        self._talk.hear(data, self._reply, at_s)

    def hear_udp(
        self, data: bytes, source: tuple[str, int], transport: asyncio.DatagramTransport
    ) -> None:
        """Take a datagram."""
        to = self._reports_to or source

        def reply(answer: bytes) -> None:
            if not transport.is_closing():
                transport.sendto(answer, to)

        self._reply = reply
        self._talk.hear(data, reply)

    async def listen_tcp(self, host: str, port: int, framing: Literal["size", "slip"]) -> None:
        """Listen on a TCP port; 0 takes a free one.

        Args:
            host: Address.
            port: Port.
            framing: How packets are told apart: size is OSC 1.0, slip is OSC 1.1.

        Raises:
            OSError: the port is taken.
        """
        kind = _FRAMINGS[framing]

        async def connected(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            if len(self._connections) >= CONNECTIONS_MAX:
                writer.close()
                return
            self._connections.add(writer)
            try:
                await self._hear_tcp(reader, writer, kind())
            finally:
                self._connections.discard(writer)
                writer.close()

        server = await asyncio.start_server(connected, host, port)
        self.address = server.sockets[0].getsockname()[:2]
        self._close = server.close

    async def _hear_tcp(
        self,
        reader: asyncio.StreamReader,
        writer: asyncio.StreamWriter,
        framing: Framing,
    ) -> None:
        def reply(answer: bytes) -> None:
            if not writer.is_closing():
                writer.write(framing.frame(answer))

        self._reply = reply
        with contextlib.suppress(ConnectionError):
            while data := await reader.read(READ_BYTES):
                try:
                    packets = framing.feed(data)
                except WireError as problem:
                    _log.warning("console stand-in: connection dropped: %s", problem)
                    return
                for packet in packets:
                    self._talk.hear(packet, reply)

    def close(self) -> None:
        """Stop listening and drop all connections."""
        self._close()
        for writer in list(self._connections):
            writer.close()


class _Datagrams(asyncio.DatagramProtocol):
    def __init__(self, console: Console) -> None:
        self._console = console
        self._transport: asyncio.DatagramTransport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        # CPython's own datagram transport is no subclass of DatagramTransport (3.11)
        self._transport = cast("asyncio.DatagramTransport", transport)

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        assert self._transport is not None
        self._console.hear_udp(data, addr, self._transport)

"""What every link promises, shown on every kind of link."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from typing import Any, Protocol

import pytest
from waiting import soon

from bridge.links.address import MidiAddress, SocketAddress
from bridge.links.base import Batch, Link
from bridge.links.midi import MidiHub, MidiLink
from bridge.links.tcp import TcpClient, TcpServer
from bridge.links.udp import UdpLink


class Far(Protocol):
    """The other end of the link under test."""

    heard: list[bytes]

    def say(self, data: bytes) -> bool: ...


class FarLink:
    """Another link as the other end."""

    def __init__(self) -> None:
        self.heard: list[bytes] = []
        self.link: Link | None = None

    def inbox(self, batch: Batch) -> None:
        self.heard += [data for data, _ in batch]

    def say(self, data: bytes) -> bool:
        assert self.link is not None
        return self.link.send(data)


class FarPlayer:
    """A MIDI device in another process as the other end."""

    def __init__(self, player: Any) -> None:
        self._player, self.heard = player, player.got

    def say(self, data: bytes) -> bool:
        self._player.play(data)
        return True


class Near:
    """What the link under test has told so far."""

    def __init__(self) -> None:
        self.heard: list[bytes] = []
        self.sources: set[object] = set()
        self.states: list[str] = []
        self.trips = 0

    def inbox(self, batch: Batch) -> None:
        for data, source in batch:
            self.heard.append(data)
            self.sources.add(source)
        if self.trips:
            self.trips -= 1
            raise RuntimeError("the inbox tripped")


Desk = tuple[Link, Near, Far]
Setup = Callable[[], AbstractAsyncContextManager[Desk]]
LOCAL = {socket.AF_INET: "127.0.0.1", socket.AF_INET6: "::1"}


def osc(number: int) -> bytes:
    """A small packet that says its number (OSC 1.0: address, type tags, one int32)."""
    return b"/ferry\0\0,i\0\0" + number.to_bytes(4, "big")


def control_change(number: int) -> bytes:
    """A control change that says its number (MIDI 1.0, table 3)."""
    return bytes((0xB0 | (number >> 14) & 15, (number >> 7) & 127, number & 127))


def udp(family: socket.AddressFamily, *, use_reader: bool = True) -> Setup:
    @asynccontextmanager
    async def desk() -> AsyncIterator[Desk]:
        far, near, host = FarLink(), Near(), LOCAL[family]
        away = far.link = UdpLink("far", far.inbox, listen=SocketAddress("udp", host, 0))
        await away.open()
        link = UdpLink(
            "near",
            near.inbox,
            near.states.append,
            peer=SocketAddress("udp", host, away.port),
            listen=SocketAddress("udp", host, 0),
            use_reader=use_reader,
        )
        await link.open()
        far.say = lambda data: away.send_to(data, (host, link.port))  # type: ignore[method-assign]
        yield link, near, far
        await link.close()
        await away.close()

    return desk


def tcp_client(framing: str) -> Setup:
    @asynccontextmanager
    async def desk() -> AsyncIterator[Desk]:
        far, near = FarLink(), Near()
        server = far.link = TcpServer(
            "far", far.inbox, listen=SocketAddress("tcp", "127.0.0.1", 0, framing)
        )
        await server.open()
        peer = SocketAddress("tcp", "127.0.0.1", server.port, framing)
        link = TcpClient("near", near.inbox, near.states.append, peer=peer)
        await link.open()
        await soon(lambda: server.sources and link.state == "open", "the connection")
        yield link, near, far
        await link.close()
        await server.close()

    return desk


def free_port() -> int:
    """A port that nobody listens on now, to be the same after a link was closed."""
    with socket.create_server(("127.0.0.1", 0)) as sock:
        return int(sock.getsockname()[1])


def tcp_server(framing: str) -> Setup:
    @asynccontextmanager
    async def desk() -> AsyncIterator[Desk]:
        far, near = FarLink(), Near()
        listen = SocketAddress("tcp", "127.0.0.1", free_port(), framing)
        link = TcpServer("near", near.inbox, near.states.append, listen=listen)
        await link.open()
        peer = SocketAddress("tcp", "127.0.0.1", link.port, framing)
        client = far.link = TcpClient("far", far.inbox, peer=peer)
        await client.open()
        await soon(lambda: link.sources and client.state == "open", "the connection")
        yield link, near, far
        await client.close()
        await link.close()

    return desk


def midi(request: pytest.FixtureRequest) -> Setup:
    player = request.getfixturevalue("midi_player")("Foot board")

    @asynccontextmanager
    async def desk() -> AsyncIterator[Desk]:
        far, near = FarPlayer(player), Near()
        link = MidiLink(
            "near",
            near.inbox,
            near.states.append,
            address=MidiAddress("foot*"),
            hub=MidiHub(("jack",)),
            needs="both",
        )
        await link.open()
        await soon(lambda: link.state == "open", "the port", 10.0)
        yield link, near, far
        await link.close()

    return desk


DESKS: dict[str, Setup] = {
    "udp4": udp(socket.AF_INET),
    "udp4-one-by-one": udp(socket.AF_INET, use_reader=False),
    "udp6": udp(socket.AF_INET6),
    "tcp-size": tcp_client("size"),
    "tcp-slip": tcp_client("slip"),
    "tcp-server-size": tcp_server("size"),
    "tcp-server-slip": tcp_server("slip"),
}


def has_ipv6() -> bool:
    """True if this machine has an IPv6 loopback."""
    try:
        with socket.socket(socket.AF_INET6, socket.SOCK_DGRAM) as sock:
            sock.bind(("::1", 0))
    except OSError:
        return False
    return True


@pytest.fixture(params=[*DESKS, pytest.param("midi", marks=pytest.mark.jack)])
def kind(request: pytest.FixtureRequest) -> str:
    if request.param == "udp6" and not has_ipv6():
        pytest.skip("no IPv6 loopback: switch IPv6 on for this machine")
    return str(request.param)


@pytest.fixture
def desk(kind: str, request: pytest.FixtureRequest) -> Setup:
    return midi(request) if kind == "midi" else DESKS[kind]


@pytest.fixture
def message(kind: str) -> Callable[[int], bytes]:
    return control_change if kind == "midi" else osc


def run(work: Coroutine[Any, Any, None]) -> None:
    """Run a test's work in a loop of its own, with a deadline."""

    async def bounded() -> None:
        async with asyncio.timeout(30):
            await work

    asyncio.run(bounded())


def test_bytes_arrive_unchanged_in_both_directions(
    desk: Setup, message: Callable[[int], bytes]
) -> None:
    async def work() -> None:
        async with desk() as (link, near, far):
            assert link.send(message(1))
            await soon(lambda: far.heard, "the far end to hear")
            assert far.say(message(2))
            await soon(lambda: near.heard, "the link to hear")
            assert (far.heard, near.heard) == ([message(1)], [message(2)])

    run(work())


def test_messages_keep_their_order(desk: Setup, message: Callable[[int], bytes]) -> None:
    async def work() -> None:
        async with desk() as (link, near, far):
            for number in range(100):
                assert link.send(message(number))
                assert far.say(message(number))
            expected = [message(number) for number in range(100)]
            await soon(lambda: len(far.heard) >= 100 and len(near.heard) >= 100, "all of them")
            assert far.heard == expected
            assert near.heard == expected

    run(work())


def test_every_message_is_counted_once(desk: Setup, message: Callable[[int], bytes]) -> None:
    async def work() -> None:
        async with desk() as (link, near, far):
            for number in range(20):
                link.send(message(number))
                far.say(message(number))
            await soon(lambda: len(near.heard) == 20, "all of them")
            assert (link.sent, link.received) == (20, 20)
            assert (link.dropped, link.refused, link.troubles) == (0, 0, {})

    run(work())


def test_all_messages_of_one_peer_have_the_same_source(
    desk: Setup, message: Callable[[int], bytes]
) -> None:
    async def work() -> None:
        async with desk() as (_, near, far):
            for number in range(5):
                far.say(message(number))
            await soon(lambda: len(near.heard) == 5, "all of them")
            assert len(near.sources) == 1

    run(work())


def test_an_answer_reaches_whoever_is_at_the_source(
    desk: Setup, message: Callable[[int], bytes]
) -> None:
    async def work() -> None:
        async with desk() as (link, near, far):
            far.say(message(1))
            await soon(lambda: near.sources, "a source")
            (source,) = near.sources
            assert link.send_to(message(9), source)  # type: ignore[arg-type]
            await soon(lambda: far.heard == [message(9)], "the answer")

    run(work())


def test_an_inbox_that_fails_costs_its_batch_and_not_the_link(
    desk: Setup, message: Callable[[int], bytes]
) -> None:
    async def work() -> None:
        async with desk() as (link, near, far):
            near.trips = 1
            far.say(message(1))
            await soon(lambda: near.heard, "the first")
            far.say(message(2))
            await soon(lambda: len(near.heard) == 2, "the second")
            assert link.state == "open"
            assert link.troubles == {"inbox: RuntimeError": 1}

    run(work())


def test_nothing_that_is_sent_raises_or_ends_the_link(
    desk: Setup, message: Callable[[int], bytes]
) -> None:
    async def work() -> None:
        async with desk() as (link, _, far):
            assert not link.send(bytes(100_000))
            assert isinstance(link.send(b""), bool)
            assert link.send(message(3))
            await soon(lambda: message(3) in far.heard, "a good message")
            assert link.state == "open"

    run(work())


def test_a_closed_link_takes_nothing_and_says_so(
    desk: Setup, message: Callable[[int], bytes]
) -> None:
    async def work() -> None:
        async with desk() as (link, _, far):
            await link.close()
            assert not link.send(message(1))
            assert (link.sent, link.dropped, far.heard) == (0, 1, [])

    run(work())


def test_states_are_told_in_order_and_once(desk: Setup) -> None:
    async def work() -> None:
        async with desk() as (link, near, _):
            await link.close()
            await link.close()
            assert near.states == ["opening", "open", "closed"]

    run(work())


def test_a_closed_link_opens_again(desk: Setup, message: Callable[[int], bytes]) -> None:
    async def work() -> None:
        async with desk() as (link, near, far):
            await link.close()
            await link.open()
            await soon(lambda: link.state == "open", "the second opening")
            await soon(lambda: link.send(message(5)) and message(5) in far.heard, "a message", 10)
            assert near.states[-2:] == ["opening", "open"]

    run(work())

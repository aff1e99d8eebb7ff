"""What is special about UDP: strangers, sizes, errors, busy ports, floods."""

from __future__ import annotations

import asyncio
import os
import socket
from collections.abc import Coroutine
from typing import Any

import pytest
from waiting import soon

from bridge.errors import LinkError
from bridge.links.address import SocketAddress
from bridge.links.base import DATAGRAM_BYTES_MAX, READS_PER_WAKE, Batch
from bridge.links.sockets import Guests
from bridge.links.udp import UdpLink

HERE = SocketAddress("udp", "127.0.0.1", 0)
ANY = SocketAddress("udp", "", 0)
GOOD = b"/ferry\0\0"


def run(work: Coroutine[Any, Any, None]) -> None:
    async def bounded() -> None:
        async with asyncio.timeout(30):
            await work

    asyncio.run(bounded())


class Heard:
    def __init__(self) -> None:
        self.batches: list[Batch] = []

    @property
    def data(self) -> list[bytes]:
        return [data for batch in self.batches for data, _ in batch]


def stranger() -> socket.socket:
    """A socket that is no link."""
    return socket.socket(socket.AF_INET, socket.SOCK_DGRAM)


@pytest.mark.parametrize("use_reader", [True, False])
def test_rubbish_empty_and_oversized_datagrams_do_not_stop_a_link(use_reader: bool) -> None:
    async def work() -> None:
        heard = Heard()
        link = UdpLink("desk", heard.batches.append, listen=HERE, use_reader=use_reader)
        await link.open()
        rubbish = [
            b"",
            b"\xff" * 17,
            b"#bundle\0" + b"\0" * 8 + b"\xff\xff\xff\xfc",
            os.urandom(99),
        ]
        with stranger() as sock:
            for data in [*rubbish, bytes(DATAGRAM_BYTES_MAX), bytes(60_000), GOOD]:
                sock.sendto(data, ("127.0.0.1", link.port))
        await soon(lambda: GOOD in heard.data, "the good datagram")
        assert heard.data == [*rubbish, bytes(DATAGRAM_BYTES_MAX), GOOD]
        assert (link.state, link.dropped, link.troubles) == ("open", 1, {"too long": 1})
        await link.close()

    run(work())


def test_a_datagram_of_one_byte_too_many_is_dropped() -> None:
    async def work() -> None:
        heard = Heard()
        link = UdpLink("desk", heard.batches.append, listen=HERE)
        await link.open()
        with stranger() as sock:
            sock.sendto(bytes(DATAGRAM_BYTES_MAX + 1), ("127.0.0.1", link.port))
            sock.sendto(GOOD, ("127.0.0.1", link.port))
        await soon(lambda: heard.data, "the good datagram")
        assert (heard.data, link.dropped) == ([GOOD], 1)
        await link.close()

    run(work())


def test_a_busy_port_says_what_to_do() -> None:
    async def work() -> None:
        with stranger() as sock:
            sock.bind(("127.0.0.1", 0))
            port = sock.getsockname()[1]
            states: list[str] = []
            link = UdpLink(
                "desk", print, states.append, listen=SocketAddress("udp", "127.0.0.1", port)
            )
            with pytest.raises(LinkError) as caught:
                await link.open()
            assert str(caught.value) == (
                f"desk: port {port} is taken by another program;"
                " stop that program, or choose another port"
            )
            assert states == ["opening", "closed"]

    run(work())


@pytest.mark.parametrize(
    ("listen", "peer", "text"),
    [
        (
            SocketAddress("udp", "192.0.2.99", 0),  # RFC 5737: belongs to no machine
            None,
            "desk: this machine has no address 192.0.2.99; check the network cable, or listen on"
            " every address with an empty host",
        ),
        (
            HERE,
            SocketAddress("udp", "::1", 9),
            "desk: it listens on an IPv4 address, and its peer ::1 has an IPv6 one;"
            " use the same kind for both, or listen with an empty host",
        ),
    ],
)
def test_an_address_that_cannot_work_is_told_at_once(
    listen: SocketAddress, peer: SocketAddress | None, text: str
) -> None:
    async def work() -> None:
        link = UdpLink("desk", print, listen=listen, peer=peer)
        with pytest.raises(LinkError) as caught:
            await link.open()
        assert str(caught.value) == text

    run(work())


def test_an_unknown_host_is_told_at_once() -> None:
    async def work() -> None:
        # RFC 6761, 6.4: a name under .invalid never exists; no server is asked for a bad label
        peer = SocketAddress("udp", "no such desk.invalid", 9)
        link = UdpLink("desk", print, peer=peer)
        with pytest.raises(LinkError, match=r"the host 'no such desk\.invalid' is unknown"):
            await link.open()
        assert link.state == "closed"

    run(work())


def test_a_stranger_is_refused_and_counted() -> None:
    async def work() -> None:
        heard = Heard()
        link = UdpLink("desk", heard.batches.append, listen=ANY, peers=["192.0.2.7"])
        await link.open()
        with stranger() as sock:
            sock.sendto(GOOD, ("127.0.0.1", link.port))
        await soon(lambda: link.refused, "the refusal")
        assert (heard.data, link.refused, link.troubles) == ([], 1, {"stranger": 1})
        await link.close()

    run(work())


def test_a_welcome_host_is_known_inside_ipv6_too() -> None:
    async def work() -> None:
        heard = Heard()
        link = UdpLink("desk", heard.batches.append, listen=ANY, peers=["127.0.0.1"])
        await link.open()
        with stranger() as sock:
            sock.sendto(GOOD, ("127.0.0.1", link.port))
        await soon(lambda: heard.data, "the datagram")
        assert (heard.data, link.refused) == ([GOOD], 0)
        await link.close()

    run(work())


def test_a_peer_alone_may_speak_unless_others_are_named() -> None:
    async def work() -> None:
        heard = Heard()
        peer = SocketAddress("udp", "127.0.0.2", 9)
        link = UdpLink("desk", heard.batches.append, listen=ANY, peer=peer)
        await link.open()
        with stranger() as other, stranger() as desk:
            desk.bind(("127.0.0.2", 0))
            other.sendto(GOOD, ("127.0.0.1", link.port))
            desk.sendto(b"/desk\0\0\0", ("127.0.0.1", link.port))
        await soon(lambda: heard.data, "the desk")
        assert (heard.data, link.refused) == ([b"/desk\0\0\0"], 1)
        await link.close()

    run(work())


@pytest.mark.parametrize(
    ("peers", "source", "welcome"),
    [
        (None, ("192.0.2.9", 5), True),
        ([], ("192.0.2.9", 5), False),
        (["192.0.2.9"], ("192.0.2.9", 5), True),
        (["192.0.2.9"], ("192.0.2.8", 5), False),
        ([("192.0.2.9", 5)], ("192.0.2.9", 5), True),
        ([("192.0.2.9", 5)], ("192.0.2.9", 6), False),
        (["192.0.2.9"], ("::ffff:192.0.2.9", 5, 0, 0), True),
        (["::ffff:192.0.2.9"], ("192.0.2.9", 5), True),
        (["fe80::1"], ("fe80::1%eth0", 5, 0, 2), True),
    ],
)
def test_who_is_welcome(peers: Any, source: Any, welcome: bool) -> None:
    guests = Guests(peers)
    assert guests.welcome(source) is welcome
    assert guests.welcome(source) is welcome


def test_guests_are_remembered_up_to_a_bound() -> None:
    guests = Guests(["192.0.2.9"])
    assert all(guests.welcome(("192.0.2.9", port)) for port in range(1, 2000))
    assert len(guests._known) <= 256


def test_errors_of_the_network_are_counted_by_cause_and_never_raised() -> None:
    async def work() -> None:
        link = UdpLink("desk", print, listen=SocketAddress("udp", "0.0.0.0", 0))
        await link.open()
        assert not link.send_to(bytes(70_000), ("127.0.0.1", 9))  # over 65,507 (RFC 768)
        assert not link.send_to(GOOD, ("255.255.255.255", 9))  # broadcast was not asked for
        assert not link.send_to(GOOD, ("127.0.0.1", 70_000))
        assert not link.send_to(GOOD, "a MIDI port")
        assert not link.send(GOOD)
        assert link.dropped == 5
        assert link.troubles == {
            "EMSGSIZE": 1,
            "EACCES": 1,
            "OverflowError": 1,
            "TypeError": 1,
            "no peer": 1,
        }
        assert link.state == "open"
        await link.close()

    run(work())


def test_a_desk_that_is_switched_off_costs_nothing_but_the_datagrams() -> None:
    async def work() -> None:
        with stranger() as sock:
            sock.bind(("127.0.0.1", 0))
            port = sock.getsockname()[1]
        link = UdpLink("desk", print, peer=SocketAddress("udp", "127.0.0.1", port))
        await link.open()
        assert all(link.send(GOOD) for _ in range(50))
        assert link.state == "open"
        await link.close()

    run(work())


def test_a_flood_arrives_in_batches_of_bounded_size() -> None:
    async def work() -> None:
        heard = Heard()
        link = UdpLink("desk", heard.batches.append, listen=HERE)
        await link.open()
        with stranger() as sock:
            for number in range(200):
                sock.sendto(number.to_bytes(4, "big"), ("127.0.0.1", link.port))
        await soon(lambda: len(heard.data) == 200, "the flood")
        assert [len(batch) for batch in heard.batches] == [READS_PER_WAKE] * 3 + [8]
        assert heard.data == [number.to_bytes(4, "big") for number in range(200)]
        await link.close()

    run(work())


def test_the_buffer_granted_by_the_system_is_known() -> None:
    async def work() -> None:
        link = UdpLink("desk", print, listen=HERE)
        await link.open()
        with stranger() as plain:
            usual = plain.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF)
        assert link.receive_buffer_bytes >= usual
        await link.close()

    run(work())


def test_an_ipv4_peer_is_reached_from_a_link_that_listens_on_everything() -> None:
    async def work() -> None:
        with stranger() as desk:
            desk.bind(("127.0.0.1", 0))
            desk.setblocking(False)
            peer = SocketAddress("udp", "127.0.0.1", desk.getsockname()[1])
            link = UdpLink("desk", print, peer=peer, listen=SocketAddress("udp", "::", 0))
            await link.open()
            assert link.send(GOOD)
            assert await asyncio.get_running_loop().sock_recv(desk, 99) == GOOD
            await link.close()

    run(work())

"""What is special about TCP: reconnecting, stalled peers, strangers, broken framing."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Coroutine
from typing import Any

import pytest
from waiting import soon

from bridge.errors import LinkError
from bridge.links.address import SocketAddress
from bridge.links.base import CONNECTIONS_MAX, WRITE_BUFFER_BYTES_MAX, Batch
from bridge.links.tcp import TcpClient, TcpServer

GOOD = b"/ferry\0\0"
FRAMED = {"size": b"\0\0\0\x08" + GOOD, "slip": b"\xc0" + GOOD + b"\xc0"}
TOO_LONG = {"size": b"\x7f\xff\xff\xfc", "slip": bytes(40_000)}
PACKET = bytes(4096)


def run(work: Coroutine[Any, Any, None]) -> None:
    async def bounded() -> None:
        async with asyncio.timeout(30):
            await work

    asyncio.run(bounded())


def address(port: int, framing: str = "size") -> SocketAddress:
    return SocketAddress("tcp", "127.0.0.1", port, framing)


async def listening(framing: str = "size", **more: Any) -> tuple[TcpServer, Batch]:
    heard: Batch = []
    server = TcpServer("pads", heard.extend, listen=address(0, framing), **more)
    await server.open()
    return server, heard


async def guest(port: int) -> socket.socket:
    """A plain socket, connected."""
    sock = socket.socket()
    sock.setblocking(False)
    await asyncio.get_running_loop().sock_connect(sock, ("127.0.0.1", port))
    return sock


async def was_closed(sock: socket.socket) -> bool:
    """True when the other end ends the connection."""
    try:
        return await asyncio.get_running_loop().sock_recv(sock, 1) == b""
    except ConnectionError:
        return True


@pytest.mark.parametrize("framing", ["size", "slip"])
def test_packets_survive_any_cutting_of_the_stream(framing: str) -> None:
    async def work() -> None:
        server, heard = await listening(framing)
        with await guest(server.port) as sock:
            for number in range(len(FRAMED[framing])):
                await asyncio.get_running_loop().sock_sendall(
                    sock, FRAMED[framing][number : number + 1]
                )
            await soon(lambda: heard, "the packet")
            assert [data for data, _ in heard] == [GOOD]
        await server.close()

    run(work())


@pytest.mark.parametrize("framing", ["size", "slip"])
def test_a_broken_stream_ends_its_connection_and_no_other(framing: str) -> None:
    async def work() -> None:
        server, heard = await listening(framing)
        loop = asyncio.get_running_loop()
        with await guest(server.port) as bad, await guest(server.port) as good:
            await soon(lambda: len(server.sources) == 2, "both")
            await loop.sock_sendall(bad, FRAMED[framing] + TOO_LONG[framing])
            assert await was_closed(bad)
            await loop.sock_sendall(good, FRAMED[framing])
            await soon(lambda: len(heard) == 2, "the good ones")
            assert (server.state, server.refused, len(server.sources)) == ("open", 1, 1)
        await server.close()

    run(work())


def test_a_frame_that_is_no_packet_is_counted_and_skipped() -> None:
    async def work() -> None:
        server, heard = await listening()
        with await guest(server.port) as sock:
            await asyncio.get_running_loop().sock_sendall(sock, b"\0\0\0\x03abc" + FRAMED["size"])
            await soon(lambda: heard, "the good one")
            assert (server.refused, server.troubles) == (1, {"frame skipped": 1})
            assert len(server.sources) == 1
        await server.close()

    run(work())


def test_connections_are_bounded_and_the_one_too_many_is_sent_away() -> None:
    async def work() -> None:
        server, _ = await listening()
        guests = [await guest(server.port) for _ in range(CONNECTIONS_MAX)]
        await soon(lambda: len(server.sources) == CONNECTIONS_MAX, "all of them")
        with await guest(server.port) as late:
            assert await was_closed(late)
        assert (server.refused, server.troubles) == (1, {"full": 1})
        guests.pop().close()
        await soon(lambda: len(server.sources) < CONNECTIONS_MAX, "one to leave")
        with await guest(server.port):
            await soon(lambda: len(server.sources) == CONNECTIONS_MAX, "the next")
        for sock in guests:
            sock.close()
        await server.close()

    run(work())


def test_a_stranger_is_sent_away() -> None:
    async def work() -> None:
        server, heard = await listening(peers=["192.0.2.7"])
        with await guest(server.port) as sock:
            assert await was_closed(sock)
        assert (server.sources, server.refused, heard) == ((), 1, [])
        await server.close()

    run(work())


def test_a_busy_port_says_what_to_do() -> None:
    async def work() -> None:
        server, _ = await listening()
        second = TcpServer("keys", print, listen=address(server.port))
        with pytest.raises(LinkError) as caught:
            await second.open()
        assert str(caught.value) == (
            f"keys: port {server.port} is taken by another program;"
            " stop that program, or choose another port"
        )
        assert second.state == "closed"
        await server.close()

    run(work())


def test_a_console_that_stops_reading_is_never_waited_for() -> None:
    async def work() -> None:
        with socket.create_server(("127.0.0.1", 0)) as desk:
            link = TcpClient("desk", print, peer=address(desk.getsockname()[1]))
            await link.open()
            await soon(lambda: link.state == "open", "the connection")
            loop, longest_s, taken = asyncio.get_running_loop(), 0.0, 0
            for _ in range(5000):
                began_s = loop.time()
                took = link.send(PACKET)
                longest_s = max(longest_s, loop.time() - began_s)
                taken += took
                if not took:
                    break
            assert not link.send(PACKET)
            assert link.troubles == {"not reading": 2}
            assert link._connection is not None and link._connection._transport is not None
            waiting = link._connection._transport.get_write_buffer_size()
            assert 0 < waiting <= WRITE_BUFFER_BYTES_MAX
            assert longest_s < 0.5
            assert (link.state, link.sent, link.dropped) == ("open", taken, 2)
            await link.close()

    run(work())


def test_a_stalled_console_is_served_again_when_it_reads_on() -> None:
    async def work() -> None:
        with socket.create_server(("127.0.0.1", 0)) as desk:
            link = TcpClient("desk", print, peer=address(desk.getsockname()[1]))
            await link.open()
            desk.setblocking(False)
            loop = asyncio.get_running_loop()
            end, _ = await loop.sock_accept(desk)
            with end:
                await soon(lambda: link.state == "open", "the connection")
                while link.send(PACKET):
                    pass
                got = 0
                while not link.send(GOOD):
                    got += len(await loop.sock_recv(end, 1 << 20))
                total = link.sent * 4 + (link.sent - 1) * len(PACKET) + len(GOOD)
                while got < total:
                    got += len(await loop.sock_recv(end, 1 << 20))
                assert got == total  # no packet was cut, none lost that was taken
            await link.close()

    run(work())


def test_one_stalled_controller_does_not_keep_words_from_the_others() -> None:
    async def work() -> None:
        server, _ = await listening()
        loop = asyncio.get_running_loop()
        with await guest(server.port) as stalled, await guest(server.port) as awake:
            await soon(lambda: len(server.sources) == 2, "both")
            first, second = stalled.getsockname(), awake.getsockname()
            while server.send_to(PACKET, first):
                pass
            while server.send_to(GOOD, first):
                pass
            assert server.send(GOOD)
            assert server.send_to(GOOD, second)
            assert await loop.sock_recv(awake, 12) == FRAMED["size"]
        await server.close()

    run(work())


def test_a_lost_console_is_connected_again_by_itself() -> None:
    async def work() -> None:
        states: list[str] = []
        heard: Batch = []
        server, _ = await listening()
        link = TcpClient("desk", heard.extend, states.append, peer=address(server.port))
        await link.open()
        await soon(lambda: server.sources and link.state == "open", "the first connection")
        await server.close()
        await soon(lambda: link.state == "lost", "the loss")
        assert not link.send(GOOD)
        again = TcpServer("pads", print, listen=address(server.port))
        await again.open()
        await soon(lambda: link.state == "open" and again.sources, "the second connection")
        again.send(GOOD)
        await soon(lambda: heard, "a packet")
        assert states == ["opening", "open", "lost", "open"]
        await link.close()
        await again.close()

    run(work())


def test_a_console_that_is_off_is_waited_for() -> None:
    async def work() -> None:
        server, _ = await listening()
        await server.close()
        link = TcpClient("desk", print, peer=address(server.port))
        await link.open()
        await soon(lambda: link.troubles, "the first try to fail")
        assert link.state == "opening"
        again = TcpServer("pads", print, listen=address(server.port))
        await again.open()
        await soon(lambda: link.state == "open", "the connection")
        await link.close()
        await again.close()

    run(work())


def test_a_console_that_breaks_the_framing_is_left_and_tried_again() -> None:
    async def work() -> None:
        with socket.create_server(("127.0.0.1", 0)) as desk:
            desk.setblocking(False)
            link = TcpClient("desk", print, peer=address(desk.getsockname()[1]))
            await link.open()
            loop = asyncio.get_running_loop()
            for _ in range(2):
                end, _ = await loop.sock_accept(desk)
                with end:
                    await loop.sock_sendall(end, TOO_LONG["size"])
                    assert await was_closed(end)
            await soon(lambda: link.refused == 2, "both to be counted")
            await link.close()

    run(work())


def test_closing_ends_an_attempt_that_waits() -> None:
    async def work() -> None:
        link = TcpClient("desk", print, peer=SocketAddress("tcp", "192.0.2.1", 9, "size"))
        await link.open()
        async with asyncio.timeout(1):
            await link.close()
        assert link.state == "closed"

    run(work())


def test_a_flood_is_read_in_bounded_bites() -> None:
    async def work() -> None:
        sizes: list[int] = []
        server = TcpServer("pads", lambda batch: sizes.append(len(batch)), listen=address(0))
        await server.open()
        with await guest(server.port) as sock:
            sock.setblocking(True)
            sock.sendall(FRAMED["size"] * 5000)  # all of it before the loop turns
            await soon(lambda: sum(sizes) == 5000, "the flood")
            assert max(sizes) <= 16 * 1024 // len(FRAMED["size"]) + 1
        await server.close()

    run(work())

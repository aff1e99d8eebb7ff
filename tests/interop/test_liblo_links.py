"""Links against liblo, an OSC implementation that shares no line with this one."""

from __future__ import annotations

import asyncio
import struct
from collections.abc import Callable, Coroutine
from typing import Any

import pytest
from liblo_desk import OscDump, Send
from waiting import soon

from bridge.links.address import SocketAddress
from bridge.links.base import Batch
from bridge.links.tcp import TcpClient, TcpServer
from bridge.links.udp import UdpLink

pytestmark = pytest.mark.liblo

# OSC 1.0: address and type tags padded to fours, big-endian arguments
LEVEL = b"/out/3/in/07\0\0\0\0,f\0\0" + struct.pack(">f", -12.5)
SHOWN = "/out/3/in/07 f -12.500000"


def run(work: Coroutine[Any, Any, None]) -> None:
    async def bounded() -> None:
        async with asyncio.timeout(30):
            await work

    asyncio.run(bounded())


def test_liblo_reads_what_a_udp_link_sends(oscdump: Callable[..., OscDump]) -> None:
    dump = oscdump()

    async def work() -> None:
        link = UdpLink("desk", print, peer=SocketAddress("udp", "127.0.0.1", dump.port))
        await link.open()
        assert link.send(LEVEL)
        await link.close()

    run(work())
    assert dump.until(lambda lines: SHOWN in lines) == [SHOWN]


def test_a_udp_link_reads_what_liblo_sends(oscsend: Send) -> None:
    async def work() -> None:
        heard: Batch = []
        link = UdpLink("pads", heard.extend, listen=SocketAddress("udp", "", 0))
        await link.open()
        await asyncio.to_thread(oscsend, link.port, "/out/3/in/07", "f", -12.5)
        await soon(lambda: heard, "the message")
        assert [data for data, _ in heard] == [LEVEL]
        await link.close()

    run(work())


@pytest.mark.parametrize("framing", ["size", "slip"])
def test_liblo_reads_what_a_tcp_link_sends(oscdump: Callable[..., OscDump], framing: str) -> None:
    dump = oscdump("tcp")

    async def work() -> None:
        peer = SocketAddress("tcp", "127.0.0.1", dump.port, framing)
        link = TcpClient("desk", print, peer=peer)
        await link.open()
        await soon(lambda: link.state == "open", "the connection")
        assert all(link.send(LEVEL) for _ in range(3))
        await asyncio.to_thread(dump.until, lambda lines: lines.count(SHOWN) == 3)
        await link.close()

    run(work())


def test_a_tcp_link_reads_what_liblo_sends(oscsend: Send) -> None:
    async def work() -> None:
        heard: Batch = []
        listen = SocketAddress("tcp", "127.0.0.1", 0, "size")
        link = TcpServer("pads", heard.extend, listen=listen)
        await link.open()
        await asyncio.to_thread(oscsend, link.port, "/out/3/in/07", "f", -12.5, transport="tcp")
        await soon(lambda: heard, "the message")
        assert [data for data, _ in heard] == [LEVEL]
        await link.close()

    run(work())

"""Who is not declared moves nothing and is counted: a whole bridge on sockets of this machine. I/O.

All of 127.0.0.0/8 is this machine (RFC 1122, section 3.2.1.3), so 127.0.0.2 is a stranger.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator, Callable
from typing import Any

import pytest
from support.onloop import on_loop
from support.queried import RIG, maps_of

from bridge.daemon import Daemon
from bridge.house import console_words
from bridge.links.base import Link
from bridge.rig.layout import Parameter
from bridge.rig.rig import parse_rig
from bridge.simulator.server import Console
from bridge.simulator.stand_in import StandIn
from bridge.units import OFF
from bridge.wire.framing import Framing, SizeFraming, SlipFraming
from bridge.wire.osc import encode

DECLARED, STRANGER = "127.0.0.1", "127.0.0.2"
FRAMINGS: dict[str, type[Framing]] = {"size": SizeFraming, "slip": SlipFraming}

TABLET, PANEL, OUT = "/my/2/level", "/mix/1/of/2/level", "/out/01/in/02/level"
"""One send, in the words of a tablet, of the engineer's panel and of the console."""


def free(kind: socket.SocketKind) -> int:
    with socket.socket(socket.AF_INET, kind) as taken:
        taken.bind((DECLARED, 0))
        return int(taken.getsockname()[1])


class Bridge:
    """A bridge on real sockets, with a console stand-in.

    Attributes:
        udp, tcp, back: Ports of the tablet, of the engineer's panel, and of the console's answers.
    """

    def __init__(self, framing: str = "size", source: str = DECLARED) -> None:
        self.udp, self.back = free(socket.SOCK_DGRAM), free(socket.SOCK_DGRAM)
        self.tcp, self.framing, self.source = free(socket.SOCK_STREAM), framing, source

    def rig_text(self, console: int) -> str:
        text = RIG
        for old, new in (
            ("udp://:9311", f"udp://{DECLARED}:{self.udp}"),
            ("tcp://127.0.0.1:9310", f"tcp://{DECLARED}:{self.tcp}?framing={self.framing}"),
            ("192.0.2.20", self.source), ("192.0.2.21", self.source),
            ("udp://192.0.2.10:9000", f"udp://{DECLARED}:{console}"),
            ("udp://:9001", f"udp://{DECLARED}:{self.back}"),
            ("start_db = -30\nauto_open", "start_db = -58\nauto_open"),  # up in no time
            ("accordion = -20", "accordion = -58"),
        ):  # fmt: skip
            assert text.count(old) == 1, old
            text = text.replace(old, new)
        return text

    @contextlib.asynccontextmanager
    async def running(self) -> AsyncIterator[Bridge]:
        """Run until the mix is up; then all is at rest."""
        nowhere = parse_rig(self.rig_text(free(socket.SOCK_DGRAM)), "house.toml")
        words = console_words(nowhere, maps_of(nowhere)[nowhere.file.console.map], at_console=True)
        self.console = Console(StandIn(words, nowhere.layout, lambda word: None))
        await self.console.listen_udp(DECLARED, 0)
        rig = parse_rig(self.rig_text(self.console.address[1]), "house.toml")  # type: ignore[misc]
        self.daemon, opened = Daemon(rig, maps_of(rig)), asyncio.Event()
        task = asyncio.get_running_loop().create_task(self.daemon.run(opened.set))
        try:
            await opened.wait()
            await until(self.daemon.house.engine.running)
            slot = rig.layout.slot
            self.level = slot(Parameter.SEND_LEVEL, 1, 0)
            both = (self.level, slot(Parameter.BUS_MASTER, bus=0))
            await until(lambda: all(self.levels()[1][each] == -58.0 for each in both))
            yield self
        finally:
            task.cancel()
            await asyncio.wait({task})
            self.console.close()

    def levels(self) -> tuple[list[float], list[float]]:
        """All that is asked, and all that the console was told; NaN is what nobody knows."""
        matrix = self.daemon.house.engine.matrix
        asked, told = ([OFF if v != v else v for v in each] for each in (matrix.asked, matrix.told))
        return asked, told

    def link(self, name: str) -> Link:
        return next(link for link in self.daemon.outside.links if link.name == name)

    def refused(self, name: str) -> int:
        """What was refused at a link, as the live view shows it."""
        links: Any = self.daemon.picture()["links"]
        return int(next(link["refused"] for link in links if link["name"] == name))


async def until(true: Callable[[], bool]) -> None:
    async with asyncio.timeout(20.0):
        while not true():
            await asyncio.sleep(0.01)


def hand(host: str, port: int = 0) -> socket.socket:
    """A program that sends datagrams from an address."""
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sock.bind((host, port))
    return sock


async def connected(host: str, port: int) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    """A program that connects from an address."""
    return await asyncio.open_connection(DECLARED, port, local_addr=(host, 0))


async def hung_up(reader: asyncio.StreamReader) -> bool:
    try:
        return await asyncio.wait_for(reader.read(), 10.0) == b""
    except ConnectionError:
        return True


# -- controllers --------------------------------------------------------------------------------


@on_loop
async def test_a_datagram_from_elsewhere_changes_nothing_and_is_counted() -> None:
    async with Bridge().running() as bridge:
        before, name = bridge.levels(), f"udp:{bridge.udp}"
        with hand(STRANGER) as stranger, hand(DECLARED) as own:
            for data in (encode(TABLET, "f", [0.1]), encode("/my/master", "f", [0.0]), b"?", b""):
                stranger.sendto(data, (DECLARED, bridge.udp))
            await until(lambda: bridge.refused(name) == 4)
            assert bridge.levels() == before
            own.sendto(encode(TABLET, "f", [0.1]), (DECLARED, bridge.udp))
            await until(lambda: bridge.levels()[0][bridge.level] > before[0][bridge.level])
        assert bridge.refused(name) == 4 and bridge.link(name).received == 1


@on_loop
async def test_where_a_port_is_declared_another_program_of_that_host_is_a_stranger() -> None:
    port = free(socket.SOCK_DGRAM)
    async with Bridge(source=f"{DECLARED}:{port}").running() as bridge:
        before, name = bridge.levels(), f"udp:{bridge.udp}"
        with hand(DECLARED) as other, hand(DECLARED, port) as own:
            other.sendto(encode(TABLET, "f", [0.1]), (DECLARED, bridge.udp))
            await until(lambda: bridge.refused(name) == 1)
            assert bridge.levels() == before
            own.sendto(encode(TABLET, "f", [0.1]), (DECLARED, bridge.udp))
            await until(lambda: bridge.levels() != before)


@on_loop
async def test_where_a_host_alone_is_declared_any_program_of_it_is_taken_for_the_controller() -> (
    None
):
    async with Bridge().running() as bridge:
        for level in (0.1, 0.05):
            before = bridge.levels()
            with hand(DECLARED) as each:
                each.sendto(encode(TABLET, "f", [level]), (DECLARED, bridge.udp))
                await until(lambda old=before: bridge.levels()[0] != old[0])  # type: ignore[misc]


@pytest.mark.parametrize("framing", ["size", "slip"])
@on_loop
async def test_a_connection_from_elsewhere_is_hung_up_on_and_counted(framing: str) -> None:
    async with Bridge(framing).running() as bridge:
        before, name = bridge.levels(), f"tcp:{bridge.tcp}"
        said = FRAMINGS[framing]().frame(encode(PANEL, "f", [0.1]))
        reader, stranger = await connected(STRANGER, bridge.tcp)
        stranger.write(said)
        assert await hung_up(reader)
        assert bridge.refused(name) == 1 and bridge.levels() == before
        _, own = await connected(DECLARED, bridge.tcp)
        own.write(said)
        await until(lambda: bridge.levels()[0][bridge.level] > before[0][bridge.level])
        assert bridge.refused(name) == 1
        own.close()
        stranger.close()


@pytest.mark.parametrize("framing", ["size", "slip"])
@on_loop
async def test_what_a_browser_at_a_controllers_address_sends_moves_nothing(framing: str) -> None:
    async with Bridge(framing).running() as bridge:
        before, name = bridge.levels(), f"tcp:{bridge.tcp}"
        body = FRAMINGS[framing]().frame(encode(PANEL, "f", [0.1]))
        for number, method in enumerate(("GET", "POST", "OPTIONS"), start=1):
            reader, page = await connected(DECLARED, bridge.tcp)
            head = f"{method} / HTTP/1.1\r\nHost: {DECLARED}\r\nContent-Length: {len(body)}\r\n\r\n"
            page.write(head.encode() + body)
            assert await hung_up(reader)
            await until(lambda count=number: bridge.refused(name) == count)  # type: ignore[misc]
            page.close()
        assert bridge.link(name).received == 0 and bridge.levels() == before


# -- the console --------------------------------------------------------------------------------


@on_loop
async def test_who_is_not_the_console_is_not_taken_for_it_and_is_counted() -> None:
    async with Bridge().running() as bridge:
        before = bridge.levels()
        with hand(STRANGER) as stranger:
            for data in (encode(OUT, "f", [0.9]), encode("/here", "", []), b"\xff" * 64):
                stranger.sendto(data, (DECLARED, bridge.back))
            await until(lambda: bridge.refused("console") == 3)
        assert bridge.levels() == before
        bridge.console.move(bridge.level, -30.0)
        await until(lambda: bridge.levels()[0][bridge.level] > -31.0)
        assert bridge.refused("console") == 3

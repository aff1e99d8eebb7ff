"""Ports that are there to be read: whatever is said to them, nothing is moved. Real sockets."""

from __future__ import annotations

import asyncio
import contextlib
import random
import socket
from collections.abc import Iterator
from typing import Any

import aiohttp
import pytest
from support.onloop import on_loop
from support.queried import RIG, Queried, queried_rig

from bridge import watching
from bridge.guard import serving
from bridge.wire.framing import SizeFraming, SlipFraming
from bridge.wire.osc import encode

WORDS = (
    encode("/my/2/level", "f", [0.1]), encode("/my/master", "f", [1.0]),
    encode("/silence", "i", [1]), encode("/hold/1", "i", [1]),
    encode("/mix/1/of/2/level", "f", [0.1]),
)  # fmt: skip
BUNDLE = b"#bundle\0" + bytes(7) + b"\1" + b"".join(
    len(word).to_bytes(4, "big") + word for word in WORDS
)  # fmt: skip
BODIES = (
    *WORDS, BUNDLE, *map(SizeFraming().frame, WORDS), *map(SlipFraming().frame, WORDS),
    b'{"VALUE": [1.0]}', b'["set", 0, 0]', b'{"COMMAND": "LISTEN", "DATA": "/my/2/level"}', b"",
)  # fmt: skip
METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "SET", "/my")
PATHS = ("/", "/my/2/level", "/my/2/level?VALUE=0.1", "/health", "/metrics", "/?VALUE", "*")
TIMES = 60
"""Of each kind, at each port."""


def sayings(seed: int) -> Iterator[bytes]:
    """Requests with words for the mix in them, and the words as they are."""
    chance = random.Random(seed)
    for number in range(TIMES):
        body = chance.choice(BODIES)
        head = f"{chance.choice(METHODS)} {chance.choice(PATHS)} HTTP/1.1\r\nHost: 127.0.0.1\r\n"
        head += f"Content-Length: {len(body)}\r\nConnection: close\r\n\r\n"
        yield body if number % 4 == 0 else head.encode() + body


async def tell(port: int, data: bytes) -> None:
    """Say something to a port, and hear it out for a moment."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    with contextlib.suppress(ConnectionError, TimeoutError):
        async with asyncio.timeout(2.0):
            writer.write(data)
            writer.write_eof()
            await reader.read(4096)
    writer.transport.abort()


def levels(bridge: Queried) -> str:
    matrix = bridge.daemon.house.engine.matrix
    return repr((list(matrix.asked), list(matrix.told)))


async def at_rest(bridge: Queried) -> str:
    """All levels, once they do not change by themselves any more."""
    await bridge.running()
    matrix = bridge.daemon.house.engine.matrix
    both = (matrix.master, bridge.send("accordion", "kit"))
    await bridge.until(lambda: all(matrix.told[slot] == -58.0 for slot in both))
    return levels(bridge)


@pytest.fixture
def rig() -> Any:
    """The usual rig, whose mix is up in no time."""
    text = RIG.replace("start_db = -30\nauto_open", "start_db = -58\nauto_open")
    return queried_rig(text=text.replace("accordion = -20", "accordion = -58"))


def free() -> int:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        return int(taken.getsockname()[1])


@pytest.mark.parametrize("which", ["discovery", "health", "watch"])
@on_loop
async def test_nothing_is_moved_whatever_is_asked(rig: Any, which: str) -> None:
    watch = free()
    async with (
        Queried(rig) as bridge,
        serving.serve(("127.0.0.1", 0), bridge.daemon.guard.look) as health,
        watching.serve(f"tcp://127.0.0.1:{watch}", bridge.daemon.picture),
    ):
        before = await at_rest(bridge)
        port = {"discovery": bridge.discovery.port, "health": health, "watch": watch}[which]
        for data in sayings(7):
            await tell(port, data)
        assert levels(bridge) == before
        bridge.say(WORDS[0])  # from the controller itself it means something
        assert levels(bridge) != before


@on_loop
async def test_nothing_is_moved_whatever_a_listener_says(rig: Any) -> None:
    async with Queried(rig) as bridge:
        before = await at_rest(bridge)
        for kind in ("bytes", "text"):
            async with bridge.listen() as ws:
                for body in BODIES:
                    if kind == "bytes":
                        await ws.send_bytes(body)
                    else:
                        await ws.send_str(body.decode("latin-1"))
                await ws.send_json({"COMMAND": "LISTEN", "DATA": "/my/2/level"})
                frame = await ws.receive(timeout=5)
                assert frame.type is aiohttp.WSMsgType.BINARY
        assert levels(bridge) == before
        bridge.say(BUNDLE)
        assert levels(bridge) != before


@on_loop
async def test_health_answers_to_a_name_of_this_machine_alone(rig: Any) -> None:
    async with Queried(rig) as bridge:
        look = bridge.daemon.guard.look
        async with serving.serve(("127.0.0.1", 0), look) as port:
            for host in ("192.0.2.5", "bridge.example", "127.0.0.1.example", ""):
                reader, writer = await asyncio.open_connection("127.0.0.1", port)
                writer.write(f"GET /health HTTP/1.1\r\nHost: {host}\r\n\r\n".encode())
                status = (await reader.readline()).split()[1]
                assert status in (b"421", b"400"), host
                writer.close()

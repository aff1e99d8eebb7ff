"""The live view's port: whoever connects sees the mix and can do nothing else. Real sockets."""

from __future__ import annotations

import asyncio
import contextlib
import io
import json
import socket
from typing import Any

import pytest
from rich.console import Console
from support.onloop import on_loop
from support.queried import RIG, Queried

from bridge import watching
from bridge.errors import LinkError
from bridge.rig.rig import parse_rig
from bridge.view import screen
from bridge.watching import WATCHERS_MAX, pictures, serve
from bridge.wire.framing import SizeFraming, SlipFraming
from bridge.wire.osc import encode

LEVEL = encode("/my/2/level", "f", (0.7,))
Stream = tuple[asyncio.StreamReader, asyncio.StreamWriter]


def free() -> int:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        return int(taken.getsockname()[1])


@pytest.fixture
def port(monkeypatch: pytest.MonkeyPatch) -> int:
    monkeypatch.setattr(watching, "PERIOD_S", 0.01)
    return free()


async def watcher(port: int) -> Stream:
    return await asyncio.open_connection("127.0.0.1", port, limit=4_000_000)


async def shown(stream: Stream) -> dict[str, Any]:
    """The next picture."""
    line = await asyncio.wait_for(stream[0].readline(), 10.0)
    return dict(json.loads(line))


async def ended(stream: Stream) -> bool:
    """Whether the other end hangs up before it has said anything."""
    try:
        return await asyncio.wait_for(stream[0].read(1), 10.0) == b""
    except ConnectionError:
        return True


def rest_of(sleeper: socket.socket) -> bytes:
    """All that a connection still has to say, up to its end."""
    sleeper.settimeout(10.0)
    got = b""
    with contextlib.suppress(ConnectionError):
        while more := sleeper.recv(65_536):
            got += more
    return got


def test_without_a_word_in_the_rig_nobody_can_watch() -> None:
    assert parse_rig(RIG, "house.toml").file.daemon.watch is None


@on_loop
async def test_nothing_that_a_watcher_says_moves_or_ends_anything(port: int) -> None:
    said = (
        LEVEL, SizeFraming().frame(LEVEL), SlipFraming().frame(LEVEL), b"\x00" * 70_000,
        b'["set", 3, 0]\n{"COMMAND": "LISTEN", "DATA": "/"}\n', b"\xff" * 200_000,
        b"POST / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
    )  # fmt: skip
    async with Queried() as bridge, serve(f"tcp://127.0.0.1:{port}", bridge.daemon.picture):
        await bridge.running()
        before = repr(list(bridge.daemon.house.engine.matrix.asked))
        one = await watcher(port)
        await shown(one)
        for data in said:
            one[1].write(data)
            await one[1].drain()
            await shown(one)
        assert (await shown(one))["buses"][0]["sends"][1]["asked"] == -20.0
        assert repr(list(bridge.daemon.house.engine.matrix.asked)) == before
        bridge.say(LEVEL)  # the same words from her controller do move it
        assert repr(list(bridge.daemon.house.engine.matrix.asked)) != before
        one[1].close()


@on_loop
async def test_watchers_are_bounded_and_a_place_is_free_as_soon_as_one_goes(port: int) -> None:
    async with serve(f"tcp://127.0.0.1:{port}", lambda: {"rig": "Ferry Lane"}):
        here = [await watcher(port) for _ in range(WATCHERS_MAX)]
        for one in here:
            assert await shown(one) == {"rig": "Ferry Lane"}
        assert await ended(await watcher(port))
        here.pop()[1].close()
        async with asyncio.timeout(10.0):
            while await ended(late := await watcher(port)):
                await asyncio.sleep(0.01)
        for _, writer in [*here, late]:
            writer.close()


@on_loop
async def test_a_watcher_that_takes_nothing_gives_its_place_up(
    port: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(watching, "TAKEN_S", 0.2)
    monkeypatch.setattr(watching, "WATCHERS_MAX", 1)
    many = {"rig": "x" * 1_000_000}
    async with serve(f"tcp://127.0.0.1:{port}", lambda: many):
        with socket.socket() as sleeper:
            sleeper.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
            sleeper.connect(("127.0.0.1", port))
            async with asyncio.timeout(20.0):
                while await ended(next_one := await watcher(port)):
                    await asyncio.sleep(0.05)
            got = await asyncio.wait_for(asyncio.to_thread(rest_of, sleeper), 20.0)
            assert got.startswith(b'{"rig"') and not got.endswith(b"\n"), "nothing waits for it"
        next_one[1].close()


@on_loop
async def test_a_picture_that_cannot_be_made_keeps_no_place(
    port: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(watching, "WATCHERS_MAX", 1)
    asyncio.get_running_loop().set_exception_handler(lambda loop, context: None)
    faults = [ZeroDivisionError()]

    def picture() -> dict[str, object]:
        if faults:
            raise faults.pop()
        return {"rig": "Ferry Lane"}

    async with serve(f"tcp://127.0.0.1:{port}", picture):
        assert await ended(await watcher(port))
        next_one = await watcher(port)
        assert await shown(next_one) == {"rig": "Ferry Lane"}
        next_one[1].close()


@on_loop
async def test_watching_ends_in_words_when_the_bridge_stops(port: int) -> None:
    there = f"tcp://127.0.0.1:{port}"
    told = pictures(there)
    async with serve(there, lambda: {"rig": "Ferry Lane"}):
        assert await anext(told) == {"rig": "Ferry Lane"}
    with pytest.raises(LinkError, match="watch: the bridge stopped"):
        async for _ in told:
            pass


@on_loop
async def test_a_port_that_is_taken_is_told_with_a_remedy(port: int) -> None:
    async with serve(f"tcp://127.0.0.1:{port}", dict):
        with pytest.raises(LinkError, match=r"daemon\.watch: .* stop what uses this port"):
            async with serve(f"tcp://127.0.0.1:{port}", dict):
                pass


@on_loop
async def test_a_flood_and_what_is_kept_are_in_the_picture_and_on_the_screen() -> None:
    async with Queried() as bridge:
        await bridge.running()
        bridge.daemon.house.controllers.troubled["tablet"] = "says too much"
        picture = json.loads(json.dumps(bridge.daemon.picture(), allow_nan=False))
        assert picture["troubled"] == {"tablet": "says too much"}
        assert picture["memory"] == ["came back cold: no journal is kept"]
        console = Console(file=io.StringIO(), width=120)
        console.print(screen(picture))
        told = console.file.getvalue().splitlines()  # type: ignore[attr-defined]
        assert "tablet: says too much" in [line.strip() for line in told]
        assert told[-1].strip() == "came back cold: no journal is kept"

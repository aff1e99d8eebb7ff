"""Who asks too much, sleeps, or comes from a foreign page: the mix must not notice."""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
import time
from typing import Any

import aiohttp
import pytest
from support.any_rig import HEAD
from support.onloop import on_loop
from support.queried import DISCOVERY, MAPPINGS, RIG, Queried, queried_rig, space_of

from bridge.oscquery import listener, listeners, server
from bridge.oscquery.listener import BAD_MAX, command
from bridge.oscquery.methods import READ
from bridge.oscquery.server import is_ours
from bridge.wire import osc

LEVEL = "/my/2/level"

# -- who may ask --------------------------------------------------------------------------------

NAMES = frozenset(("localhost", "stage", "stage.local"))


@pytest.mark.parametrize(
    "host",
    ["127.0.0.1:8781", "127.0.0.1", "[::1]:8781", "[fd00::2]", "localhost:8781", "Stage.local.:1"],
)
def test_this_machine_is_known_by_numbers_and_its_own_names(host: str) -> None:
    assert is_ours(host, NAMES)


@pytest.mark.parametrize(
    "host", ["", "evil.example", "evil.example:8781", "127.0.0.1.evil.example", "localhost.evil",
             "127.0.0.1:8781@evil.example", "[::1", ":8781", "stage.local:80:80"],
)  # fmt: skip
def test_other_names_are_refused(host: str) -> None:
    assert not is_ours(host, NAMES)


@on_loop
async def test_a_lured_browser_learns_nothing() -> None:
    async with Queried() as bridge:
        assert (await bridge.ask("/", Host="evil.example"))[0] == 421
        assert (await bridge.ask("/", Origin="http://evil.example"))[0] == 403
        for headers in ({"Origin": "http://evil.example"}, {"Host": "evil.example"}):
            with pytest.raises(aiohttp.WSServerHandshakeError):
                await bridge.session.ws_connect(bridge.base, headers=headers)
        assert not bridge.discovery.listeners.all


# -- hostile requests ---------------------------------------------------------------------------


async def raw(port: int, data: bytes) -> bytes:
    """What comes back for raw bytes, up to the end of the connection or a second."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(data)
    got = b""
    try:
        async with asyncio.timeout(1.0):
            while more := await reader.read(65_536):
                got += more
    except (TimeoutError, ConnectionError):
        pass
    writer.close()
    return got


@pytest.mark.parametrize("data", [
    b"\x00" * 4096,
    b"GET / HTTP/9.9\r\n\r\n",
    b"GET /" + b"a" * 20_000 + b" HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
    b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: " + b"a" * 20_000 + b"\r\n\r\n",
    b"GET /%00%ff%2f..%2f.. HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
    b"GET /../../etc/passwd HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
    b"GET //// HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
    b"GET /?" + b"&" * 5000 + b" HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
    b"GET /?%ff=%00 HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
    b"GET / HTTP/1.1\r\n\r\n",
    b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nUpgrade: websocket\r\n\r\n",
    b"POST / HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 99999999999\r\n\r\n",
], ids=range(12))  # fmt: skip
@on_loop
async def test_rubbish_gets_an_error_or_nothing_and_the_next_one_is_answered(data: bytes) -> None:
    async with Queried() as bridge:
        found = await raw(bridge.discovery.port, data)
        assert found[:13] in (b"", b"HTTP/1.1 400 ", b"HTTP/1.0 400 ", b"HTTP/1.1 404 ",
                              b"HTTP/1.1 421 ", b"HTTP/1.1 405 ")  # fmt: skip
        assert (await bridge.ask(LEVEL))[0] == 200


@on_loop
async def test_connections_beyond_the_bound_are_hung_up_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "CONNECTIONS_MAX", 3)
    async with Queried() as bridge:
        open_ones = [await asyncio.open_connection("127.0.0.1", bridge.discovery.port)
                     for _ in range(3)]  # fmt: skip
        await asyncio.sleep(0.05)
        with pytest.raises(aiohttp.ClientError):
            await bridge.ask("/")
        for _, writer in open_ones:
            writer.close()
        await asyncio.sleep(0.1)
        assert (await bridge.ask("/"))[0] == 200


@on_loop
async def test_a_connection_that_never_asks_is_closed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "FIRST_S", 0.1)
    async with Queried() as bridge:
        reader, writer = await asyncio.open_connection("127.0.0.1", bridge.discovery.port)
        writer.write(b"GET / HTTP/1.1\r\nHost: ")
        async with bridge.listen() as ws:
            assert await asyncio.wait_for(reader.read(), 2.0) == b""
            await asyncio.sleep(0.3)
            assert not ws.closed
        writer.close()


BIG = HEAD + "".join(
    f'[[osc]]\nparameter = "{parameter}"\naddress = "/{name}/{{bus}}/{{channel}}"\n{more}\n'
    for parameter, name, more in (
        ("send level", "l", 'law = "page"'), ("send on", "o", 'type = "i"'), ("send pan", "p", ""),
    )
)  # fmt: skip


def big_rig(channels: int, buses: int, tmp: Any) -> Any:
    """A large rig whose panel has every send."""
    (tmp / "big.toml").write_text(BIG)
    text = RIG.replace(f"{MAPPINGS}/engineer-panel.toml", f"{tmp}/big.toml")
    text += "".join(f'[[channel]]\nid = "c{n}"\nconsole = {n}\n' for n in range(3, channels + 1))
    text += "".join(f'[[bus]]\nid = "b{n}"\nconsole = {n}\n' for n in range(3, buses + 1))
    return queried_rig(text=text, discovery=DISCOVERY.replace("tablet", "panel"))


@on_loop
async def test_the_largest_answer_is_made_in_pieces_between_which_the_loop_is_free(
    tmp_path: Any,
) -> None:
    async with Queried(big_rig(24, 16, tmp_path)) as bridge:
        turns, longest, done = 0, 0.0, asyncio.Event()

        async def watch() -> None:
            nonlocal longest, turns
            while not done.is_set():
                began_s = time.thread_time()  # of this thread alone: other programs do not count
                await asyncio.sleep(0)
                longest, turns = max(longest, time.thread_time() - began_s), turns + 1

        status, root = await bridge.ask("/p/1")
        watcher = asyncio.ensure_future(watch())
        async with bridge.session.get(bridge.base + "/") as answer:
            body = await answer.read()
        done.set()
        await watcher
        assert status == 200 and len(root["CONTENTS"]) == 24
        assert len(body) > 150_000 and len(json.loads(body)["CONTENTS"]) == 3
        assert turns > len(bridge.discovery.space.tree.pieces) / server.PIECES_AT_ONCE
        assert longest < 0.1, "a piece takes half a millisecond, a look of the collector more"


def rest_of(sleeper: socket.socket) -> bytes:
    """All that a connection still has to say, up to its end."""
    sleeper.settimeout(5.0)
    got = b""
    with contextlib.suppress(ConnectionError):
        while more := sleeper.recv(65_536):
            got += more
    return got


@on_loop
async def test_who_asks_and_does_not_read_is_given_up_and_uses_up_no_memory(
    tmp_path: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "SEND_S", 0.5)
    monkeypatch.setattr(server, "UNDER_WAY_BYTES_MAX", 500_000)
    async with Queried(big_rig(32, 24, tmp_path)) as bridge:
        sleepers = []
        for _ in range(3):
            sleeper = socket.create_connection(("127.0.0.1", bridge.discovery.port))
            sleeper.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            sleeper.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
            sleepers.append(sleeper)
        assert (await bridge.ask("/l/1/1"))[0] == 200
        await bridge.until(lambda: bridge.discovery.under_way == 0)
        assert (await bridge.ask("/"))[0] == 200
        got = await asyncio.wait_for(asyncio.to_thread(rest_of, sleepers[0]), 10.0)
        assert got.startswith(b"HTTP/1.1 200") and not got.endswith(b"}"), "half, then the end"
        for sleeper in sleepers:
            sleeper.close()


@on_loop
async def test_when_too_much_waits_to_be_taken_the_next_one_is_told_to_come_again() -> None:
    async with Queried() as bridge:
        bridge.discovery.under_way = server.UNDER_WAY_BYTES_MAX
        assert (await bridge.ask("/"))[0] == 503
        bridge.discovery.under_way = 0
        assert (await bridge.ask("/"))[0] == 200


def test_more_addresses_than_can_be_told_are_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    from bridge.oscquery import space

    monkeypatch.setattr(space, "METHODS_MAX", 8)
    with pytest.raises(ValueError, match="more than 8 addresses in Tablet"):
        space_of(queried_rig(), 0)


def test_an_address_that_is_too_deep_is_an_error() -> None:
    text = RIG.replace('hands = "ines"\nmap = "', 'hands = "ines"\nmap = "deep.toml" #')
    deep = HEAD + f'[[osc]]\nparameter = "silence all"\naddress = "{"/a" * 65}"\ntype = "i"\n'
    with pytest.raises(ValueError, match="has 65 parts, at most 64"):
        space_of(queried_rig(text=text), 0, deep=deep)


# -- hostile listeners --------------------------------------------------------------------------

RUBBISH: tuple[str, ...] = (
    "", "{", "null", "[]", '"LISTEN"', "[" * 1000, '{"COMMAND": "LISTEN"}',
    '{"COMMAND": "LISTEN", "DATA": 7}', '{"COMMAND": ["LISTEN"], "DATA": "/my/2/level"}',
    '{"COMMAND": "PATH_CHANGED", "DATA": "/my"}', '{"COMMAND": "LISTEN", "DATA": NaN}',
)  # fmt: skip


@pytest.mark.parametrize("text", RUBBISH, ids=range(len(RUBBISH)))
def test_a_command_that_is_none_means_nothing(text: str) -> None:
    assert command(text) is None


@on_loop
async def test_a_listener_that_talks_rubbish_is_shut_out_and_others_hear_on() -> None:
    async with Queried() as bridge:
        await bridge.running()
        async with bridge.listen() as good, bridge.listen() as bad:
            await good.send_json({"COMMAND": "LISTEN", "DATA": LEVEL})
            await good.receive(timeout=5)
            for n in range(BAD_MAX + 2):
                await bad.send_str(RUBBISH[n % len(RUBBISH)])
            frame = await bad.receive(timeout=5)
            assert frame.type is aiohttp.WSMsgType.CLOSE and bad.close_code == 4400
            bridge.say(osc.encode(LEVEL, "f", [0.2]))
            assert (await good.receive(timeout=5)).type is aiohttp.WSMsgType.BINARY


@on_loop
async def test_a_frame_that_is_too_long_ends_the_connection() -> None:
    async with Queried() as bridge, bridge.listen() as ws:
        await ws.send_str("x" * 5000)
        frame = await ws.receive(timeout=5)
        assert frame.type is aiohttp.WSMsgType.CLOSE and ws.close_code == 1009


@on_loop
async def test_commands_beyond_the_rate_are_not_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(listener, "COMMANDS_AT_ONCE", 5.0)
    monkeypatch.setattr(listener, "COMMANDS_PER_S", 0.001)
    async with Queried() as bridge, bridge.listen() as ws:
        for number in range(8):
            command = "IGNORE" if number % 2 else "LISTEN"
            await ws.send_json({"COMMAND": command, "DATA": LEVEL})
        await bridge.until(lambda: bridge.discovery.listeners.all)
        (one,) = bridge.discovery.listeners.all
        await bridge.until(lambda: one.bad == 3)
        assert len(one.hears) == 1, "the fifth was a LISTEN, and no more were taken"


@on_loop
async def test_a_listener_that_sleeps_is_dropped_and_holds_up_nobody(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(listener, "SEND_S", 0.3)
    monkeypatch.setattr(listener, "KERNEL_BYTES", 4096)
    monkeypatch.setattr(listeners, "HEARTBEAT_S", 60.0)  # which would notice it too, but later
    async with Queried() as bridge:
        await bridge.running()
        sleeper = socket.socket()
        sleeper.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
        sleeper.connect(("127.0.0.1", bridge.discovery.port))
        sleeper.sendall(
            b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
            b"Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\nSec-WebSocket-Version: 13\r\n\r\n"
        )
        everybody = bridge.discovery.listeners
        await bridge.until(lambda: len(everybody.all) == 1)
        (asleep,) = everybody.all
        methods = [node.method for node in bridge.discovery.space.tree.nodes.values()]
        async with bridge.listen() as awake:
            await awake.send_json({"COMMAND": "LISTEN", "DATA": LEVEL})
            await awake.receive(timeout=5)

            def full() -> bool:  # every time it is asked more waits to be sent
                for method in methods:
                    if method is not None and method.access & READ:
                        asleep.show(method)
                return asleep not in everybody.all

            await bridge.until(full, 20.0)
            bridge.say(osc.encode(LEVEL, "f", [0.2]))
            assert (await awake.receive(timeout=5)).type is aiohttp.WSMsgType.BINARY
        sleeper.close()

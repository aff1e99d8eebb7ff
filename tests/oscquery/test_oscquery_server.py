"""OSCQuery over real sockets: answers, listening, and whose road a word takes."""

from __future__ import annotations

import asyncio
from typing import Any

import aiohttp
import pytest
from support.onloop import on_loop
from support.proposal import faults
from support.queried import DISCOVERY, Queried, queried_rig

from bridge.errors import LinkError
from bridge.oscquery import listeners
from bridge.wire import osc
from bridge.wire.osc import OscMessage

LEVEL = "/my/2/level"


async def heard(ws: Any, seconds: float = 5.0) -> OscMessage:
    """The next OSC message of a listener."""
    frame = await ws.receive(timeout=seconds)
    assert frame.type is aiohttp.WSMsgType.BINARY, frame
    (message,) = osc.decode(frame.data)
    return message


async def command(ws: Any, name: str, path: str) -> None:
    await ws.send_json({"COMMAND": name, "DATA": path})


# -- HTTP ---------------------------------------------------------------------------------------


@on_loop
async def test_a_program_that_knows_only_the_port_learns_what_to_send() -> None:
    async with Queried() as bridge:
        await bridge.running()
        status, root = await bridge.ask("/")
        assert status == 200 and faults(root) == []
        level = root["CONTENTS"]["my"]["CONTENTS"]["2"]["CONTENTS"]["level"]
        top = level["RANGE"][0]["MAX"]
        bridge.say(osc.encode(level["FULL_PATH"], level["TYPE"], [top]))
        assert bridge.asked(bridge.send("accordion", "kit")) == pytest.approx(-3.0)  # her ceiling
        assert (await bridge.ask(f"{LEVEL}?VALUE"))[1] == {"VALUE": [pytest.approx(top)]}


@on_loop
async def test_the_value_is_the_mixs_now_whoever_moved_it() -> None:
    async with Queried() as bridge:
        await bridge.running()
        before = (await bridge.ask(f"{LEVEL}?VALUE"))[1]["VALUE"][0]
        bridge.say(osc.encode("/mix/1/of/2/level", "f", [0.1]), number=1)
        after = (await bridge.ask(f"{LEVEL}?VALUE"))[1]["VALUE"][0]
        assert before == pytest.approx(4 / 9) and after == pytest.approx(0.1)


@on_loop
async def test_nothing_is_changed_by_http() -> None:
    async with Queried() as bridge:
        await bridge.running()
        asked = list(bridge.daemon.house.engine.matrix.asked)
        for method in ("POST", "PUT", "PATCH", "DELETE", "OPTIONS"):
            async with bridge.session.request(
                method, f"{bridge.base}{LEVEL}?VALUE", json={"VALUE": [1.0]}
            ) as answer:
                assert answer.status == 405
        assert (await bridge.ask(f"{LEVEL}?VALUE=1.0"))[0] == 200
        assert repr(list(bridge.daemon.house.engine.matrix.asked)) == repr(asked)


@on_loop
async def test_the_kind_of_an_answer_is_json_and_an_empty_one_has_no_body() -> None:
    async with Queried() as bridge:
        async with bridge.session.get(bridge.base + "/") as answer:
            assert answer.headers["Content-Type"] == "application/json"
            assert answer.headers["X-Content-Type-Options"] == "nosniff"
        async with bridge.session.get(bridge.base + "/my?VALUE") as answer:
            assert (answer.status, await answer.read()) == (204, b"")
        assert (await bridge.ask("/my/softer?VALUE"))[0] == 204  # it may be said and not read
        async with bridge.session.head(bridge.base + "/") as answer:
            assert answer.status == 200 and int(answer.headers["Content-Length"]) > 1000
        assert (await bridge.ask("/my/2/level#VALUE"))[1]["TYPE"] == "f"  # no fragment comes here
        assert (await bridge.ask("/my/%32/level"))[1]["FULL_PATH"] == LEVEL


@on_loop
async def test_the_engineers_panel_is_described_with_its_own_address_and_transport() -> None:
    rig = queried_rig(discovery=DISCOVERY.replace("tablet", "panel"))
    async with Queried(rig) as bridge:
        host = (await bridge.ask("/?HOST_INFO"))[1]
        assert (host["OSC_IP"], host["OSC_PORT"], host["OSC_TRANSPORT"]) == (
            "127.0.0.1", 9310, "TCP")  # fmt: skip
        assert (await bridge.ask("/hold/1"))[0] == 200
        assert (await bridge.ask("/mix/2/of/1/level?RANGE"))[1]["RANGE"][0]["MAX"] < 1.0


@on_loop
async def test_a_port_that_is_taken_is_told_with_what_to_do() -> None:
    async with Queried() as bridge:
        taken = DISCOVERY.replace(":0", f":{bridge.discovery.port}")
        with pytest.raises(LinkError, match=r"discovery: 127.0.0.1:\d+: .*; stop what uses this"):
            await Queried(queried_rig(discovery=taken)).__aenter__()


# -- listening ----------------------------------------------------------------------------------


@on_loop
async def test_a_listener_hears_the_value_at_once_and_then_every_change() -> None:
    async with Queried() as bridge:
        await bridge.running()
        async with bridge.listen() as ws:
            await command(ws, "LISTEN", LEVEL)
            assert (await heard(ws)).args == (pytest.approx(4 / 9, abs=1e-6),)
            for level in (0.1, 0.3):
                bridge.say(osc.encode(LEVEL, "f", [level]))
                message = await heard(ws)
                assert (message.address, message.tags) == (LEVEL, "f")
                assert message.args == (pytest.approx(level, abs=1e-6),)


@on_loop
async def test_a_listener_hears_only_the_address_that_it_named() -> None:
    async with Queried() as bridge:
        await bridge.running()
        async with bridge.listen() as ws:
            await command(ws, "LISTEN", "/my")  # a container: nothing is sent to it
            await command(ws, "LISTEN", LEVEL)
            await heard(ws)
            bridge.say(osc.encode("/my/1/level", "f", [0.2]))
            bridge.say(osc.encode("/my/2/on", "i", [0]))
            bridge.say(osc.encode(LEVEL, "f", [0.2]))
            assert (await heard(ws)).address == LEVEL
            with pytest.raises(TimeoutError):
                await heard(ws, 0.3)


@on_loop
async def test_ignore_ends_what_listen_began_and_others_go_on() -> None:
    async with Queried() as bridge:
        await bridge.running()
        async with bridge.listen() as one, bridge.listen() as other:
            for ws in (one, other):
                await command(ws, "LISTEN", LEVEL)
                await heard(ws)
            await command(one, "IGNORE", LEVEL)
            await command(one, "LISTEN", "/my/master")
            assert (await heard(one)).address == "/my/master"
            bridge.say(osc.encode(LEVEL, "f", [0.2]))
            assert (await heard(other)).address == LEVEL
            with pytest.raises(TimeoutError):
                await heard(one, 0.3)


@on_loop
async def test_listening_ends_with_the_connection_and_then_nobody_looks() -> None:
    async with Queried() as bridge:
        await bridge.running()
        everybody = bridge.discovery.listeners
        async with bridge.listen() as ws:
            await command(ws, "LISTEN", LEVEL)
            await heard(ws)
            assert everybody.busy
        await bridge.until(lambda: not everybody.all)
        assert not everybody.busy


@on_loop
async def test_a_change_between_two_looks_is_told_with_its_newest_value_only() -> None:
    async with Queried() as bridge:
        await bridge.running()
        async with bridge.listen() as ws:
            await command(ws, "LISTEN", LEVEL)
            await heard(ws)
            for n in range(500):
                bridge.say(osc.encode(LEVEL, "f", [n / 1000]))
            told = [(await heard(ws)).args[0]]
            with pytest.raises(TimeoutError):
                while True:
                    told.append((await heard(ws, 0.3)).args[0])
            assert len(told) < 20 and told[-1] == pytest.approx(0.499, abs=1e-5)


@on_loop
async def test_osc_by_websocket_moves_nothing() -> None:
    async with Queried() as bridge:
        await bridge.running()
        slot = bridge.send("accordion", "kit")
        before = bridge.asked(slot)
        async with bridge.listen() as ws:
            await ws.send_bytes(osc.encode(LEVEL, "f", [0.7]))
            await command(ws, "LISTEN", LEVEL)
            await heard(ws)
            (one,) = bridge.discovery.listeners.all
            assert one.bad == 1 and bridge.asked(slot) == before


@on_loop
async def test_listeners_beyond_the_bound_are_told_that_they_are_too_many(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(listeners, "LISTENERS_MAX", 1)
    async with Queried() as bridge, bridge.listen() as one:
        async with bridge.listen() as other:
            frame = await other.receive(timeout=5.0)
            assert frame.type is aiohttp.WSMsgType.CLOSE and other.close_code == 4429
        await command(one, "LISTEN", LEVEL)
        await heard(one)


@on_loop
async def test_listeners_are_told_good_bye_when_the_bridge_stops() -> None:
    bridge = Queried()
    await bridge.__aenter__()
    async with aiohttp.ClientSession() as session:
        async with session.ws_connect(bridge.base) as ws:
            stopping = asyncio.ensure_future(bridge.__aexit__(None, None, None))
            frame = await ws.receive(timeout=5.0)
            assert frame.type is aiohttp.WSMsgType.CLOSE and ws.close_code == 1001
        await stopping

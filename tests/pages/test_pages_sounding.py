"""A soundcheck from the engineer's page: its words, its end, and that nobody leaves it rising."""

from __future__ import annotations

import asyncio
import math
from pathlib import Path

from support.onloop import on_loop
from support.paged import DEMO, Browser, Page, Paged, paged_rig

from bridge.pages.sounding import HERE_S
from bridge.rig.layout import Parameter
from bridge.soundcheck.marks_file import marks_path
from bridge.soundcheck.rise import START_DB

QUICK = DEMO.replace("rise_db_per_s = 12", "rise_db_per_s = 40").replace(
    "step_db = 1", "step_db = 3"
)


async def state(desk: Page, wanted: str, seconds: float = 15.0) -> None:
    """Wait until the soundcheck stands somewhere."""
    try:
        await desk.until(lambda v: (v.get("sound") or {}).get("state") == wanted, seconds)
    except TimeoutError:
        raise AssertionError(f"{desk.values.get('sound')}, {desk.values['soundlines']}") from None


@on_loop
async def test_a_soundcheck_goes_from_the_page_and_a_ring_is_marked_in_the_file(
    tmp_path: Path,
) -> None:
    async with Paged(paged_rig(tmp_path, text=QUICK)) as bridge, Browser(bridge) as laptop:
        await bridge.running()
        await laptop.sign_in()
        async with laptop.page("desk") as desk:
            await desk.until(lambda v: v.get("ready") == 1 and "sound" in v)
            assert desk.plan["sounds"] and desk.values["sound"] is None
            await desk.say("sound", "go")
            await desk.until(lambda v: v.get("refused") == [1, "no soundcheck has been begun"])
            await desk.say("sound", "begin")
            await state(desk, "choosing a mix")
            assert "go" in desk.values["sound"]["words"]
            await desk.say("sound", "go")
            await state(desk, "ready to raise")
            assert desk.values["frozen"] == [1, 1, 1], "performers wait"
            await desk.say("sound", "go")
            await state(desk, "rising")
            alive = asyncio.get_running_loop().create_task(_listen(desk))
            # a mark is the level of half a second ago, so it has to be up for longer
            await desk.until(lambda v: (v["sound"]["level"] or -99.0) > START_DB + 1.0)
            alive.cancel()
            await desk.say("sound", "ring 2500")
            await state(desk, "rang")
            marks = marks_path(bridge.rig)
            await bridge.until(lambda: marks.exists() and "2500" in marks.read_text())
            await desk.say("sound", "quit")
            await state(desk, "leaving")
            await desk.say("sound", "restore")
            await desk.until(lambda v: v["sound"] is None, 20.0)
            await desk.until(lambda v: v["frozen"] == [0, 0, 0])
            assert desk.values["soundlines"][-1] == "The soundcheck has ended."


async def _listen(desk: Page) -> None:
    while True:
        await desk.say("here")
        await asyncio.sleep(0.3)


@on_loop
async def test_what_rises_goes_off_when_the_page_that_listened_is_gone(tmp_path: Path) -> None:
    async with Paged(paged_rig(tmp_path, text=QUICK)) as bridge, Browser(bridge) as laptop:
        await bridge.running()
        await laptop.sign_in()
        async with laptop.page("desk") as desk:
            await desk.until(lambda v: v.get("ready") == 1)
            await desk.say("sound", "begin")
            await state(desk, "choosing a mix")
            await desk.say("sound", "go")
            await state(desk, "ready to raise")
            await desk.say("sound", "go")
            await state(desk, "rising")
            pair = desk.values["sound"]["pair"]
        loop, began_s = asyncio.get_running_loop(), asyncio.get_running_loop().time()
        procedure = bridge.pages.show._sounding._session.procedure
        await bridge.until(lambda: procedure.state == "ready to raise")
        assert HERE_S - 1.0 <= loop.time() - began_s <= HERE_S + 1.0
        async with laptop.page("desk") as desk:
            await state(desk, "ready to raise")
            assert desk.values["sound"]["pair"] == pair and desk.values["sound"]["level"] is None
            assert any("nobody was there" in line for line in desk.values["soundlines"])


@on_loop
async def test_a_bridge_that_stops_takes_a_soundcheck_down_first(tmp_path: Path) -> None:
    async with Paged(paged_rig(tmp_path, text=QUICK)) as bridge, Browser(bridge) as laptop:
        await bridge.running()
        await laptop.sign_in()
        async with laptop.page("desk") as desk:
            await desk.until(lambda v: v.get("ready") == 1)
            await desk.say("sound", "begin")
            await state(desk, "choosing a mix")
            await desk.say("sound", "go")
            await state(desk, "ready to raise")
            await desk.say("sound", "go")
            await state(desk, "rising")
            await bridge.pages.show.close()
        assert bridge.engine.matrix.asked[bridge.slot(Parameter.SILENCE)] == 1.0
        matrix = bridge.engine.matrix
        for bus in bridge.rig.layout.buses:
            slot = bridge.slot(Parameter.BUS_MASTER, bus=bus)
            assert matrix.told[slot] == -math.inf
            assert matrix.settled[slot], "the console is known to have it"
        await bridge.until(bridge.daemon.house.rests)


@on_loop
async def test_a_performers_page_has_no_word_of_a_soundcheck(tmp_path: Path) -> None:
    async with Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as phone:
        await bridge.running()
        await phone.join("ines")
        async with phone.page() as page:
            await page.say("sound", "begin")
            await page.until(lambda v: v.get("refused") == [1, "only the engineer may do this"])
            assert "sound" not in page.values and bridge.pages.show._sounding.picture() is None


@on_loop
async def test_without_a_stage_there_is_no_soundcheck(tmp_path: Path) -> None:
    bare = DEMO.split("# -- the stage")[0]
    async with Paged(paged_rig(tmp_path, text=bare)) as bridge, Browser(bridge) as laptop:
        await laptop.sign_in()
        async with laptop.page("desk") as desk:
            await desk.say("sound", "begin")
            await desk.until(lambda v: v.get("refused") == [1, "this page has no such word"])
            assert not desk.plan["sounds"]

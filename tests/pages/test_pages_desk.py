"""The engineer's page over real sockets: people, limits, silence, what is shown of the house."""

from __future__ import annotations

import math
from pathlib import Path

from support.onloop import on_loop
from support.paged import DEMO, Browser, Paged, paged_rig

from bridge.rig.layout import Parameter
from bridge.stage.rings import RingMark

OFF = -math.inf


@on_loop
async def test_two_people_on_one_control_see_each_other(tmp_path: Path) -> None:
    async with (
        Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as phone, Browser(bridge) as laptop
    ):  # fmt: skip
        await bridge.running()
        await phone.join("ines")
        assert await laptop.sign_in() == 200
        slot = bridge.send("voice", "kit")
        async with phone.page() as page, laptop.page("desk") as desk:
            await desk.until(lambda v: v.get("ready") == 1)
            await page.say("grip", slot)
            await desk.until(lambda v: v.get(f"h{slot}") == [["Ines", "page 1"]])
            await desk.say("set", slot, -8)
            await page.until(lambda v: ["Ruth", "page 2"] in v.get(f"h{slot}", []))
            await page.say("grip", None)
            await desk.until(lambda v: ["Ines", "page 1"] not in v[f"h{slot}"])


@on_loop
async def test_the_finger_of_a_page_that_went_away_is_gone(tmp_path: Path) -> None:
    async with (
        Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as phone, Browser(bridge) as laptop
    ):  # fmt: skip
        await bridge.running()
        await phone.join("ines")
        await laptop.sign_in()
        slot = bridge.send("voice", "kit")
        async with laptop.page("desk") as desk:
            async with phone.page() as page:
                await page.say("grip", slot)
                await desk.until(lambda v: v.get(f"h{slot}"))
            await desk.until(lambda v: v[f"h{slot}"] == [])


@on_loop
async def test_an_ask_reaches_the_engineer_and_one_touch_answers_it(tmp_path: Path) -> None:
    async with (
        Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as phone, Browser(bridge) as laptop
    ):  # fmt: skip
        await bridge.running()
        await phone.join("maud")
        await laptop.sign_in()
        slot = bridge.send("voice", "front")
        async with phone.page() as page, laptop.page("desk") as desk:
            await page.say("set", bridge.slot(Parameter.ASK, "voice", "front"), 1)
            await desk.until(lambda v: v.get("asks"))
            assert desk.values["asks"][0][1:] == ["Maud", "Voice", "Maud", slot]
            await page.until(lambda v: v.get("asked") == [slot])
            await desk.say("answer", desk.values["asks"][0][0], 1)
            await page.until(lambda v: v["answer"] == [1, "Ruth gave you more Voice"])
            await page.until(lambda v: v["asked"] == [])
            assert bridge.asked(slot) == -9.0
            await page.say("set", bridge.slot(Parameter.ASK, "bass", "front"), 1)
            await desk.until(lambda v: len(v["asks"]) == 1 and v["asks"][0][2] == "Double bass")
            await desk.say("answer", desk.values["asks"][0][0], 0)
            await page.until(lambda v: v["answer"] == [2, "Ruth: not now (Double bass)"])
            assert bridge.asked(bridge.send("bass", "front")) == OFF


@on_loop
async def test_the_engineer_silences_freezes_takes_over_and_limits(tmp_path: Path) -> None:
    async with (
        Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as phone, Browser(bridge) as laptop
    ):  # fmt: skip
        await bridge.running()
        await phone.join("ines")
        await laptop.sign_in()
        slot, silence = bridge.send("voice", "kit"), bridge.slot(Parameter.SILENCE)
        async with phone.page() as page, laptop.page("desk") as desk:
            await desk.say("set", silence, 1)
            await page.until(lambda v: v.get("b0") == "silenced" and v[str(silence)] == 1)
            await desk.say("set", silence, 0)
            await desk.say("set", bridge.slot(Parameter.FREEZE), 1)
            await page.until(lambda v: v.get("frozen") == 1)
            await page.say("set", slot, -30)
            await page.until(lambda v: f"s{slot}" in v)
            assert page.values[f"s{slot}"][1:] == [
                "refused", "the engineer has frozen the mixes"]  # fmt: skip
            await desk.say("set", bridge.slot(Parameter.FREEZE), 0)
            await desk.say("limit", slot, -26, None)
            await page.until(lambda v: v[str(slot)][2:] == [-26.0, "engineer ceiling"], 8.0)
            await desk.say("limit", slot, None, None)
            await page.until(lambda v: v[str(slot)][2:] == [-3.0, "own ceiling"])


@on_loop
async def test_the_ceiling_of_the_stage_stands_at_the_source_with_its_rule(tmp_path: Path) -> None:
    async with (
        Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as phone, Browser(bridge) as laptop
    ):  # fmt: skip
        await bridge.running()
        await phone.join("maud")
        await laptop.sign_in()
        # Voice alone in Maud's wedge rang at -20 dB: with a margin of 6 dB its limit is near -26.
        mark = RingMark(channel=4, bus=1, effective_db=-20.0)
        bridge.engine.stage.use_marks((mark,))
        slot, master = bridge.send("accordion", "front"), bridge.slot(
            Parameter.BUS_MASTER, "", "front")  # fmt: skip
        async with phone.page() as page, laptop.page("desk") as desk:
            await desk.until(lambda v: v.get("stage"))
            await page.until(lambda v: v.get(str(master), [0, 0, 0, ""])[3] == "feedback")
            top = page.values[str(master)][2]
            goals = bridge.engine.stage.goals
            want = float(goals.map().masters[1])
            assert want - 0.11 <= top <= want, "rounded down, never up"
            assert page.plan["why"]["feedback"] == "the feedback limit"
            assert str(slot) in page.values


@on_loop
async def test_the_engineers_page_shows_ears_links_and_verdicts(tmp_path: Path) -> None:
    async with Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as laptop:
        await bridge.running()
        await laptop.sign_in()
        async with laptop.page("desk") as desk:
            await desk.until(lambda v: "ears" in v and "links" in v)
            assert [ear["name"] for ear in desk.values["ears"]] == ["Ines", "Maud", "Tomas"]
            assert not desk.values["ears"][0]["measured"]
            assert desk.values["links"][0][1] == "open"
            assert isinstance(desk.values["ails"], list)
            await desk.say("set", bridge.send("voice", "front"), 15)
            await desk.until(lambda v: v["last"])
            assert desk.values["last"][0][:2] == ["page 1", "limited"]
            assert "the limit of this mix is 0.0 dB" in desk.values["last"][0][2]
            who = bridge.rig.layout.performers.index("ines")
            meter = bridge.rig.layout.slot(Parameter.SOUND_LEVEL, who)
            bridge.wish(meter, 91.0)
            await desk.until(lambda v: v["ears"][0]["measured"] and v["ears"][0]["level"] == 91.0)


@on_loop
async def test_a_limit_for_one_performer_binds_that_one_alone_and_is_shown_with_the_name(
    tmp_path: Path,
) -> None:
    text = DEMO.replace('buses = ["front"]', 'buses = ["front", "kit"]', 1)
    async with (
        Paged(paged_rig(tmp_path, text=text)) as bridge, Browser(bridge) as phone,
        Browser(bridge) as other, Browser(bridge) as laptop,
    ):  # fmt: skip
        await bridge.running()
        await phone.join("ines")
        await other.join("maud")
        await laptop.sign_in()
        slot = bridge.send("voice", "kit")
        async with phone.page() as ines, other.page() as maud, laptop.page("desk") as desk:
            await desk.until(lambda v: v.get("limits") == [])
            await desk.say("limit", slot, -21, 0)
            await desk.until(lambda v: v["limits"] == [[slot, 0, -21.0]])
            await ines.until(lambda v: v.get(str(slot), [0, 0, 0])[2] == -21.0, 8.0)
            await maud.until(lambda v: v.get(str(slot), [0, 0, 0])[2] == -6.0)
            await ines.say("set", slot, -10)
            await ines.until(lambda v: f"s{slot}" in v)
            assert bridge.asked(slot) == -21.0
            await maud.say("set", slot, -10)
            await maud.until(lambda v: v[str(slot)][0] == -10.0)
            await desk.say("limit", slot, None, 0)
            await desk.until(lambda v: v["limits"] == [])
            await ines.until(lambda v: v[str(slot)][2] == -3.0)
            for said in (["limit", slot, -20, 9], ["limit", bridge.slot(Parameter.SILENCE), 0, 0]):
                count = desk.values.get("refused", [0])[0]
                await desk.say(*said)
                await desk.until(lambda v, n=count: v.get("refused", [0])[0] == n + 1)


@on_loop
async def test_what_is_not_well_stands_on_the_page_in_words_and_goes_again(tmp_path: Path) -> None:
    async with Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as laptop:
        await bridge.running()
        await laptop.sign_in()
        async with laptop.page("desk") as desk:
            await desk.until(lambda v: "ails" in v)
            bridge.daemon.house.controllers.troubled["ines-tablet"] = "says too much"
            await desk.until(lambda v: any("ines-tablet" in words for words in v["ails"]))
            bridge.daemon.house.controllers.troubled.clear()
            await desk.until(lambda v: not any("ines-tablet" in words for words in v["ails"]))


@on_loop
async def test_how_the_bridge_came_back_and_what_is_kept_stand_on_the_page(tmp_path: Path) -> None:
    async with Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as laptop:
        await bridge.running()
        await laptop.sign_in()
        async with laptop.page("desk") as desk:
            await desk.until(lambda v: v.get("memory") == ["came back cold: no journal is kept"])
            house = bridge.daemon.house
            house.journal.state = lambda: {"levels": "the disk is full"}  # type: ignore[method-assign]
            await desk.until(lambda v: v["memory"][1:] == ["journal of levels: the disk is full"])

"""Learning a control on the engineer's page of a running bridge: it teaches, and does not mix."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest
from support.onloop import on_loop
from support.paged import MAPPINGS, Browser, Page, Paged, paged_rig

from bridge.maps.load import parse_map
from bridge.rig.layout import Parameter
from bridge.rig.rig import Rig
from bridge.wire import osc


def rig_of(folder: Path) -> Rig:
    """The demo's rig, with maps that may be written."""
    rig = paged_rig(folder / "rigs")
    (folder / "rigs").mkdir()
    for path in MAPPINGS.glob("*.toml"):
        shutil.copy(path, folder / path.name)
    return rig


def number_of(bridge: Paged, hands: str) -> int:
    """The controller of somebody."""
    return [one.hands for one in bridge.rig.file.controller].index(hands)


async def pick(page: Page, word: str) -> None:
    """Choose an answer by what stands on its button."""
    await page.until(lambda v: any(a[0].startswith(word) for a in v["learn"].get("answers", [])))
    at = [a[0].startswith(word) for a in page.values["learn"]["answers"]].index(True)
    await page.say("learn", "pick", at, None)
    old = page.values["learn"]
    await page.until(lambda v: v["learn"] != old and not v["learn"].get("busy"))


def says(bridge: Paged, number: int, datas: list[bytes]) -> None:
    """A controller says something."""
    bridge.daemon._heard(number, [(data, ("192.0.2.9", 1)) for data in datas])


@on_loop
async def test_a_control_is_learned_while_the_bridge_runs_and_works_at_once(
    tmp_path: Path,
) -> None:
    async with Paged(rig_of(tmp_path)) as bridge, Browser(bridge) as browser:
        await bridge.running()
        assert await browser.sign_in() == 200
        number = number_of(bridge, "ines")
        slot = bridge.slot(Parameter.BUS_DIM, bus="kit")
        button = [osc.encode("/new/dim", "i", (state,)) for state in (1, 0)]
        async with browser.page("desk") as page:
            await page.until(lambda v: v.get("ready") == 1)
            assert page.plan["learns"][number][1] == "Ines"
            await page.say("learn", "begin", number, None)
            await page.until(lambda v: v["learn"].get("step") == "watching")
            for _ in range(3):
                says(bridge, number, button)
            assert bridge.asked(slot) == 0.0
            await page.until(lambda v: v["learn"].get("heard", 0) >= 6)
            await page.say("learn", "still", None, None)
            await page.until(lambda v: v["learn"].get("found") and not v["learn"].get("busy"))
            if page.values["learn"]["step"] == "watching":
                await page.say("learn", "is", 0, None)
                await page.until(lambda v: v["learn"].get("question"))
            await pick(page, "bus dim")
            if page.values["learn"]["question"]:
                await pick(page, "toggle")
            await page.until(lambda v: v["learn"].get("complete"))
            await page.say("learn", "write", None, None)
            await page.until(lambda v: v["learn"].get("step") == "done")
            says(bridge, number, button)
            assert bridge.asked(slot) == 0.0, "it is still learned at"
            await page.say("learn", "end", None, None)
            await page.until(lambda v: not v["learn"].get("controller"))
            says(bridge, number, button)
            assert bridge.asked(slot) == 1.0
        name = bridge.rig.file.controller[number].map
        text = (tmp_path / "rigs" / name).read_text()
        assert parse_map(text, name).osc[-1].address == "/new/dim"


@on_loop
async def test_silence_works_at_a_controller_that_is_learned_at(tmp_path: Path) -> None:
    async with Paged(rig_of(tmp_path)) as bridge, Browser(bridge) as browser:
        await bridge.running()
        assert await browser.sign_in() == 200
        number = number_of(bridge, "engineer")
        silence = bridge.engine.matrix.silence
        async with browser.page("desk") as page:
            await page.until(lambda v: v.get("ready") == 1)
            await page.say("learn", "begin", number, None)
            await page.until(lambda v: v["learn"].get("step") == "watching")
            says(bridge, number, [osc.encode("/quiet", "i", (1,))])
            assert bridge.asked(silence) == 1.0


@on_loop
async def test_what_is_learned_at_is_not_said_to_mean_nothing(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    async with Paged(rig_of(tmp_path)) as bridge, Browser(bridge) as browser:
        await bridge.running()
        assert await browser.sign_in() == 200
        number = number_of(bridge, "ines")
        name = bridge.rig.file.controller[number].id
        new = [osc.encode("/new/dim", "i", (state,)) for state in (1, 0)]
        async with browser.page("desk") as page:
            await page.until(lambda v: v.get("ready") == 1)
            await page.say("learn", "begin", number, None)
            await page.until(lambda v: v["learn"].get("step") == "watching")
            says(bridge, number, new)
            await page.until(lambda v: v["learn"].get("heard", 0) >= 2)
            bridge.daemon._telling.look(bridge.daemon.house)
            assert bridge.daemon.picture()["unknown"] == {}
            await page.say("learn", "end", None, None)
            await page.until(lambda v: not v["learn"].get("controller"))
        assert "means nothing" not in caplog.text
        says(bridge, number, new)
        bridge.daemon._telling.look(bridge.daemon.house)
        assert bridge.daemon.picture()["unknown"] == {name: [2, "/new/dim ,i"]}
        assert f"{name}: /new/dim ,i means nothing in" in caplog.text


@on_loop
async def test_a_performer_cannot_learn(tmp_path: Path) -> None:
    async with Paged(rig_of(tmp_path)) as bridge, Browser(bridge) as browser:
        await bridge.running()
        await browser.join("ines")
        async with browser.page() as page:
            await page.until(lambda v: v.get("ready") == 1)
            await page.say("learn", "begin", 0, None)

            def refused(values: dict[str, Any]) -> bool:
                return "refused" in values and values["refused"][1] != ""

            await page.until(refused)
            assert "only the engineer" in page.values["refused"][1]
            assert "learn" not in page.values and page.plan.get("learns", []) == []
            assert not any(one.taught for one in bridge.daemon.house.controllers.all)

"""Presets on pages: whose they are, what a recall says, what is kept, what Undo takes back."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from support.onloop import on_loop
from support.paged import DEMO, Browser, Paged, paged_rig

from bridge.pages.shelf import BUSY, WAITING_MAX, name_of
from bridge.rig.rig import Rig

ORDER = DEMO + '\n[presets]\norder = ["reel"]\n'
ROOM = DEMO + '\n[room]\npresets = ["reel", "waltz"]\nhands = ["ines"]\n'
REEL = """
label = "The reel"
note = "more accordion"
by = "Ruth"
when = 2025-03-01
[scope]
buses = ["kit", "front"]
[bus.kit.send]
accordion = { level_db = -10.0 }
voice = { level_db = 0.0 }
[bus.front.send]
bass = { level_db = -30.0 }
"""
WALTZ = (
    'by = "Ruth"\nwhen = 2025-03-01\nscope = { buses = ["left"] }\n[bus.left]\nmaster_db = -20\n'
)
FILES = {"reel": REEL, "waltz": WALTZ, "torn": "label = "}


def rig_in(folder: Path, text: str = ORDER) -> Rig:
    """A rig with three preset files, one of them damaged."""
    shelf = folder / "ferry-lane.presets"
    shelf.mkdir()
    for name, said in FILES.items():
        (shelf / f"{name}.toml").write_text(said, encoding="utf-8")
    return paged_rig(folder, text=text)


def names(values: dict[str, Any]) -> list[str]:
    """Names of the presets that a page shows."""
    return [row["name"] for row in values.get("presets", [])]


@on_loop
async def test_a_performer_sees_what_moves_the_own_mix_and_a_recall_moves_nothing_else(
    tmp_path: Path,
) -> None:
    async with Paged(rig_in(tmp_path)) as bridge, Browser(bridge) as phone:
        await bridge.running()
        await phone.join("ines")
        voice, accordion = bridge.send("voice", "kit"), bridge.send("accordion", "kit")
        foreign = bridge.send("bass", "front")
        async with phone.page() as page:
            await page.say("presets")
            await page.until(lambda v: names(v) == ["reel"])
            assert page.values["presets"][0]["note"] == "more accordion"
            await page.say("recall", "reel")
            await page.until(lambda v: "report" in v and v[str(accordion)][0] == -10.0)
            said = page.values["report"][1]
            assert "2 changed" in said and "not Ines's to move" in said
            assert "your limit is -3.0 dB" in said, "no recall passes a ceiling"
            assert bridge.asked(voice) == -3.0 and bridge.asked(foreign) != -30.0
            await page.until(lambda v: v["undo"] == "preset The reel")
            await page.say("set", accordion, -22)
            await page.say("undo")
            await page.until(lambda v: v["undo"] == "preset The reel")
            await page.say("undo")
            await page.until(lambda v: v[str(voice)][0] == -20.0 and v["undo"] == "")


@on_loop
async def test_what_was_moved_after_a_recall_stays_when_the_recall_is_taken_back(
    tmp_path: Path,
) -> None:
    async with Paged(rig_in(tmp_path)) as bridge, Browser(bridge) as phone:
        await bridge.running()
        await phone.join("ines")
        voice, accordion = bridge.send("voice", "kit"), bridge.send("accordion", "kit")
        async with phone.page() as page:
            await page.say("recall", "reel")
            await page.until(lambda v: v.get("undo") == "preset The reel")
            bridge.wish(voice, -11.0)
            await page.say("undo")
            await page.until(lambda v: v["undo"] == "" and v[str(accordion)][0] is None)
            assert bridge.asked(voice) == -11.0


@on_loop
async def test_the_engineer_lists_compares_recalls_and_copies(tmp_path: Path) -> None:
    async with Paged(rig_in(tmp_path)) as bridge, Browser(bridge) as laptop:
        await bridge.running()
        await laptop.sign_in()
        accordion = bridge.send("accordion", "left")
        async with laptop.page("desk") as desk:
            await desk.say("presets")
            await desk.until(lambda v: names(v) == ["reel", "torn", "waltz"])
            assert desk.values["presets"][1]["fault"], "a damaged one is named as such"
            await desk.say("compare", "waltz")
            await desk.until(lambda v: "compare" in v)
            assert (
                desk.values["compare"]["rows"] == [["master of Tomas and Bela", "-20.0 dB", "off"]]
                or desk.values["compare"]["rows"][0][1] == "-20.0 dB"
            )
            await desk.say("recall", "reel")
            await desk.until(lambda v: v.get("preset") == "reel")
            await desk.until(lambda v: v.get("report", [0])[0] == 1)
            await desk.say("copy", 0, 2)
            await desk.until(lambda v: v["report"][0] == 2 and v[str(accordion)][0] == -10.0)
            await desk.say("undo")
            await desk.until(lambda v: v[str(accordion)][0] is None)
            await desk.say("copy", 0, 9)
            await desk.until(lambda v: v["report"] == [3, "there is no such mix"])
            await desk.say("recall", "../reel")
            await desk.until(lambda v: v["report"] == [4, "there is no such preset"])
            await desk.say("recall", "nowhere")
            await desk.until(lambda v: v["report"][0] == 5 and "nowhere" in v["report"][1])


@on_loop
async def test_a_mix_is_kept_and_replaced_only_when_the_page_says_so(tmp_path: Path) -> None:
    async with (
        Paged(rig_in(tmp_path)) as bridge, Browser(bridge) as phone, Browser(bridge) as laptop
    ):  # fmt: skip
        await bridge.running()
        await phone.join("maud")
        await laptop.sign_in()
        path = tmp_path / "ferry-lane.presets" / "second-set.toml"
        async with phone.page() as page, laptop.page("desk") as desk:
            await desk.say("presets")
            await desk.until(lambda v: names(v))
            await page.say("store", 0, " Second set! ")
            await page.until(lambda v: v.get("kept") == [1, "Second set!", 0])
            first = path.read_text(encoding="utf-8")
            assert 'by = "Maud"' in first and "[bus.front" in first and "kit" not in first
            await desk.until(lambda v: "second-set" in names(v))
            bridge.wish(bridge.send("voice", "front"), -33.0)
            await page.say("store", 0, "second set")
            await page.until(lambda v: v.get("kept") == [2, "second set", 1])
            assert path.read_text(encoding="utf-8") == first
            await page.say("store", 1, "second set")
            await page.until(lambda v: v.get("kept") == [3, "second set", 0])
            assert "-33" in path.read_text(encoding="utf-8")
            await page.say("store", 1, "reel")
            await page.until(lambda v: "report" in v)
            assert "somebody else's too" in page.values["report"][1]
            assert (path.parent / "reel.toml").read_text(encoding="utf-8") == REEL


@on_loop
async def test_in_a_room_only_declared_hands_are_offered_presets_and_nobody_keeps_any(
    tmp_path: Path,
) -> None:
    async with (
        Paged(rig_in(tmp_path, ROOM)) as bridge, Browser(bridge) as one, Browser(bridge) as other
    ):  # fmt: skip
        await bridge.running()
        await one.join("ines")
        await other.join("maud")
        room = bridge.daemon.presets.running.room
        await bridge.until(lambda: room.current == "reel")
        async with one.page() as page, other.page() as without:
            await page.say("presets")
            await page.until(lambda v: names(v) == ["reel", "waltz"])
            assert page.plan["presets"] and not page.plan["keeps"]
            await without.say("presets")
            await without.until(lambda v: v.get("presets") == [])
            await without.say("recall", "waltz")
            await without.until(lambda v: "does not let these hands" in v.get("report", [0, ""])[1])
            await page.say("store", 0, "mine")
            await page.until(lambda v: "report" in v)
            assert "this room keeps to its presets" in page.values["report"][1]
            await page.say("recall", "waltz")
            await page.until(lambda v: v.get("preset") == "waltz")
            assert page.values["undo"] == "", "a room's recall is the room's"
            await without.until(lambda v: v.get("preset") == "waltz")


@on_loop
async def test_what_a_page_wants_of_presets_is_done_in_order_and_bounded(tmp_path: Path) -> None:
    async with Paged(rig_in(tmp_path)) as bridge, Browser(bridge) as laptop:
        await bridge.running()
        await laptop.sign_in()
        async with laptop.page("desk") as desk:
            await desk.say("store", 0, "One")
            await desk.say("presets")
            await desk.until(lambda v: "one" in names(v))
            for _ in range(WAITING_MAX + 20):
                await desk.say("compare", "reel")
            await desk.until(lambda v: BUSY in v.get("refused", []))
            await desk.until(lambda v: v["compare"]["count"] >= WAITING_MAX)
            shelf = bridge.pages.show._shelf
            await bridge.until(lambda: not shelf._doing and not shelf._waiting)


@on_loop
async def test_without_presets_the_page_says_so_and_offers_none(tmp_path: Path) -> None:
    async with Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as phone:
        bridge.daemon.presets = None
        await phone.join("ines")
        async with phone.page() as page:
            await page.say("recall", "reel")
            await page.until(lambda v: v.get("refused") == [1, "this rig has no presets"])
            assert not page.plan["presets"] and not page.plan["keeps"]


@pytest.mark.parametrize(
    ("label", "name"),
    [
        ("Second set!", "second-set"), ("Über  the sea", "uber-the-sea"), ("-- a --", "a"),
        ("x" * 60, "x" * 40), ("../etc/passwd", "etc-passwd"),
    ],
)  # fmt: skip
def test_a_label_becomes_a_name_that_is_safe_as_a_file(label: str, name: str) -> None:
    assert name_of(label) == name


def test_a_label_without_any_latin_letter_gets_a_name_by_the_calendar() -> None:
    assert name_of("第二部").startswith("mix-")

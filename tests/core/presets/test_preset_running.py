"""Presets of a running bridge: recalls, undo, copies, stores, cues, and the room at work."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from pathlib import Path
from typing import Any, TypeVar

import pytest
from preset_house import INES, MAUD, QUIET, REEL, RUTH, RunningHouse

from bridge.presets import room, running
from bridge.presets.preset import PresetError
from bridge.presets.serving import LOOK_S, Serving
from bridge.presets.values import Wanted
from bridge.rig.layout import Parameter
from bridge.simulator import clock
from bridge.units import OFF

T = TypeVar("T")
ORDER = '[presets]\norder = ["quiet", "reel"]\nshow_control = 1\n'
ROOM = """
[room]
presets = ["quiet", "reel"]
window_db = 4
idle_min = 1
"""


def wait(what: Coroutine[Any, Any, T]) -> T:
    return asyncio.run(what)


def both(folder: Path, more: str = ORDER, **about: Any) -> RunningHouse:
    here = RunningHouse(folder, more, **about)
    here.write("quiet", QUIET)
    here.write("reel", REEL)
    return here


def test_a_recall_is_reported_to_whoever_asked_and_to_the_log(tmp_path: Path) -> None:
    here = both(tmp_path)
    report = wait(here.presets.recall("quiet", RUTH))
    assert report.whole and here.told == ["Ruth: quiet: 6 changed, 0 there already"]
    assert here.presets.current == "quiet" and here.stood == ["quiet"]
    assert here.asked(here.house.send("kick", "kit")) == -30.0


def test_every_change_takes_the_road_of_all_wishes(tmp_path: Path) -> None:
    here = both(tmp_path)
    report = wait(here.presets.recall("quiet", INES))
    seen = [(name, v.who, v.slot) for _, name, v in here.controllers.verdicts]
    assert {(name, who) for name, who, _ in seen} == {("preset", INES)}
    assert {change.slot for change in report.changes} <= {slot for _, _, slot in seen}


def test_a_long_recall_lets_others_in_between(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(running, "WISHES_AT_ONCE", 1)
    here = both(tmp_path)
    turns = []

    async def other() -> None:
        while not here.told:
            turns.append(here.batches)
            await asyncio.sleep(0)

    async def main() -> None:
        await asyncio.gather(here.presets.recall("quiet", RUTH), other())

    wait(main())
    assert len(set(turns)) > 4


@pytest.mark.parametrize(
    ("name", "said"),
    [("none", "No such file"), ("../ferry", "a name of 1 to 40"), ("x/y", "a name of 1 to 40"),
     ("bad", "bad.toml:1: found"), ("", "a name of 1 to 40")],
)  # fmt: skip
def test_what_cannot_be_recalled_changes_nothing_and_says_why(
    tmp_path: Path, name: str, said: str
) -> None:
    here = both(tmp_path)
    here.write("bad", "[scope")
    before = list(map(repr, here.engine.matrix.asked))
    report = wait(here.presets.recall(name, RUTH))
    assert said in report.refusal and not report.whole
    assert list(map(repr, here.engine.matrix.asked)) == before and here.presets.current == ""


def test_a_preset_of_another_rig_is_refused_whole(tmp_path: Path) -> None:
    here = both(tmp_path)
    here.write("reel", REEL.replace("bass =", "flute ="))
    before = list(map(repr, here.engine.matrix.asked))
    report = wait(here.presets.recall("reel", RUTH))
    assert "found 'flute', expected one of accordion, bass, kick, voice" in report.refusal
    assert list(map(repr, here.engine.matrix.asked)) == before


def test_the_engineer_undoes_the_last_recall_of_all_and_performers_their_own(
    tmp_path: Path,
) -> None:
    here = both(tmp_path)
    kick, front = here.house.send("kick", "kit"), here.house.send("bass", "front")
    wait(here.presets.recall("quiet", INES))
    wait(here.presets.recall("reel", MAUD))
    assert (here.asked(kick), here.asked(front)) == (-30.0, -9.0)
    assert wait(here.presets.undo(INES)).title == "undo of quiet"
    assert (here.asked(kick), here.asked(front)) == (-12.0, -9.0)
    assert wait(here.presets.undo(RUTH)).title == "undo of The reel"
    assert here.asked(front) == OFF
    assert wait(here.presets.undo(RUTH)).refusal == "there is no recall to undo"


def test_an_undo_obeys_the_rules_as_any_wish(tmp_path: Path) -> None:
    here = both(tmp_path)
    wait(here.presets.recall("quiet", RUTH))
    here.engine.people.set_ceiling(RUTH, here.house.send("kick", "kit"), -20.0)
    report = wait(here.presets.undo(RUTH))
    assert here.asked(here.house.send("kick", "kit")) == -20.0
    assert [v.rule for v in report.left] == ["engineer ceiling"]


def test_a_copy_is_limited_by_the_ceilings_of_its_target_and_can_be_undone(tmp_path: Path) -> None:
    here = both(tmp_path)
    here.house.wish(RUTH, here.house.send("voice", "front"), 4.0)
    report = wait(here.presets.copy("front", "kit", RUTH))
    assert here.asked(here.house.send("voice", "kit")) == 0.0
    assert [v.rule for v in report.left] == ["bus ceiling"]
    wait(here.presets.undo(RUTH))
    assert here.asked(here.house.send("voice", "kit")) == -20.0
    assert "no bus 'attic'" in wait(here.presets.copy("attic", "kit", RUTH)).refusal


def test_a_performer_copies_onto_their_own_bus_only(tmp_path: Path) -> None:
    here = both(tmp_path)
    report = wait(here.presets.copy("kit", "front", INES))
    assert not report.changes and report.foreign


def test_what_was_stored_comes_back(tmp_path: Path) -> None:
    here = both(tmp_path)
    wait(here.presets.store("now", RUTH, Wanted(["kit", "front"], label="As it was")))
    assert wait(here.presets.compare("now")) == ()
    wait(here.presets.recall("quiet", RUTH))
    assert wait(here.presets.compare("now"))
    report = wait(here.presets.recall("now", RUTH))
    assert report.whole and wait(here.presets.compare("now")) == ()


def test_nobody_stores_over_a_preset_that_is_not_theirs(tmp_path: Path) -> None:
    here = both(tmp_path)
    for replace, said in ((False, "a preset of this name"), (True, "somebody else's too")):
        with pytest.raises(PresetError, match=said):
            wait(here.presets.store("reel", INES, Wanted(["kit"]), replace=replace))
    assert (here.folder / "reel.toml").read_text() == REEL
    wait(here.presets.store("mine", INES, Wanted(["kit"])))
    wait(here.presets.store("mine", INES, Wanted(["kit"], note="again"), replace=True))
    assert {one.name: one.fault for one in wait(here.presets.listed())} == {
        "mine": "", "quiet": "", "reel": ""}  # fmt: skip


def test_next_and_previous_walk_the_declared_order(tmp_path: Path) -> None:
    here = both(tmp_path)
    for gesture in (room.NEXT, room.NEXT, room.NEXT, room.PREVIOUS, room.HOUSE):
        wait(here.presets.recall(gesture, RUTH))
    assert here.stood == ["quiet", "reel", "quiet", "reel", "quiet"]
    bare = both(tmp_path, "")
    assert "names no presets" in wait(bare.presets.recall(room.NEXT, RUTH)).refusal


def test_a_cue_recalls_its_preset_and_none_the_next(tmp_path: Path) -> None:
    here = both(tmp_path)
    here.write("quiet", 'cue = "100"\n' + QUIET)
    assert wait(here.presets.recall("cue 91.5", RUTH)).title == "The reel"
    assert wait(here.presets.recall("cue ", RUTH)).title == "quiet"
    assert wait(here.presets.recall("cue ", RUTH)).refusal == "no cue comes next"
    assert "no preset has the cue 7" in wait(here.presets.recall("cue 7", RUTH)).refusal
    here.write("twice", 'cue = "100"\n' + QUIET)
    assert "quiet and twice has the cue 100" in wait(here.presets.recall("cue 100", RUTH)).refusal


def test_more_gestures_than_anybody_means_are_refused(tmp_path: Path) -> None:
    here = both(tmp_path)

    async def main() -> list[str]:
        many = [here.presets.recall("quiet", RUTH) for _ in range(running.WAITING_MAX + 3)]
        return [report.refusal for report in await asyncio.gather(*many)]

    assert wait(main()).count(running.BUSY) == 3


# -- served ----------------------------------------------------------------------------------------


def served(here: RunningHouse, steps: list[tuple[float, Any]], minute: int = 720) -> None:
    """Serve on the virtual clock: wait so long, then do that, step by step."""

    async def main() -> None:
        loop = asyncio.get_running_loop()
        here.presets.clock = loop.time
        serving = Serving(here.presets, lambda: minute)
        task = asyncio.create_task(serving.serve(), name="presets")
        for wait_s, act in steps:
            await asyncio.sleep(wait_s)
            act(serving)
        await asyncio.sleep(LOOK_S + 0.1)
        task.cancel()

    clock.run(main())


def go(cue: str, device: int = 1, command_format: int = 0x10) -> bytes:
    head = bytes((0xF0, 0x7F, device, 2, command_format, 1))
    return head + cue.encode() + b"\xf7"


def test_gestures_are_carried_out_in_order(tmp_path: Path) -> None:
    here = both(tmp_path)

    def play(serving: Serving) -> None:
        assert [serving.call(RUTH, g) for g in ("reel", "quiet", running.UNDO)] == [""] * 3
        answers = [serving.call(RUTH, "reel") for _ in range(running.WAITING_MAX)]
        assert answers.count(running.BUSY) == 3

    served(here, [(1.0, play)])
    assert here.told[2].startswith("Ruth: undo of quiet") and len(here.told) == 16


def test_a_go_for_this_device_recalls_its_cue(tmp_path: Path) -> None:
    here = both(tmp_path)
    said = []

    def play(serving: Serving) -> None:
        for data in (go("91.5", device=2), go("91.5", command_format=1), b"\xf0\x7e\x01\xf7"):
            said.append(serving.show_control(data, RUTH))
        said.append(serving.show_control(go("91.5")[:-1], RUTH))
        said.append(serving.show_control(go("91.5", 0x7F, 0x7F), RUTH))

    served(here, [(1.0, play)])
    assert said == ["", "", "", "show control message does not end in F7", ""]
    assert here.stood == ["reel"]


def test_without_a_device_id_no_go_is_heard(tmp_path: Path) -> None:
    here = both(tmp_path, "")
    served(here, [(1.0, lambda serving: serving.show_control(go("91.5"), RUTH))])
    assert here.stood == []


# -- the room --------------------------------------------------------------------------------------


def test_a_room_opens_its_house_preset_and_goes_home_when_left_alone(tmp_path: Path) -> None:
    here = both(tmp_path, ROOM)
    opened = here.house.slot(Parameter.BUS_OPEN, "", "side")
    here.house.wish(RUTH, opened, 0.0)
    seen: list[str] = []

    def reel(serving: Serving) -> None:
        assert here.asked(opened) == 1.0
        seen.append(here.presets.current)
        serving.call(MAUD, room.NEXT)

    served(here, [(2.0, reel), (58.0, lambda _: seen.append(here.presets.current)),
                  (4.0, lambda _: seen.append(here.presets.current))])  # fmt: skip
    assert seen == ["quiet", "reel", "quiet"]
    assert [line.split(":")[1] for line in here.told] == [
        " quiet (the start)", " The reel (a hand, Maud)", " quiet (no hand for 1 min)"]  # fmt: skip


def test_a_room_moves_what_the_hand_that_chose_could_not(tmp_path: Path) -> None:
    here = both(tmp_path, ROOM)
    served(here, [(2.0, lambda serving: serving.call(MAUD, "reel"))])
    assert here.asked(here.house.send("accordion", "kit")) == -10.0


def test_a_room_gives_its_window_to_the_rules(tmp_path: Path) -> None:
    here = both(tmp_path, ROOM)
    served(here, [])
    assert here.windows[here.house.send("kick", "kit")] == (-34.0, -26.0)


def test_a_room_refuses_other_presets_undo_copy_store_and_frozen_hands(tmp_path: Path) -> None:
    here = both(tmp_path, ROOM)
    here.write("loud", QUIET.replace("-30", "-1"))
    served(here, [])
    before = list(map(repr, here.engine.matrix.asked))
    assert wait(here.presets.recall("loud", RUTH)).refusal == "this room has only quiet, reel"
    for act in (here.presets.undo(MAUD), here.presets.copy("front", "side", MAUD)):
        assert wait(act).refusal == "this room keeps to its presets"
    with pytest.raises(PresetError, match="this room keeps to its presets"):
        wait(here.presets.store("mine", MAUD, Wanted(["front"])))
    assert list(map(repr, here.engine.matrix.asked)) == before
    here.house.wish(RUTH, here.house.layout.slot(Parameter.FREEZE, MAUD), 1.0)
    assert wait(here.presets.recall("reel", MAUD)).refusal == "the engineer has frozen the mixes"


def test_a_mix_that_the_engineer_holds_is_left_to_the_engineer(tmp_path: Path) -> None:
    here = both(tmp_path, ROOM)
    here.house.wish(RUTH, here.house.slot(Parameter.BUS_HOLD, "", "kit"), 1.0)
    before = here.asked(here.house.master("kit"))
    served(here, [(2.0, lambda serving: serving.call(MAUD, "reel"))])
    assert here.asked(here.house.master("kit")) == before
    assert here.asked(here.house.send("bass", "front")) == -9.0


def test_a_house_preset_that_is_damaged_later_is_used_as_it_was_read(tmp_path: Path) -> None:
    here = both(tmp_path, ROOM)

    def damage(serving: Serving) -> None:
        here.write("quiet", "[scope")
        serving.call(MAUD, "reel")
        serving.call(MAUD, room.HOUSE)

    served(here, [(2.0, damage)])
    assert here.stood == ["quiet", "reel", "quiet"]
    assert any("used as it was read last" in line for line in here.told)


def test_a_room_waits_for_its_console_and_tries_again_after_a_silence(tmp_path: Path) -> None:
    here = both(tmp_path, ROOM)
    here.console.state = "reading"

    def live(_: Serving) -> None:
        assert here.stood == []
        here.console.state = "live"
        here.engine.console_lost()  # falls silent in the middle

    def back(_: Serving) -> None:
        here.engine.console_back({}, here.house.now_s)

    kick = here.house.send("kick", "front")
    here.house.wish(RUTH, kick, -40.0)
    more = "[bus.front.send]\nkick = { level_db = -8 }"
    here.write("quiet", QUIET.replace("[bus.front.send]", more))
    served(here, [(5.0, live), (5.0, back), (40.0, lambda _: None)])
    assert here.asked(kick) == -8.0 and here.stood == ["quiet", "quiet"]

"""Whole bridges that are gone from one moment to the next, and come back to the same console."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from support.kept import BOOT, Evening
from support.whole import KINDS

from bridge.console.kept import COLD, DIFFERING, WARM
from bridge.mix.gesture import REFUSED
from bridge.mix.matrix import RUNNING
from bridge.rig.layout import Parameter as P

OTHER_BOOT = bytes(range(1, 17))


def test_what_is_kept_is_what_was_told_and_never_more_than_was_handed_over(tmp_path: Path) -> None:
    evening = Evening(tmp_path)
    handed = [math.nan] * evening.m.size
    seen = 0

    def look() -> None:  # just before a word leaves
        nonlocal seen
        for slot, kept in enumerate(evening.told()):
            if kept == kept and handed[slot] == handed[slot]:
                assert not evening.is_louder(slot, kept, handed[slot]), evening.rig.name(slot)
        for slot in range(evening.m.size):
            handed[slot] = evening.m.told[slot] if evening.m.can_set[slot] else math.nan
        seen += 1

    evening.on_send = look
    evening.playing()
    evening.wish(evening.slot(P.BUS_MUTE, -1, 0), 1.0)
    evening.pass_time(1.0)
    evening.wish(evening.slot(P.BUS_MUTE, -1, 0), 0.0)
    evening.pass_time(8.0)
    assert seen > 500
    told = [v if evening.m.can_set[s] else math.nan for s, v in enumerate(evening.m.told)]
    assert list(map(repr, evening.told())) == list(map(repr, told))
    evening.keeper.close()


def test_a_bridge_that_was_killed_comes_back_warm_and_says_nothing(tmp_path: Path) -> None:
    desk = (before := Evening(tmp_path).playing()).killed()
    after = Evening(tmp_path, desk).open().pass_time(5.0)
    assert (after.house.returned.way, after.sent) == (WARM, [])
    assert after.house.returned.reason == "the console stands as it was told"
    assert after.m.told[: after.m.freeze] == pytest.approx(
        before.m.told[: before.m.freeze], nan_ok=True
    )
    assert after.engine.phase == RUNNING
    for bus in range(3):
        assert after.engine.buses.state(bus) == before.engine.buses.state(bus) == "open"
    after.keeper.close()


def test_what_opened_by_itself_is_open_afterwards(tmp_path: Path) -> None:
    before = Evening(tmp_path).open().pass_time(10.0)
    assert before.rig.file.bus[0].auto_open
    states = [before.engine.buses.state(bus) for bus in range(3)]
    assert states == ["open", "closed", "closed"]
    after = Evening(tmp_path, before.killed()).open().pass_time(5.0)
    assert (after.house.returned.way, after.sent) == (WARM, [])
    assert [after.engine.buses.state(bus) for bus in range(3)] == states
    after.keeper.close()


def test_all_that_is_asked_is_kept_at_every_moment(tmp_path: Path) -> None:
    evening = Evening(tmp_path).playing()
    people = 1 + len(evening.rig.layout.performers)
    for draw in range(200):
        evening.wish(7 * draw % evening.m.group, float(draw % 2), who=draw % people - 1)
        evening.pass_time(0.03)
        kept, asked = evening.keeper._ledger.asked, evening.m.asked
        apart = [s for s in range(evening.m.size) if repr(kept[s]) != repr(asked[s])]
        assert apart == [], [evening.rig.name(slot) for slot in apart]
    evening.keeper.close()


def test_a_hand_goes_on_from_where_the_levels_stood_and_takes_no_second_step(
    tmp_path: Path,
) -> None:
    desk = Evening(tmp_path).playing().killed()
    after = Evening(tmp_path, desk).open(0.02)
    assert after.house.returned.way == WARM
    send = after.slot(P.SEND_LEVEL, 0, 0)
    assert after.wish(send, -5.0).level == -5.0
    first = after.m.told[send]
    assert -10.0 <= first < -9.7, "it climbs at 12 dB/s, and its step is not given twice"
    after.pass_time(4.0)
    assert after.desk.values[send] == pytest.approx(-5.0, abs=0.1)
    after.keeper.close()


def test_a_dimmed_mix_comes_back_as_dim_as_it_was(tmp_path: Path) -> None:
    before = Evening(tmp_path).playing()
    dim = before.slot(P.BUS_DIM, -1, 0)
    before.wish(dim, 1.0)
    before.pass_time(1.0)
    after = Evening(tmp_path, before.killed()).open().pass_time(3.0)
    assert (after.house.returned.way, after.sent) == (WARM, [])
    after.wish(dim, 0.0)
    after.pass_time(10.0)
    assert after.m.told[after.slot(P.BUS_MASTER, -1, 0)] == pytest.approx(-12.0)
    after.keeper.close()


def test_what_people_have_settled_holds_on_every_way_back(tmp_path: Path) -> None:
    before = Evening(tmp_path).playing()
    master, send = before.slot(P.BUS_MASTER, -1, 0), before.slot(P.SEND_LEVEL, 0, 0)
    before.engine.people.set_ceiling(-1, master, -11.0)
    before.engine.people.set_ceiling(0, send, -9.0)
    before.wish(before.slot(P.FREEZE, 1), 1.0)
    before.wish(before.slot(P.BUS_HOLD, -1, 2), 1.0)
    before.engine.people.ask(0, before.slot(P.SEND_LEVEL, 1, 0), before.now_s)
    before.house.settle(before.now_s)
    desk = before.killed()
    for warm_within_s, way in ((600.0, WARM), (0.0, COLD)):
        after = Evening(tmp_path, desk, warm_within_s=warm_within_s).open().pass_time(1.0)
        assert after.house.returned.way == way
        assert after.engine.people.live == {(-1, master): -11.0, (0, send): -9.0}
        if way == WARM:
            assert after.wish(master, 0.0).rule == "engineer ceiling"
            assert after.wish(send, 0.0, who=0).level == -9.0
        assert after.wish(send, -20.0, who=1).outcome == REFUSED
        assert list(after.engine.guard.frozen) == [0, 1, 0]
        assert list(after.engine.people.held) == [0, 0, 1]
        (request,) = after.engine.people.requests
        assert (request.performer, request.slot) == (0, before.slot(P.SEND_LEVEL, 1, 0))
        assert request.at_s == pytest.approx(before.now_s, abs=120.0)
        after.killed()


def test_a_ramp_that_was_under_way_does_not_go_on_by_itself(tmp_path: Path) -> None:
    before = Evening(tmp_path).playing()
    send = before.slot(P.SEND_LEVEL, 0, 0)
    before.wish(send, -40.0)
    before.pass_time(0.5)
    before.wish(send, -6.0)
    before.pass_time(0.5)
    desk = before.killed()
    assert -39.0 < desk.values[send] < -7.0
    after = Evening(tmp_path, desk).open().pass_time(5.0)
    assert after.louder() == []
    assert after.engine.matrix.asked[send] == pytest.approx(desk.values[send], abs=0.1)
    after.keeper.close()


@pytest.mark.parametrize("gate", [P.BUS_MUTE, P.SEND_ON, P.SILENCE])
def test_what_was_shut_stays_shut_and_opens_to_its_old_level(tmp_path: Path, gate: P) -> None:
    before = Evening(tmp_path).playing()
    slot = before.slot(gate, *((0, 0) if gate is P.SEND_ON else (-1, 0)))
    shut = 0.0 if gate is P.SEND_ON else 1.0
    before.wish(slot, shut)
    before.pass_time(1.0)
    after = Evening(tmp_path, before.killed()).open().pass_time(3.0)
    assert (after.house.returned.way, after.sent) == (WARM, [])
    assert after.m.asked[slot] == shut
    after.wish(slot, 1.0 - shut)
    after.pass_time(10.0)
    assert after.m.told[after.slot(P.SEND_LEVEL, 0, 0)] == pytest.approx(-10.0)
    assert after.m.told[after.slot(P.BUS_MASTER, -1, 0)] == pytest.approx(-12.0)
    after.keeper.close()


def test_a_gate_that_was_asked_open_and_was_not_opened_yet_stays_shut(tmp_path: Path) -> None:
    before = Evening(tmp_path).playing()
    mute = before.slot(P.BUS_MUTE, -1, 0)
    before.wish(mute, 1.0)
    before.pass_time(1.0)
    before.silent = True  # the console hears nothing any more
    before.wish(mute, 0.0)
    after = Evening(tmp_path, before.killed()).open().pass_time(5.0)
    assert after.louder() == []
    assert after.engine.buses.state(0) == "muted"
    after.keeper.close()


def test_a_gate_that_the_link_did_not_take_is_not_kept_as_open(tmp_path: Path) -> None:
    evening = Evening(tmp_path).playing()
    mute = evening.slot(P.BUS_MUTE, -1, 0)
    evening.wish(mute, 1.0)
    evening.pass_time(1.0)
    evening.full = True
    evening.wish(mute, 0.0)
    evening.pass_time(0.05)
    assert evening.m.told[mute] == 0.0
    assert evening.told()[mute] == 1.0
    evening.full = False
    evening.pass_time(1.0)
    assert evening.told()[mute] == evening.desk.values[mute] == 0.0
    evening.keeper.close()


def test_a_console_that_stands_elsewhere_is_lowered_and_never_raised(tmp_path: Path) -> None:
    before = Evening(tmp_path).playing()
    desk = before.killed()
    up, down = before.slot(P.SEND_LEVEL, 0, 0), before.slot(P.BUS_MASTER, -1, 0)
    on = before.slot(P.SEND_ON, 1, 0)
    desk.stand_in.values[up], desk.stand_in.values[down] = 2.0, -50.0
    desk.stand_in.values[on] = 0.0
    after = Evening(tmp_path, desk).open().pass_time(5.0)
    assert after.house.returned.way == DIFFERING
    assert after.house.returned.reason.startswith("3 values at the console")
    assert after.louder() == []
    assert desk.values[up] == pytest.approx(-10.0, abs=0.1)
    assert desk.values[down] == pytest.approx(-50.0, abs=0.1)
    assert desk.values[on] == 0.0
    after.keeper.close()


def begins_cold(evening: Evening, reason: str, *, low_already: bool = False) -> None:
    evening.open().pass_time(3.0)
    way, why, _ = evening.house.returned
    assert way == COLD and reason in why
    m = evening.m
    first = [w.slot for w in evening.sent[:3]]
    assert low_already or all(m.master <= slot < m.dim for slot in first), (
        "masters and their gates go first"
    )
    evening.keeper.close()


def test_a_console_that_cannot_be_asked_begins_cold(tmp_path: Path) -> None:
    desk = Evening(tmp_path, kind=KINDS["blind"]).playing().killed()
    begins_cold(Evening(tmp_path, desk, kind=KINDS["blind"]), "cannot be asked whether")


def test_a_console_that_keeps_its_levels_is_taken_up_without_a_word(tmp_path: Path) -> None:
    desk = Evening(tmp_path, kind=KINDS["blind"], keeps_levels=True).playing().killed()
    after = Evening(tmp_path, desk, kind=KINDS["blind"], keeps_levels=True).open().pass_time(5.0)
    assert (after.house.returned.way, after.sent) == (WARM, [])
    assert after.wish(after.slot(P.BUS_MUTE, -1, 1), 1.0).outcome == 0
    after.pass_time(0.1)
    assert desk.values[after.slot(P.BUS_MUTE, -1, 1)] == 1.0
    after.keeper.close()


def test_a_fall_that_may_not_have_arrived_is_told_again_where_nobody_confirms(
    tmp_path: Path,
) -> None:
    before = Evening(tmp_path, kind=KINDS["blind"], keeps_levels=True).playing()
    master, send = before.slot(P.BUS_MASTER, -1, 0), before.slot(P.SEND_LEVEL, 0, 1)
    before.silent = True
    before.wish(master, -30.0)
    before.wish(send, -3.0)  # a raise that never arrived is not taken for one that did
    desk = before.killed()
    assert desk.values[master] == pytest.approx(-12.0, abs=0.1)
    after = Evening(tmp_path, desk, kind=KINDS["blind"], keeps_levels=True).open().pass_time(3.0)
    assert after.house.returned.way == WARM
    assert [(w.slot, round(w.value, 1)) for w in after.sent] == [(master, -30.0)]
    assert after.m.asked[send] == pytest.approx(desk.values[send], abs=0.1)
    after.keeper.close()


def test_after_a_power_cut_a_console_that_cannot_be_asked_begins_cold(tmp_path: Path) -> None:
    desk = Evening(tmp_path, kind=KINDS["blind"], keeps_levels=True).playing().killed()
    cut = Evening(tmp_path, desk, kind=KINDS["blind"], keeps_levels=True, boot=OTHER_BOOT)
    begins_cold(cut, "the power was cut")


def test_after_a_power_cut_a_console_that_can_be_asked_is_met_by_the_lower_level(
    tmp_path: Path,
) -> None:
    before = Evening(tmp_path).playing()
    before.keeper._copies.look(math.inf)  # type: ignore[union-attr]
    desk = before.killed()
    assert before.path is not None
    before.path.unlink()  # memory is gone
    send = before.slot(P.SEND_LEVEL, 0, 0)
    desk.stand_in.values[send] = 1.0
    after = Evening(tmp_path, desk, boot=OTHER_BOOT).open().pass_time(3.0)
    assert after.house.returned.way == DIFFERING
    assert after.louder() == []
    assert desk.values[send] == pytest.approx(-10.0, abs=0.1)
    after.keeper.close()


def test_what_is_too_old_is_not_believed(tmp_path: Path) -> None:
    desk = Evening(tmp_path).playing().killed()
    begins_cold(Evening(tmp_path, desk, warm_within_s=0.0), "old, more than 0 s")


def test_a_bridge_that_dies_in_its_start_begins_cold_again(tmp_path: Path) -> None:
    before = Evening(tmp_path)
    before.house.console.link_open(before.now_s)
    before.house.settle(before.now_s)
    while before.engine.phase == 0:
        before.pass_time(0.01)
    assert before.engine.phase != RUNNING
    begins_cold(Evening(tmp_path, before.killed()), "start had not been finished", low_already=True)


def test_a_bridge_that_dies_before_the_console_was_read_forgets_nothing(tmp_path: Path) -> None:
    desk = Evening(tmp_path).playing().killed()
    unread = Evening(tmp_path, desk)
    unread.killed()
    after = Evening(tmp_path, desk).open()
    assert after.house.returned.way == WARM
    after.keeper.close()


def test_a_second_bridge_keeps_nothing_and_spoils_nothing(tmp_path: Path) -> None:
    first = Evening(tmp_path).playing()
    second = Evening(tmp_path, first.desk)
    begins_cold(second, "another bridge keeps this journal")
    assert second.keeper.state()["levels"].startswith("not kept: another bridge")
    first.pass_time(1.0)
    assert first.keeper.state()["levels"] == "kept"
    first.keeper.close()


def test_the_desk_s_own_moves_are_kept_too(tmp_path: Path) -> None:
    before = Evening(tmp_path).playing()
    send = before.slot(P.SEND_LEVEL, 0, 0)
    before._replies += before.desk.stand_in.move(send, -3.0, before.now_s)
    before.pass_time(0.1)
    after = Evening(tmp_path, before.killed()).open().pass_time(2.0)
    assert (after.house.returned.way, after.sent) == (WARM, [])
    assert after.desk.values[send] == pytest.approx(-3.0, abs=0.1)
    after.keeper.close()


def test_levels_are_kept_anew_when_a_lost_console_is_back(tmp_path: Path) -> None:
    before = Evening(tmp_path).playing()
    before.house.console.link_lost()
    for slot in before.m.sends_of_bus(0):
        before.desk.stand_in.values[slot] = -33.0
    before.house.console.link_open(before.now_s)
    before.pass_time(2.0)
    assert before.told()[before.slot(P.SEND_LEVEL, 0, 0)] == pytest.approx(-33.0, abs=0.1)
    after = Evening(tmp_path, before.killed()).open().pass_time(2.0)
    assert (after.house.returned.way, after.sent) == (WARM, [])
    after.keeper.close()


def test_boots_are_told_apart_by_the_machine(tmp_path: Path) -> None:
    from bridge.journal.keeper import boot_of_machine

    assert boot_of_machine() == boot_of_machine() != BOOT

"""The rules one by one, on a console that has every word at once."""

import math

import pytest
from support.house import House

from bridge.mix.gesture import (
    FLIP,
    LIMITED,
    OUTCOMES,
    REFUSED,
    RULES,
    STEP,
    TAKEN,
    explain,
)
from bridge.rig.layout import Parameter as P
from bridge.units import OFF

RUTH, INES, MAUD = -1, 0, 1


def test_nothing_is_told_before_the_console_was_read() -> None:
    house = House()
    verdict = house.wish(RUTH, house.send("kick", "kit"), -10.0)
    assert (verdict.outcome, verdict.rule) == (REFUSED, "console unread")
    house.run(1.0)
    assert house.words == []


def test_masters_go_low_before_anything_else_and_are_confirmed_first() -> None:
    house = House(confirms=False)
    house.engine.begin({}, 0.0)
    house.run(1.0)
    parameters = {house.layout.place(slot).parameter for _, slot, _ in house.words}
    assert parameters == {P.BUS_MASTER, P.BUS_MUTE}
    assert all(value == OFF for _, s, value in house.words if house.engine.matrix.is_master(s))


def test_a_bus_with_auto_open_opens_low_and_the_others_stay_closed() -> None:
    house = House().started()
    assert [house.engine.buses.state(b) for b in range(3)] == ["closed", "closed", "opening"]
    house.run(10.0)
    assert house.engine.buses.state(2) == "open"
    assert house.told(house.master("side")) == -40.0
    assert house.told(house.master("kit")) == OFF


def test_a_bus_opens_only_after_its_sends_and_taps_are_out() -> None:
    house = House().started()
    opened = next(
        i
        for i, (_, s, v) in enumerate(house.words)
        if s == house.slot(P.BUS_MUTE, "", "side") and v == 0
    )
    before = {slot for _, slot, _ in house.words[:opened]}
    for channel in house.layout.channels:
        assert house.send(channel, "side") in before
        assert house.slot(P.SEND_TAP, channel, "side") in before


def test_a_performer_cannot_open_a_bus() -> None:
    house = House().started()
    verdict = house.wish(INES, house.slot(P.BUS_OPEN, "", "kit"), 1.0)
    assert (verdict.outcome, verdict.rule) == (REFUSED, "not yours")


def test_a_start_mix_is_out_before_the_bus_opens() -> None:
    house = House().started()
    house.run(10.0)
    assert house.told(house.send("kick", "kit")) == -12.0
    assert house.told(house.send("bass", "kit")) == OFF


def test_what_the_console_has_is_the_start_mix_where_the_rig_names_none() -> None:
    plain = House()
    house = House().started({plain.send("bass", "front"): -15.0, plain.send("kick", "front"): 20.0})
    house.run(25.0)
    assert house.told(house.send("bass", "front")) == -15.0
    assert house.told(house.send("kick", "front")) == 6.0  # the console stood above the ceiling


@pytest.mark.parametrize(
    ("who", "wanted", "outcome", "level", "rule"),
    [
        (INES, -20.0, TAKEN, -20.0, ""),
        (INES, -6.0, TAKEN, -6.0, ""),
        (INES, -5.9, LIMITED, -6.0, "own ceiling"),
        (INES, 40.0, LIMITED, -6.0, "own ceiling"),
        (INES, math.inf, LIMITED, -6.0, "own ceiling"),
        (RUTH, 40.0, LIMITED, 0.0, "bus ceiling"),
        (INES, OFF, TAKEN, OFF, ""),
        (MAUD, -20.0, REFUSED, -12.0, "not yours"),
        (INES, math.nan, REFUSED, -12.0, "no number"),
    ],
)
def test_a_wish_goes_as_far_as_the_stricter_ceiling(
    who: int, wanted: float, outcome: int, level: float, rule: str
) -> None:
    house = House().started()
    verdict = house.wish(who, house.send("kick", "kit"), wanted)
    assert (verdict.outcome, verdict.level, verdict.rule) == (outcome, level, rule)


def test_a_performer_may_lower_what_the_engineer_set_above_their_ceiling() -> None:
    house = House().started()
    send = house.send("kick", "kit")
    house.wish(RUTH, send, -1.0)
    assert house.wish(INES, send, -2.0).outcome == TAKEN
    verdict = house.wish(INES, send, -1.5)
    assert (verdict.outcome, verdict.level, verdict.rule) == (LIMITED, -2.0, "own ceiling")


def test_falls_leave_at_once_and_rises_ride_the_ramp() -> None:
    house = House().started()
    house.open("kit")
    send = house.send("kick", "kit")
    house.wish(INES, send, -50.0)
    assert house.told(send) == -50.0
    house.wish(INES, send, -20.0)
    assert house.told(send) == -49.0  # the step
    house.run(1.0)
    assert house.told(send) == pytest.approx(-43.0, abs=0.2)  # 6 dB/s
    house.run(10.0)
    assert house.told(send) == -20.0
    assert house.engine.next_wake_s() == math.inf


def test_an_hour_of_rest_saves_up_no_more_than_one_step() -> None:
    house = House().started()
    house.open("kit")
    send = house.send("kick", "kit")
    house.now_s += 3600.0
    house.wish(INES, send, -6.0)
    assert house.told(send) == -11.0


def test_mute_acts_at_once_and_is_left_by_a_ramp_from_the_floor() -> None:
    house = House().started()
    house.open("kit")
    master, mute = house.master("kit"), house.slot(P.BUS_MUTE, "", "kit")
    house.wish(RUTH, master, -10.0)
    house.run(20.0)
    house.words.clear()
    house.wish(INES, mute, 1.0)
    assert house.words == [(house.now_s, mute, 1.0), (house.now_s, master, OFF)]
    house.words.clear()
    house.wish(INES, 0, 0, FLIP)
    house.wish(INES, mute, 0.0, FLIP)
    house.run(20.0)
    assert house.words[0][1:] == (mute, 0.0)
    assert house.said(master)[0] == -59.0
    assert house.told(master) == -10.0


def test_a_gate_opens_only_when_the_console_is_known_to_have_the_level_down() -> None:
    house = House().started()
    house.open("kit")
    mute = house.slot(P.BUS_MUTE, "", "kit")
    house.confirms = False
    house.wish(INES, mute, 1.0)
    house.wish(INES, mute, 0.0)
    house.run(5.0)
    assert house.told(mute) == 1.0
    house.engine.settle(house.master("kit"), house.now_s)
    house.run(0.1)
    assert house.told(mute) == 0.0
    assert house.told(house.master("kit")) == OFF  # the open gate is not confirmed yet
    house.engine.settle(mute, house.now_s)
    house.run(0.1)
    assert house.told(house.master("kit")) > OFF


def test_a_tap_changes_only_while_its_send_is_down() -> None:
    house = House().started()
    house.open("side")
    send, tap = house.send("kick", "side"), house.slot(P.SEND_TAP, "kick", "side")
    fader = house.slot(P.CHANNEL_FADER, "kick")
    house.engine.desk(fader, -30.0, house.now_s)
    house.wish(RUTH, send, -10.0)
    house.run(20.0)
    house.words.clear()
    house.wish(RUTH, tap, 0.0)
    house.run(0.1)
    assert [(s, v) for _, s, v in house.words[:2]] == [(send, OFF), (tap, 0.0)]


def test_dim_lowers_the_master_at_once_and_is_left_by_a_ramp() -> None:
    house = House().started()
    house.open("kit")
    house.wish(RUTH, house.master("kit"), -10.0)
    house.run(20.0)
    house.wish(INES, house.slot(P.BUS_DIM, "", "kit"), 1.0)
    assert house.told(house.master("kit")) == -30.0
    assert house.engine.buses.state(0) == "dimmed"
    house.wish(INES, house.slot(P.BUS_DIM, "", "kit"), 0.0)
    assert house.told(house.master("kit")) == -29.0


def test_anybody_may_silence_all_and_only_the_engineer_ends_it() -> None:
    house = House().started()
    house.open("kit")
    silence = house.slot(P.SILENCE)
    assert house.wish(INES, silence, 1.0).outcome == TAKEN
    assert all(house.told(house.master(b)) == OFF for b in house.layout.buses)
    assert all(house.told(house.slot(P.BUS_MUTE, "", b)) == 1.0 for b in house.layout.buses)
    assert house.wish(INES, silence, 0.0).rule == "engineer only"
    assert house.wish(RUTH, silence, 0.0).outcome == TAKEN
    house.run(10.0)
    assert house.told(house.master("kit")) == -40.0


def test_silence_works_at_a_console_that_cannot_mute() -> None:
    house = House(without=(P.BUS_MUTE,)).started()
    house.open("kit")
    house.wish(MAUD, house.slot(P.SILENCE), 1.0)
    assert all(house.told(house.master(b)) == OFF for b in house.layout.buses)


def test_a_frozen_performer_is_refused_and_the_engineer_is_not() -> None:
    house = House().started()
    send = house.send("kick", "kit")
    house.wish(RUTH, house.slot(P.FREEZE), 1.0)
    assert house.wish(INES, send, -20.0).rule == "frozen"
    assert house.wish(RUTH, send, -20.0).outcome == TAKEN
    house.wish(RUTH, house.slot(P.FREEZE), 0.0)
    assert house.wish(INES, send, -21.0).outcome == TAKEN


def test_the_matrix_follows_the_desk_and_answers_nothing() -> None:
    house = House().started()
    house.open("kit")
    send = house.send("kick", "kit")
    house.words.clear()
    house.engine.desk(send, 5.0, house.now_s)  # above the ceiling: the desk's own doing
    house.engine.desk(house.slot(P.BUS_MUTE, "", "kit"), 1.0, house.now_s)
    house.engine.desk(house.slot(P.BUS_MUTE, "", "kit"), 0.0, house.now_s)
    house.run(5.0)
    assert house.words == []
    assert house.wish(INES, send, 0.0, STEP).level == 0.0  # the first touch comes down to it


def test_a_post_fader_send_keeps_its_ceiling_with_the_fader_counted() -> None:
    house = House().started()
    house.engine.desk(house.slot(P.CHANNEL_FADER, "kick"), 4.0, house.now_s)
    verdict = house.wish(RUTH, house.send("kick", "side"), 6.0)
    assert (verdict.level, verdict.rule) == (2.0, "post-fader ceiling")
    verdict = house.wish(RUTH, house.slot(P.CHANNEL_FADER, "kick"), 9.0)
    assert (verdict.level, verdict.rule) == (4.0, "post-fader ceiling")


def test_a_group_keeps_its_distances_up_down_and_at_a_ceiling() -> None:
    house = House().started()
    sends = [house.send(c, "kit") for c in ("accordion", "voice", "bass")]
    group = house.layout.slot(P.GROUP, 0)
    house.wish(RUTH, sends[0], -10.0)
    house.wish(RUTH, sends[1], -20.0)
    house.wish(INES, group, -75.0, STEP)
    assert [house.engine.matrix.goal[s] for s in sends] == [-85.0, OFF, OFF]
    verdict = house.wish(INES, group, 90.0, STEP)
    assert (verdict.outcome, verdict.rule) == (LIMITED, "group ceiling")
    assert [house.engine.matrix.asked[s] for s in sends] == [-6.0, -16.0, OFF]


def test_while_the_console_is_silent_falls_leave_and_nothing_rises() -> None:
    house = House().started()
    house.open("kit")
    send, mute = house.send("kick", "kit"), house.slot(P.BUS_MUTE, "", "kit")
    house.engine.console_lost()
    assert house.wish(INES, send, -7.0).rule == "console silent"
    assert house.wish(INES, send, -30.0).outcome == TAKEN
    assert house.told(send) == -30.0
    assert house.wish(INES, mute, 1.0).outcome == TAKEN
    assert house.wish(INES, mute, 0.0).rule == "console silent"


def test_after_a_fault_the_lower_of_two_levels_stays_until_somebody_asks() -> None:
    house = House().started()
    house.open("kit")
    low, high = house.send("kick", "kit"), house.send("voice", "kit")
    house.engine.console_lost()
    house.engine.console_back({low: -40.0, high: -3.0}, house.now_s)
    house.pump()
    house.run(10.0)
    assert house.told(low) == -40.0
    assert house.told(high) == -20.0
    house.wish(INES, low, -12.0)
    house.run(10.0)
    assert house.told(low) == -12.0


def test_a_fault_earns_no_second_step() -> None:
    house = House().started()
    house.open("kit")
    send = house.send("kick", "kit")
    house.wish(INES, send, -50.0)
    house.wish(INES, send, -10.0)
    assert house.told(send) == -49.0
    house.engine.console_lost()
    house.engine.console_back({send: -49.0}, house.now_s)
    house.wish(INES, send, -10.0)
    assert house.told(send) == -49.0


def test_a_ramp_does_not_go_on_by_itself_after_a_fault() -> None:
    house = House().started()
    house.open("kit")
    send = house.send("kick", "kit")
    house.wish(INES, send, -50.0)
    house.wish(INES, send, -10.0)
    house.run(1.0)
    stood = house.told(send)
    house.engine.console_lost()
    house.engine.console_back({}, house.now_s)
    house.run(5.0)
    assert house.told(send) == stood


def test_a_console_that_came_back_unmuted_is_muted_again_and_a_muted_one_stays_muted() -> None:
    house = House().started()
    house.open("kit")
    house.open("front")
    house.wish(INES, house.slot(P.BUS_MUTE, "", "kit"), 1.0)
    house.engine.console_lost()
    house.engine.console_back(
        {
            house.slot(P.BUS_MUTE, "", "kit"): 0.0,
            house.slot(P.BUS_MUTE, "", "front"): 1.0,
            house.master("front"): -40.0,
        },
        house.now_s,
    )
    house.pump()
    house.run(5.0)
    assert house.told(house.slot(P.BUS_MUTE, "", "kit")) == 1.0
    assert house.told(house.slot(P.BUS_MUTE, "", "front")) == 1.0
    assert house.engine.buses.state(1) == "muted"


def test_every_verdict_says_why_in_words() -> None:
    house = House().started()
    verdict = house.wish(INES, house.send("kick", "kit"), 3.0)
    assert explain(verdict, house.rig) == (
        "Ines: send level of kick in kit to 3.0 dB: limited, stands at -6.0 dB: "
        "your limit is -6.0 dB"
    )
    assert all(text and "{" not in text.format(level="") for text in RULES.values())
    assert OUTCOMES[TAKEN] == "taken"

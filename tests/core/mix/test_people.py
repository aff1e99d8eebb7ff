"""Mixes held by the engineer, asks, and ceilings set live."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from support.house import RIG, House

from bridge import limits
from bridge.mix.gesture import LIMITED, REFUSED, TAKEN, explain
from bridge.rig.layout import Parameter as P

INES, MAUD = 0, 1


def playing() -> House:
    house = House().started()
    house.open("kit")
    house.wish(-1, house.master("kit"), -3.0)
    house.wish(-1, house.send("kick", "kit"), 0.0)
    house.run(5.0)
    return house


# -- held mixes ---------------------------------------------------------------------------------


def test_a_held_mix_is_the_engineers_alone_until_it_is_handed_back() -> None:
    house = playing()
    hold = house.slot(P.BUS_HOLD, "", "kit")
    assert house.wish(-1, hold, 1.0).outcome == TAKEN
    refused = house.wish(INES, house.send("kick", "kit"), -30.0)
    assert (refused.outcome, refused.rule) == (REFUSED, "held")
    assert "taken this mix over" in explain(refused, house.rig)
    assert house.wish(INES, house.slot(P.BUS_DIM, "", "kit"), 1.0).rule == "held"
    assert house.wish(INES, house.layout.slot(P.GROUP, 0), -30.0).rule == "held"
    assert house.wish(-1, house.send("kick", "kit"), -20.0).outcome == TAKEN
    assert house.wish(MAUD, house.send("kick", "front"), -20.0).outcome == TAKEN, "another mix"
    house.wish(-1, hold, 0.0)
    assert house.wish(INES, house.send("kick", "kit"), -30.0).outcome == TAKEN


def test_in_a_held_mix_anybody_may_still_make_it_quiet_and_ask() -> None:
    house = playing()
    house.wish(-1, house.slot(P.BUS_HOLD, "", "kit"), 1.0)
    assert house.wish(INES, house.slot(P.ASK, "kick", "kit"), 1.0).outcome == TAKEN
    assert house.wish(INES, house.slot(P.SILENCE), 1.0).outcome == TAKEN


def test_only_the_engineer_takes_a_mix_over() -> None:
    house = playing()
    assert house.wish(INES, house.slot(P.BUS_HOLD, "", "kit"), 1.0).rule == "not yours"


# -- asks ---------------------------------------------------------------------------------------


def test_an_ask_is_seen_once_and_answered_once() -> None:
    house = playing()
    people, ask = house.engine.people, house.slot(P.ASK, "voice", "kit")
    house.wish(INES, ask, 1.0)
    house.wish(INES, ask, 1.0)
    (request,) = people.requests
    assert (request.performer, request.slot) == (INES, house.send("voice", "kit"))
    assert people.take(request.number) == request
    assert people.take(request.number) is None and people.requests == []
    assert house.told(house.send("voice", "kit")) == -20.0, "to ask moves nothing"


def test_nobody_asks_for_anothers_mix() -> None:
    house = playing()
    assert house.wish(INES, house.slot(P.ASK, "voice", "front"), 1.0).rule == "not yours"


def test_somebody_who_is_frozen_may_ask() -> None:
    house = playing()
    house.wish(-1, house.layout.slot(P.FREEZE, INES), 1.0)
    assert house.wish(INES, house.slot(P.ASK, "voice", "kit"), 1.0).outcome == TAKEN


def test_asks_are_bounded_and_the_oldest_goes() -> None:
    house = playing()
    people = house.engine.people
    for number in range(3 * limits.REQUESTS_MAX):
        channel = house.layout.channels[number % 4]
        bus = ("front", "side")[number // 4 % 2]
        people.ask(MAUD, house.send(channel, bus), 0.0)
        if number % 8 == 7:
            people.requests[:] = [r._replace(slot=-r.number) for r in people.requests]
    assert len(people.requests) == limits.REQUESTS_MAX
    assert people.requests[-1].number == 3 * limits.REQUESTS_MAX


# -- ceilings set live --------------------------------------------------------------------------


def test_a_ceiling_set_live_binds_at_once_and_levels_above_come_down_at_the_declared_rate() -> None:
    house = playing()
    slot = house.send("kick", "kit")
    house.engine.people.set_ceiling(-1, slot, -12.0)
    verdict = house.wish(-1, slot, -0.5)
    assert verdict.level <= 0.0 and house.told(slot) <= 0.0
    started = house.now_s
    house.run(0.5)
    assert house.told(slot) == pytest.approx(-12.0 * 0.5, abs=0.8), "12 dB/s"
    house.run(2.0)
    assert house.told(slot) == -12.0
    falls = [(t, v) for t, s, v in house.words if s == slot and t > started]
    drops = [a[1] - b[1] for a, b in pairwise(falls)]
    assert max(drops) < 0.5, "no step down that is heard as one"
    verdict = house.wish(-1, slot, 0.0)
    assert (verdict.outcome, verdict.rule, verdict.level) == (LIMITED, "engineer ceiling", -12.0)
    assert "engineer's limit" in explain(verdict, house.rig)


def test_while_a_level_sinks_to_its_ceiling_nobody_raises_it() -> None:
    house = playing()
    slot = house.send("kick", "kit")
    house.engine.people.set_ceiling(-1, slot, -30.0)
    house.run(0.5)
    before = house.told(slot)
    house.wish(-1, slot, 0.0)
    house.run(0.1)
    assert house.told(slot) <= before
    house.run(5.0)
    assert house.told(slot) == -30.0


def test_a_ceiling_for_one_performer_binds_that_one_alone() -> None:
    house = playing()
    slot = house.send("voice", "kit")
    house.engine.people.set_ceiling(INES, slot, -25.0)
    house.run(3.0)
    assert house.told(slot) == -25.0, "what stands above comes down"
    assert house.wish(INES, slot, -10.0).rule == "own ceiling"
    assert house.wish(-1, slot, -10.0).outcome == TAKEN


def test_a_ceiling_that_the_rig_declares_is_never_loosened() -> None:
    house = playing()
    slot = house.send("kick", "kit")
    assert house.engine.people.set_ceiling(-1, slot, 6.0) == 0.0
    assert house.wish(-1, slot, 6.0).level == 0.0
    assert house.engine.people.set_ceiling(INES, slot, 0.0) == -6.0


def test_to_give_a_ceiling_back_raises_nothing_by_itself() -> None:
    house = playing()
    slot = house.send("kick", "kit")
    house.engine.people.set_ceiling(-1, slot, -12.0)
    house.run(3.0)
    house.engine.people.set_ceiling(-1, slot, None)
    house.run(3.0)
    assert house.told(slot) == -12.0
    assert house.wish(-1, slot, -1.0).outcome == TAKEN


def test_a_muted_mix_has_its_new_ceiling_when_it_comes_back() -> None:
    house = playing()
    mute, slot = house.slot(P.BUS_MUTE, "", "kit"), house.master("kit")
    house.wish(-1, mute, 1.0)
    house.run(1.0)
    house.engine.people.set_ceiling(-1, slot, -20.0)
    house.run(3.0)
    house.wish(-1, mute, 0.0)
    house.run(20.0)
    assert house.told(slot) == -20.0


@pytest.mark.parametrize("ceiling", [math.nan])
def test_no_number_is_no_ceiling(ceiling: float) -> None:
    house = playing()
    with pytest.raises(ValueError, match="ceiling"):
        house.engine.people.set_ceiling(-1, house.send("kick", "kit"), ceiling)
    with pytest.raises(ValueError, match="slot"):
        house.engine.people.set_ceiling(-1, house.slot(P.SILENCE), -3.0)


# -- a room's window ----------------------------------------------------------------------------


def test_a_window_stops_performers_at_its_edges_and_moves_nothing_by_itself() -> None:
    house = playing()
    slot = house.send("voice", "kit")
    house.engine.wishes.windows = {slot: (-26.0, -14.0)}
    assert house.told(slot) == -20.0
    up = house.wish(INES, slot, -8.0)
    assert (up.outcome, up.rule, up.level) == (LIMITED, "room window", -14.0)
    down = house.wish(INES, slot, -60.0)
    assert (down.outcome, down.rule, down.level) == (LIMITED, "room window", -26.0)
    assert house.wish(-1, slot, -60.0).outcome == TAKEN, "the engineer is free"
    assert house.wish(INES, slot, -50.0).level == -50.0, "from outside back towards it"
    assert house.wish(INES, slot, -80.0).level == -50.0, "and not further away"


def test_a_group_falls_together_until_a_member_meets_the_window() -> None:
    house = playing()
    for channel, level in (("voice", -20.0), ("bass", -10.0)):
        house.wish(-1, house.send(channel, "kit"), level)
    house.run(15.0)
    house.engine.wishes.windows = {house.send("voice", "kit"): (-26.0, -14.0)}
    verdict = house.wish(INES, house.layout.slot(P.GROUP, 0), -60.0)
    assert (verdict.outcome, verdict.rule) == (LIMITED, "room window")
    assert house.told(house.send("voice", "kit")) == -26.0
    assert house.told(house.send("bass", "kit")) == -16.0


# -- presets that are called for ----------------------------------------------------------------


def test_a_rig_without_presets_says_so() -> None:
    assert playing().wish(INES, playing().layout.slot(P.PRESET_NEXT), 1.0).rule == "no presets"


def test_a_chattering_foot_switch_does_not_queue_up_an_hour() -> None:
    house = House(RIG + '[presets]\norder = ["reel"]\n').started()
    slot = house.layout.slot(P.PRESET_NEXT)
    outcomes = [house.wish(INES, slot, 1.0).outcome for _ in range(40)]
    assert outcomes.count(TAKEN) == limits.CALLS_MAX == len(house.engine.people.calls)
    assert house.wish(INES, slot, 1.0).rule == "preset busy"
    assert house.wish(INES, slot, 0.0).outcome == TAKEN, "the switch let go means nothing"

"""The stage binds the mix: nothing that the bridge does takes it past its margin."""

from __future__ import annotations

import pytest
from support.house import House
from support.stages import StagedHouse, staged_text

from bridge.mix.gesture import LIMITED, STEP, TAKEN, explain
from bridge.rig.layout import Parameter

MARGIN_DB = 6.0
NEAR_DB = 1e-4


def opened(text: str | None = None, **more: float) -> StagedHouse:
    house = StagedHouse(text, **more)  # type: ignore[arg-type]
    house.started()
    for bus in ("front", "left", "ears"):
        house.open(bus, 3.0)
    return house


def test_a_rig_without_a_stage_has_no_rules_of_one() -> None:
    assert House().engine.stage is None


def test_a_send_stops_where_the_margin_is_reached_and_says_so() -> None:
    house = opened()
    house.wish(-1, house.master("front"), 0.0)
    house.run(5.0)
    verdict = house.wish(-1, house.send("voice", "front"), 10.0)
    house.run(5.0)
    assert (verdict.outcome, verdict.rule, verdict.left_db) == (LIMITED, "feedback", 0.0)
    assert house.told(house.send("voice", "front")) == pytest.approx(verdict.level)
    assert house.headroom_db() == pytest.approx(MARGIN_DB, abs=NEAR_DB)
    assert house.headroom_db() >= MARGIN_DB
    assert "would ring" in explain(verdict, house.rig)


def test_a_master_stops_where_the_margin_is_reached() -> None:
    house = opened()
    house.wish(-1, house.send("voice", "front"), 5.0)
    house.run(5.0)
    verdict = house.wish(-1, house.master("front"), 10.0)
    house.run(5.0)
    assert verdict.rule == "feedback"
    assert house.headroom_db() == pytest.approx(MARGIN_DB, abs=NEAR_DB)


def test_a_raise_that_is_taken_says_how_much_is_left() -> None:
    house = opened()
    house.wish(-1, house.master("front"), 0.0)
    house.run(3.0)
    verdict = house.wish(-1, house.send("voice", "front"), -5.0)
    assert verdict.outcome == TAKEN and verdict.near == "feedback"
    more = house.wish(-1, house.send("voice", "front"), -5.0 + verdict.left_db + 3.0)
    assert more.level == pytest.approx(-5.0 + verdict.left_db)
    assert "dB below the feedback limit" in explain(verdict, house.rig)


def test_wishes_of_one_tick_do_not_pass_the_margin_together() -> None:
    house = opened()
    slots = [house.send(c, b) for c in ("voice", "accordion") for b in ("front", "left")]
    slots += [house.master("front"), house.master("left")]
    for slot in slots:
        house.engine.wish(-1, slot, 0, 8.0, house.now_s)
    for _ in range(200):
        house.run(0.02)
        assert house.headroom_db() >= MARGIN_DB
    assert house.headroom_db() == pytest.approx(MARGIN_DB, abs=NEAR_DB)


def test_what_one_takes_the_other_has_no_more() -> None:
    house = opened()
    for bus in ("front", "left"):
        house.wish(-1, house.master(bus), 0.0)
    house.run(3.0)
    free = house.stage.ceiling(house.send("accordion", "left"))[0]
    house.wish(-1, house.send("voice", "front"), 10.0)
    house.run(3.0)
    assert house.stage.ceiling(house.send("accordion", "left"))[0] < free


def test_what_was_admitted_to_the_last_crumb_arrives() -> None:
    house = opened()
    cells = [house.send(c, b) for c in ("voice", "accordion") for b in ("front", "left")]
    for slot in (house.master("front"), house.master("left"), *cells, *cells[::-1]):
        house.wish(-1, slot, 9.0)  # each takes what the one before it has left
    house.run(60.0)
    assert house.headroom_db() == pytest.approx(MARGIN_DB, abs=NEAR_DB)
    assert house.headroom_db() >= MARGIN_DB
    m = house.engine.matrix
    assert not house.engine.moving
    assert all(m.told[slot] == m.goal[slot] for slot in cells)


def test_a_line_input_and_in_ears_are_not_bound_by_feedback() -> None:
    house = opened()
    house.wish(-1, house.master("ears"), 0.0)
    house.wish(-1, house.master("front"), 0.0)
    house.run(3.0)
    assert house.wish(-1, house.send("click", "front"), 10.0).outcome == TAKEN
    assert house.wish(-1, house.send("voice", "ears"), 10.0).outcome == TAKEN


def test_opening_a_bus_behind_which_too_much_waits_brings_it_up_to_the_margin_alone() -> None:
    house = opened()
    house.wish(-1, house.master("front"), 0.0)
    house.run(3.0)
    mute = house.slot(Parameter.BUS_MUTE, "", "front")
    house.wish(-1, mute, 1.0)
    house.run(1.0)
    house.wish(-1, house.send("voice", "front"), 10.0)
    house.run(3.0)
    assert house.told(house.send("voice", "front")) == 10.0, "a muted bus has room"
    assert house.wish(0, mute, 0.0).outcome == TAKEN
    for _ in range(200):
        house.run(0.02)
        assert house.headroom_db() >= MARGIN_DB
    assert house.headroom_db() == pytest.approx(MARGIN_DB, abs=NEAR_DB)
    (late,) = house.engine.late
    assert (late.outcome, late.rule, late.who) == (LIMITED, "feedback", 0)
    assert late.slot == house.master("front")


def test_a_group_rises_together_until_the_margin_and_keeps_its_distances() -> None:
    house = opened()
    house.wish(-1, house.master("front"), 0.0)
    house.wish(-1, house.send("voice", "front"), -20.0)
    house.wish(-1, house.send("accordion", "front"), -25.0)
    house.run(3.0)
    verdict = house.wish(-1, house.layout.slot(Parameter.GROUP, 0), 40.0, STEP)
    house.run(5.0)
    assert (verdict.outcome, verdict.rule) == (LIMITED, "feedback")
    assert house.headroom_db() == pytest.approx(MARGIN_DB, abs=NEAR_DB)
    voice, accordion = (house.told(house.send(c, "front")) for c in ("voice", "accordion"))
    assert voice - accordion == pytest.approx(5.0)


def test_a_fall_is_never_held_and_leaves_room_for_others() -> None:
    house = opened()
    house.wish(-1, house.master("front"), 0.0)
    house.run(3.0)
    house.wish(-1, house.send("voice", "front"), 10.0)
    house.run(3.0)
    assert house.wish(-1, house.send("voice", "front"), -30.0).outcome == TAKEN
    assert house.told(house.send("voice", "front")) == -30.0
    assert house.wish(-1, house.send("accordion", "front"), 0.0).outcome == TAKEN


def test_a_fall_that_may_not_have_arrived_still_counts() -> None:
    house = opened(late_s=0.25)
    house.wish(-1, house.master("front"), 0.0)
    house.run(3.0)
    house.wish(-1, house.send("voice", "front"), 10.0)
    house.run(3.0)
    loud = house.told(house.send("voice", "front"))
    house.wish(-1, house.send("voice", "front"), -30.0)
    house.wish(-1, house.send("accordion", "front"), 3.0)
    house.run(0.2)
    assert house.stage.held.level[house.send("voice", "front")] == loud
    quiet = house.told(house.send("accordion", "front"))
    house.run(3.0)
    assert quiet < house.told(house.send("accordion", "front")) == 3.0


def test_the_desk_past_the_margin_is_followed_reported_and_nothing_rises() -> None:
    house = opened()
    house.engine.desk(house.master("front"), 10.0, house.now_s)
    house.engine.desk(house.send("voice", "front"), 10.0, house.now_s)
    assert [late.rule for late in house.engine.late] == ["past feedback"]
    assert house.told(house.send("voice", "front")) == 10.0
    verdict = house.wish(-1, house.send("accordion", "left"), -30.0)
    assert verdict.rule == "feedback"
    assert house.wish(-1, house.send("click", "left"), -30.0).outcome == TAKEN, "no microphone"
    assert house.wish(-1, house.send("voice", "front"), 0.0).outcome == TAKEN, "down is free"


def test_a_ramp_ends_where_it_is_when_the_desk_passes_the_margin() -> None:
    house = opened()
    house.wish(-1, house.send("accordion", "left"), -5.0)
    before = house.told(house.send("accordion", "left"))
    house.engine.desk(house.master("front"), 10.0, house.now_s)
    house.engine.desk(house.send("voice", "front"), 10.0, house.now_s)
    house.run(3.0)
    assert house.told(house.send("accordion", "left")) == before
    house.engine.desk(house.master("front"), -40.0, house.now_s)
    house.run(3.0)
    assert house.told(house.send("accordion", "left")) == before, "until somebody asks again"


def test_where_the_rig_says_so_the_bridge_pulls_down_at_the_declared_rate() -> None:
    house = opened(staged_text('when_over = "pull down"\npull_db_per_s = 10'))
    house.engine.desk(house.master("front"), 10.0, house.now_s)
    house.engine.desk(house.send("voice", "front"), 10.0, house.now_s)
    over = MARGIN_DB - house.headroom_db()
    assert over > 2.0
    house.run(0.1)
    assert 0.8 < 10.0 - house.told(house.master("front")) < 1.3
    house.run(over / 10.0 + 1.0)
    assert MARGIN_DB <= house.headroom_db() < MARGIN_DB + 0.5
    assert house.told(house.send("voice", "front")) == 10.0, "the mix stays as it is"


def test_an_ear_has_its_limit() -> None:
    house = opened(staged_text(ear="most_db = 98"))
    house.wish(-1, house.master("front"), 0.0)
    house.run(3.0)
    verdict = house.wish(-1, house.send("click", "front"), 10.0)
    assert verdict.rule == "exposure"
    # by hand: the wedge stands about 1.92 m from the ear, almost on axis
    level = 104.0 - 20.0 * __import__("math").log10((1.25**2 + 1.45**2) ** 0.5)
    assert verdict.level == pytest.approx(98.0 - level, abs=0.5)
    assert "at an ear" in explain(verdict, house.rig)


def test_a_loudspeaker_has_its_most() -> None:
    house = opened(staged_text(wedge="max_spl_db = 110"))
    house.wish(-1, house.master("front"), 0.0)
    house.run(3.0)
    house.wish(-1, house.send("voice", "front"), -90.0)
    verdict = house.wish(-1, house.send("click", "front"), 10.0)
    assert (verdict.rule, verdict.level) == ("amplifier", pytest.approx(6.0, abs=1e-4))


def test_post_fader_sends_count_with_their_fader() -> None:
    house = opened()
    fader = house.slot(Parameter.CHANNEL_FADER, "voice")
    house.engine.desk(fader, -10.0, house.now_s)
    tap = house.slot(Parameter.SEND_TAP, "voice", "front")
    house.wish(-1, tap, 1.0)
    house.wish(-1, house.master("front"), 0.0)
    house.run(5.0)
    house.wish(-1, house.send("voice", "front"), 10.0)
    house.run(5.0)
    house.wish(-1, fader, -40.0)
    house.wish(-1, house.send("voice", "front"), 2.0)
    house.run(5.0)
    verdict = house.wish(-1, fader, 10.0)
    house.run(5.0)
    assert (verdict.outcome, verdict.rule) == (LIMITED, "feedback")
    assert MARGIN_DB <= house.headroom_db() < MARGIN_DB + NEAR_DB


def test_under_the_bound_of_amplitudes_the_worst_case_of_all_phases_holds() -> None:
    house = opened(staged_text('bound = "amplitude"'))
    for bus in ("front", "left"):
        house.wish(-1, house.master(bus), 0.0)
    house.run(3.0)
    house.wish(-1, house.send("voice", "front"), 10.0)
    house.wish(-1, house.send("accordion", "front"), 10.0)
    house.run(3.0)
    import numpy as np

    e = 10.0 ** (house.effective(house.engine.matrix.told) / 20.0)
    rho = max(abs(np.linalg.eigvals(e.T @ house.stage.survey.amplitudes)))
    assert -20.0 * np.log10(rho) == pytest.approx(MARGIN_DB, abs=NEAR_DB)
    assert house.headroom_db() > MARGIN_DB


def test_a_ring_mark_replaces_the_prediction() -> None:
    from bridge.stage.rings import RingMark

    house = opened()
    house.wish(-1, house.master("front"), 0.0)
    house.run(3.0)
    slot = house.send("voice", "front")
    before = house.stage.ceiling(slot)[0]
    house.stage.use_marks((RingMark(0, 0, 0.5),))
    assert house.stage.ceiling(slot)[0] == pytest.approx(-5.5, abs=1e-3) != before
    house.stage.use_marks(())
    assert house.stage.ceiling(slot)[0] == pytest.approx(before)


def test_a_lifted_send_passes_its_own_feedback_ceiling_and_no_other() -> None:
    house = opened()
    house.wish(-1, house.master("front"), 0.0)
    house.run(3.0)
    house.stage.lift(0, 0)
    assert house.wish(-1, house.send("voice", "front"), 10.0).rule != "feedback"
    house.run(3.0)
    house.wish(-1, house.master("left"), 0.0)
    house.run(3.0)
    assert house.wish(-1, house.send("accordion", "left"), 10.0).rule == "feedback"
    house.wish(-1, house.send("accordion", "left"), -40.0)
    house.stage.lower()
    assert house.wish(-1, house.send("accordion", "left"), -30.0).rule == "feedback"


@pytest.mark.parametrize("bound", ["power", "amplitude"])
def test_the_map_of_all_ceilings_says_the_same_as_each_asked_alone(bound: str) -> None:
    text = staged_text(f'bound = "{bound}"', wedge="max_spl_db = 110", ear="most_db = 98")
    house = opened(text)
    for bus in ("front", "left", "ears"):
        house.wish(-1, house.master(bus), -3.0)
    house.run(3.0)
    world, m = house.stage.goals, house.engine.matrix
    found = world.map()
    for slot in range(m.send, m.on):
        place = divmod(slot - m.send, m.buses)
        level, rule = world.ceiling(slot)
        assert found.sends[place] == pytest.approx(level, abs=1e-5)
        assert rule in ("", found.send_rules[place])
    for bus in range(m.buses):
        level, rule = world.ceiling(m.master + bus)
        assert found.masters[bus] == pytest.approx(level, abs=1e-5)
        assert rule in ("", found.master_rules[bus])

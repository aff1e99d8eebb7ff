"""The witness on ceilings and speed: clean recordings stay green, planted faults turn it red."""

from __future__ import annotations

import math

import pytest
from simulator_tape import (
    CHANNEL_MUTE,
    FADER,
    MASTER,
    MASTER_0,
    MUTE,
    OFF,
    ON,
    OPEN,
    SEND,
    SEND_0,
    SETTABLE,
    SILENCE,
    TAP,
    Tape,
    facts,
    settable,
    slot,
)

# --- ceiling ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("where", "ceiling_db"),
    [
        (slot(SEND, 0, 0), 0.0),
        (slot(SEND, 1, 1), -3.0),
        (slot(MASTER, bus=0), 3.0),
        (slot(MASTER, bus=1), 0.0),
        (slot(FADER, 0), 10.0),
    ],
)
def test_a_level_above_its_ceiling_turns_it_red_and_one_at_it_does_not(
    where: int, ceiling_db: float
) -> None:
    at_ceiling = facts({where: ceiling_db})
    assert Tape(at_ceiling).told(1.0, where, ceiling_db).found() == {}
    assert Tape(at_ceiling).told(1.0, where, ceiling_db + 0.01).found()["ceiling"] == 1


def test_a_level_that_is_no_number_turns_it_red() -> None:
    assert Tape().told(1.0, SEND_0, math.nan).found()["ceiling"] == 1
    assert Tape().told(1.0, MASTER_0, math.inf).found()["ceiling"] == 1


def test_a_post_fader_send_counts_with_its_fader() -> None:
    post = facts({slot(TAP, 0, 0): 1.0, slot(FADER, 0): 4.0, SEND_0: -5.0})
    assert Tape(post).told(1.0, SEND_0, -4.0).found() == {}
    assert Tape(post).told(1.0, SEND_0, -3.9).found()["ceiling"] == 1
    assert Tape(post).told(1.0, slot(FADER, 0), 5.0).found() == {}
    raised = Tape(post).told(1.0, SEND_0, -4.0).told(2.0, slot(FADER, 0), 4.5).judged()
    assert raised.counts == {"ceiling": 1}
    assert "send level of drums in kit" in str(raised.first)


def test_a_fall_that_does_not_go_far_enough_is_no_raise() -> None:
    """The desk's fader may stand too high; that is the desk's doing."""
    post = facts({slot(TAP, 0, 0): 1.0, slot(FADER, 0): 10.0, SEND_0: -5.0})
    assert Tape(post).told(1.0, SEND_0, -6.0).found() == {}


def test_a_tap_that_lets_a_fader_push_a_send_over_its_ceiling_turns_it_red() -> None:
    def tape(fader_db: float) -> Tape:
        pre = facts({SEND_0: -0.5, slot(FADER, 0): fader_db})
        return Tape(pre).told(1.0, slot(TAP, 0, 0), 1.0)

    assert tape(0.5).found() == {}
    assert tape(0.6).found() == {"ceiling": 1}


def test_a_fader_that_the_desk_has_just_raised_is_news_to_the_bridge_at_first() -> None:
    post = facts({slot(TAP, 0, 0): 1.0, slot(FADER, 0): 0.0, SEND_0: -5.0}, news_s=0.05)

    def tape(sent_s: float) -> Tape:
        return Tape(post).desk(1.0, slot(FADER, 0), 8.0).told(1.1, SEND_0, -4.5, sent=sent_s)

    assert tape(1.04).found() == {}
    assert tape(1.06).found() == {"ceiling": 1}


# --- speed -----------------------------------------------------------------------------------


def test_a_ramp_at_the_permitted_speed_is_green() -> None:
    assert Tape().ramp(1.0, SEND_0, (-59.0, -5.0), 6.0).found() == {}


def test_a_ramp_at_double_speed_turns_it_red() -> None:
    assert Tape().ramp(1.0, SEND_0, (-59.0, -5.0), 12.0).found()["slew"] >= 1


def test_a_ramp_that_is_a_twentieth_too_fast_turns_it_red() -> None:
    assert Tape().ramp(1.0, SEND_0, (-59.0, -5.0), 6.3).found()["slew"] >= 1


def test_the_stricter_speed_of_a_bus_counts() -> None:
    assert Tape().ramp(1.0, slot(SEND, 0, 1), (-59.0, -10.0), 3.0).found() == {}
    assert Tape().ramp(1.0, slot(SEND, 0, 1), (-59.0, -10.0), 6.0).found()["slew"] >= 1


def test_rise_that_was_saved_up_in_an_hour_turns_it_red() -> None:
    held = facts({SEND_0: -20.0})
    assert Tape(held).told(3600.0, SEND_0, -19.0).found() == {}
    assert Tape(held).told(3600.0, SEND_0, -15.0).found() == {"slew": 1}


def test_a_step_does_not_come_back_before_time_has_passed() -> None:
    held = facts({SEND_0: -20.0})
    steps = Tape(held).told(1.0, SEND_0, -19.0)
    assert steps.told(1.0, SEND_0, -18.0).found() == {"slew": 1}
    rested = Tape(held).told(1.0, SEND_0, -19.0).told(1.0 + 1 / 6, SEND_0, -18.0)
    assert rested.found() == {}


def test_a_fall_is_free_and_what_rises_after_it_starts_from_there() -> None:
    held = facts({SEND_0: -5.0})
    assert Tape(held).told(1.0, SEND_0, OFF).told(1.0, SEND_0, -59.0).found() == {}
    assert Tape(held).told(1.0, SEND_0, -30.0).told(1.1, SEND_0, -5.0).found() == {"slew": 1}


def test_levels_below_the_ramp_floor_are_one() -> None:
    assert Tape().told(1.0, SEND_0, -60.0).told(1.1, SEND_0, -59.0).found() == {}
    assert Tape().told(1.0, SEND_0, -58.9).found() == {"slew": 1}


def test_one_jump_is_one_breach() -> None:
    tape = Tape(facts({SEND_0: -40.0})).told(1.0, SEND_0, -20.0)
    for i in range(50):
        tape.told(2.0 + i, SEND_0, -20.0)
    assert tape.found() == {"slew": 1}


def test_the_desks_own_move_is_not_judged_and_is_where_the_next_one_starts() -> None:
    held = facts({SEND_0: -40.0})
    assert Tape(held).desk(1.0, SEND_0, 5.0).told(2.0, SEND_0, 0.0).found() == {}
    lowered = Tape(facts({SEND_0: -5.0})).desk(1.0, SEND_0, -30.0)
    assert lowered.told(2.0, SEND_0, -5.0).found() == {"slew": 1}


def test_a_word_that_crosses_the_desks_move_is_judged_as_if_it_had_not_happened() -> None:
    held = facts({SEND_0: -5.0}, delay_s=0.05, news_s=0.05)

    def tape(sent_s: float, level_db: float) -> Tape:
        return Tape(held).desk(1.0, SEND_0, -30.0).told(1.1, SEND_0, level_db, sent=sent_s)

    crossed = tape(1.04, -4.5).judged()
    assert (crossed.counts, crossed.crossed) == ({}, 1)
    assert tape(1.06, -4.5).found() == {"slew": 1}
    assert tape(1.04, -2.0).found() == {"slew": 1}


def test_a_word_may_cross_two_moves_of_the_desk() -> None:
    tape = Tape(facts({SEND_0: -5.0}, delay_s=0.05, news_s=0.05))
    tape.desk(1.0, SEND_0, -20.0).desk(1.02, SEND_0, -30.0)
    assert tape.told(1.05, SEND_0, -4.5, sent=1.03).found() == {}


def test_a_move_that_the_bridge_cannot_learn_of_is_forgiven_once() -> None:
    tape = Tape(facts({SEND_0: -5.0})).desk(1.0, SEND_0, -30.0, hidden=True)
    assert tape.told(500.0, SEND_0, -4.5).found() == {}
    assert tape.told(501.0, SEND_0, -2.0).found() == {"slew": 1}


# --- gates -----------------------------------------------------------------------------------

GATES = [
    ("bus mute", slot(MUTE, bus=0), 1.0, MASTER_0),
    ("send on", slot(ON, 0, 0), 0.0, SEND_0),
    ("bus open", slot(OPEN, bus=0), 0.0, MASTER_0),
    ("silence all", slot(SILENCE), 1.0, MASTER_0),
]


@pytest.mark.parametrize(("name", "gate", "shut", "level"), GATES)
def test_a_gate_that_opens_onto_a_level_is_a_rise(
    name: str, gate: int, shut: float, level: int
) -> None:
    switches = settable(*SETTABLE, OPEN, SILENCE)
    opened = {slot(OPEN, bus=0): 1.0, slot(OPEN, bus=1): 1.0}

    def tape(behind_db: float) -> Tape:
        held = facts({**opened, gate: shut, level: behind_db}, can_set=switches)
        return Tape(held).told(1.0, gate, 1.0 - shut)

    assert tape(-20.0).found() == {"slew": 1}, name
    assert tape(-59.5).found() == {}, name


@pytest.mark.parametrize(("name", "gate", "shut", "level"), GATES)
def test_levels_behind_a_closed_gate_move_freely(
    name: str, gate: int, shut: float, level: int
) -> None:
    switches = settable(*SETTABLE, OPEN, SILENCE)
    held = facts({slot(OPEN, bus=0): 1.0, gate: shut}, can_set=switches)
    assert Tape(held).told(1.0, level, -1.0).found() == {}, name


def test_a_gate_that_closes_and_opens_again_is_a_rise() -> None:
    tape = Tape(facts({MASTER_0: -10.0}))
    tape.told(1.0, slot(MUTE, bus=0), 1.0).told(1.5, slot(MUTE, bus=0), 0.0)
    assert tape.found() == {"slew": 1}


def test_a_switch_that_the_console_does_not_have_is_no_gate() -> None:
    assert slot(OPEN, bus=0) not in facts().can_set
    assert Tape(facts({MASTER_0: -10.0})).told(1.0, MASTER_0, -5.0).found() == {"slew": 1}


@pytest.mark.parametrize(
    ("cuts", "tap", "red"),
    [({"post"}, 1.0, True), ({"post"}, 0.0, False), ({"pre", "post"}, 0.0, True), (set(), 1.0, 0)],
)
def test_a_channel_mute_is_a_gate_only_for_the_taps_that_it_cuts(
    cuts: set[str], tap: float, red: bool
) -> None:
    values = {SEND_0: -10.0, slot(TAP, 0, 0): tap, slot(CHANNEL_MUTE, 0): 1.0}
    tape = Tape(facts(values, mute_cuts=frozenset(cuts)))
    assert tape.told(1.0, slot(CHANNEL_MUTE, 0), 0.0).found() == ({"slew": 1} if red else {})


def test_a_tap_that_moves_the_level_by_more_than_a_step_turns_it_red() -> None:
    def tape(fader_db: float) -> Tape:
        held = facts({SEND_0: -20.0, slot(FADER, 0): fader_db})
        return Tape(held).told(1.0, slot(TAP, 0, 0), 1.0)

    assert tape(0.9).found() == {}
    assert tape(-30.0).found() == {}
    assert tape(6.0).found() == {"slew": 1}


def test_a_tap_back_to_pre_from_a_fader_that_is_down_turns_it_red() -> None:
    held = facts({SEND_0: -20.0, slot(FADER, 0): OFF, slot(TAP, 0, 0): 1.0})
    assert Tape(held).told(1.0, slot(TAP, 0, 0), 0.0).found() == {"slew": 1}


# --- overtaken -------------------------------------------------------------------------------


def test_overtaken_and_doubled_words_are_counted_and_not_judged_for_speed() -> None:
    tape = Tape(facts({SEND_0: -20.0}, delay_s=0.05))
    tape.told(1.00, SEND_0, -19.5, seq=1).told(1.02, SEND_0, -30.0, seq=3)
    tape.told(1.03, SEND_0, -19.4, seq=2).told(1.03, SEND_0, -19.5, seq=1)
    tape.told(1.04, SEND_0, -29.5, seq=4)
    findings = tape.judged()
    assert (findings.counts, findings.late) == ({}, 2)
    assert tape.told(1.05, SEND_0, -29.5, seq=4).judged().late == 3


def test_speed_goes_by_the_newer_word_after_an_overtaken_one() -> None:
    tape = Tape(facts({SEND_0: -20.0}, delay_s=0.05))
    tape.told(1.02, SEND_0, -30.0, seq=3).told(1.03, SEND_0, -19.4, seq=2)
    assert tape.told(1.04, SEND_0, -19.4, seq=4).found() == {"slew": 1}


def test_an_overtaken_word_is_still_judged_for_its_ceiling() -> None:
    tape = Tape(facts({SEND_0: -20.0}, delay_s=0.05))
    tape.told(1.02, SEND_0, -30.0, seq=3).told(1.03, SEND_0, 5.0, seq=2)
    assert tape.found() == {"ceiling": 1}


def test_a_low_number_that_comes_too_late_to_be_overtaken_is_judged() -> None:
    tape = Tape(facts({SEND_0: -20.0}, delay_s=0.05))
    tape.told(1.0, SEND_0, -30.0, seq=300).told(2.0, SEND_0, -10.0, seq=2)
    assert tape.found() == {"slew": 1}


# --- coarse controls -------------------------------------------------------------------------


def _coarse(step_db: float, start_db: float) -> Tape:
    scale = tuple(-60.0 + i * step_db for i in range(int(60 / step_db) + 1))
    return Tape(facts({SEND_0: start_db}, scales=(scale,), scale_of={SEND_0: 0}))


def test_a_coarse_control_may_add_one_of_its_own_steps_and_not_two() -> None:
    assert _coarse(3.0, -30.0).told(1.0, SEND_0, -27.0).found() == {}
    assert _coarse(3.0, -30.0).told(1.0, SEND_0, -24.0).found() == {"slew": 1}
    fine = Tape(facts({SEND_0: -30.0}))
    assert fine.told(1.0, SEND_0, -27.0).found() == {"slew": 1}


def test_a_coarse_control_may_not_add_a_step_each_time() -> None:
    tape = _coarse(3.0, -30.0)
    for i in range(4):
        tape.told(1.0 + i * 0.1, SEND_0, -27.0 + 3.0 * i)
    assert tape.found()["slew"] >= 1


def test_a_coarse_control_at_the_permitted_speed_is_green() -> None:
    tape = _coarse(3.0, -60.0)
    for i in range(1, 20):
        tape.told(i * 0.5, SEND_0, -60.0 + 3.0 * i)
    assert tape.found() == {}


def test_a_wide_step_at_the_bottom_does_not_excuse_a_jump_where_steps_are_fine() -> None:
    scale = (-60.0, -56.0, -53.0, *(-50.0 + i * 0.5 for i in range(101)))
    tape = Tape(facts({SEND_0: -60.0}, scales=(scale,), scale_of={SEND_0: 0}))
    tape.told(0.1, SEND_0, -56.0).told(0.6, SEND_0, -53.0).told(1.1, SEND_0, -50.0)
    assert tape.found() == {}
    assert tape.told(1.2, SEND_0, -48.0).found() == {"slew": 1}


def test_one_wide_step_does_not_excuse_a_jump_later_in_the_same_ride() -> None:
    """From -60 to -56 in one step, then a ride that never rests, then 2 dB at once."""
    scale = (-60.0, *(-56.0 + i * 0.5 for i in range(113)))
    tape = Tape(facts({SEND_0: -60.0}, scales=(scale,), scale_of={SEND_0: 0}))
    tape.told(0.0, SEND_0, -56.0)
    for i in range(1, 41):
        tape.told(0.2 + i / 12, SEND_0, -56.0 + i * 0.5)
    assert tape.found() == {}
    assert tape.told(0.2 + 40 / 12, SEND_0, -34.0).found() == {"slew": 1}

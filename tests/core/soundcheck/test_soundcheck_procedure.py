"""The procedure on a real engine: what is up and when, in every state of its table."""

from __future__ import annotations

import math

import pytest
from sound_stage import (
    ACCORDION,
    EARS,
    FRONT,
    IN_STATE,
    KIT,
    STAGE,
    Check,
    chosen,
    clear,
    ready,
    rising,
)

from bridge.rig.layout import Parameter
from bridge.rig.rig import ENGINEER
from bridge.soundcheck.rise import RATE_DB_PER_S, START_DB, STEP_DB
from bridge.soundcheck.states import Finding, State, Word
from bridge.soundcheck.words import TABLE

GO, RING, SILENCE, NEXT, BACK, AGAIN = (
    Word.GO, Word.RING, Word.SILENCE, Word.NEXT, Word.BACK, Word.AGAIN)  # fmt: skip
OFF = -math.inf


def test_every_state_has_its_row_and_its_way_in() -> None:
    assert set(TABLE) == set(State) == set(IN_STATE)
    for state, way in IN_STATE.items():
        assert way().state is state


@pytest.mark.parametrize("state", State)
def test_silence_takes_every_master_off_at_once_in_every_state(state: State) -> None:
    check = IN_STATE[state]()
    check.say(SILENCE)
    assert check.silent() and check.loudest_db() == OFF
    check.run(20.0)
    assert check.silent(), "and nothing comes back by itself"


@pytest.mark.parametrize("state", sorted(set(State) - {State.WAITING, State.LEFT}))
def test_after_a_silence_nothing_but_go_begins_again_and_that_from_low(state: State) -> None:
    check = IN_STATE[state]().say(SILENCE)
    for word in set(Word) - {GO, SILENCE, Word.LEAVE}:
        check.say(word).run(1.0)
        assert check.state is State.HELD and check.silent()
    check.say(GO)
    check.run(10.0)
    assert check.state is State.CHOOSE and check.loudest_db() == OFF
    check.say(GO).until(State.READY).say(GO).run(0.1)
    assert check.effective() <= START_DB


@pytest.mark.parametrize("state", sorted(set(State) - {State.WAITING, State.HELD, State.LEFT}))
def test_a_silence_pressed_anywhere_else_holds_the_soundcheck_too(state: State) -> None:
    check = IN_STATE[state]()
    silence = check.house.slot(Parameter.SILENCE)
    check.house.wish(ENGINEER, silence, 1.0)
    check.run(0.2)
    assert check.silent()
    if state is State.LEAVING:
        return  # it is all down and closed already, and says so
    assert check.state is State.HELD
    assert check.say(NEXT).run(5.0).silent()


@pytest.mark.parametrize("state", State)
def test_every_word_in_every_state_leaves_everything_under_its_static_ceilings(
    state: State,
) -> None:
    for word in Word:
        check = IN_STATE[state]().say(word, 1000.0 if word is Word.TONE else None)
        check.run(2.0)
        for slot, ceiling in enumerate(check.engine.ceilings.hard):
            assert not check.engine.matrix.told[slot] > ceiling
        assert check.engine.outgoing.faults == 0


@pytest.mark.parametrize("state", State)
def test_leaving_takes_down_whatever_was_raised(state: State) -> None:
    check = IN_STATE[state]().say(Word.LEAVE)
    was = check.house.now_s
    check.run(5.0)
    assert check.state in (State.LEAVING, State.LEFT)
    rises = [word for word in check.house.words if word[0] > was and word[2] > -60.0
             and check.engine.matrix.is_send(word[1])]  # fmt: skip
    if state in (State.WAITING, State.CHOOSE, State.RESTORING):
        return  # nothing of the soundcheck's was up; the mix from before is not its to close
    assert check.loudest_db() == OFF and not rises


def test_a_word_that_does_nothing_says_what_would() -> None:
    check = ready().say(Word.RESTORE)
    assert check.texts[-1] == (
        "`restore` does nothing while ready to raise; what does: `go`, `next`, `back`, `again`, "
        "`silence`, `quit`."
    )


# -- a mix is made ready ------------------------------------------------------------------------


def test_before_anything_rises_every_other_mix_is_closed_and_this_one_is_empty() -> None:
    check = chosen()
    assert check.told(Parameter.SEND_LEVEL, ACCORDION, KIT) == -15.0
    check.say(GO)
    m = check.engine.matrix
    assert all(m.told[slot] == OFF for slot in m.sends_of_bus(KIT)), "falls at once"
    check.until(State.READY)
    assert [check.desk.open(bus) for bus in (KIT, FRONT, EARS)] == [True, False, False]
    assert check.told(Parameter.BUS_MASTER, -1, KIT) == -3.0, "its nominal level"
    assert check.loudest_db() == OFF


def test_a_master_stands_at_its_ceiling_where_nominal_lies_above() -> None:
    check = chosen().say(NEXT).say(GO).until(State.READY)
    assert check.told(Parameter.BUS_MASTER, -1, FRONT) == -2.0


def test_performers_hands_are_off_while_it_runs_and_free_again_after() -> None:
    check = ready()
    send = check.house.send("voice", "kit")
    assert check.house.wish(0, send, -10.0).rule == "frozen"
    check.say(Word.LEAVE).say(Word.LEAVE)
    assert check.house.wish(0, send, -10.0).rule == ""


def test_somebody_frozen_before_stays_frozen_after() -> None:
    check = chosen()
    check.house.wish(ENGINEER, check.rig.layout.slot(Parameter.FREEZE, 1), 1.0)
    check.say(GO).until(State.READY).say(Word.LEAVE).say(Word.LEAVE)
    assert list(check.engine.guard.frozen) == [0, 1, 0]


def test_a_mix_muted_at_the_desk_is_waited_for_and_that_is_said() -> None:
    check = chosen().say(GO).run(0.1)
    slot = check.rig.layout.slot(Parameter.BUS_MUTE, -1, KIT)
    check.engine.desk(slot, 1.0, check.house.now_s)
    check.run(25.0)
    assert check.state is State.PREPARING
    assert any("the console has not opened it" in text for text in check.texts)


# -- a pair rises -------------------------------------------------------------------------------


def test_only_the_pair_under_test_sounds_and_it_begins_low() -> None:
    check = ready().say(GO).up_to(START_DB)
    assert check.effective() == pytest.approx(START_DB, abs=0.01)
    loud = [(c, b) for c in range(3) for b in range(3) if check.desk.effective_db(c, b) > OFF]
    assert loud == [(ACCORDION, KIT)]


def test_it_rises_at_the_declared_rate_and_no_faster_for_all_moments() -> None:
    check = ready().say(GO).up_to(START_DB)
    levels = []
    for _ in range(400):
        levels.append((check.house.now_s, check.effective()))
        check.run(0.05)
    for i, (t1, low) in enumerate(levels):
        for t2, high in levels[i:]:
            assert high - low <= RATE_DB_PER_S * (t2 - t1) + STEP_DB + 1e-6
    took_s, rose = levels[-1][0] - levels[0][0], levels[-1][1] - levels[0][1]
    assert rose / took_s > 0.8 * RATE_DB_PER_S, "and not much slower"


def test_a_slow_mix_rises_as_slowly_as_its_own_rule_says() -> None:
    slow = STAGE.replace("nominal_db = -3", "nominal_db = -3\nrise_db_per_s = 0.5\nstep_db = 0.25")
    check = Check(slow).run(120.0).say(GO).until(State.READY, 300.0).say(GO)
    check.up_to(-30.0, 300.0)
    before = check.effective()
    check.run(10.0)
    assert check.state is State.RISING and 2.0 < check.effective() - before <= 5.0 + 0.25


def test_without_a_ring_it_stops_at_the_static_ceilings_and_notes_that() -> None:
    check = clear()
    assert check.procedure.found == [Finding("clear", ACCORDION, KIT, 3.0)]
    said = check.house.said(check.house.send("accordion", "kit"))
    assert max(said) == 3.0 and max(check.house.said(check.house.master("kit"))) == 0.0
    assert check.loudest_db() == OFF


def test_a_stricter_mix_stops_at_its_own_ceilings() -> None:
    check = chosen().say(NEXT).say(GO).until(State.READY).say(GO).until(State.CLEAR)
    assert check.procedure.found == [Finding("clear", ACCORDION, FRONT, -1.0)]


def test_the_feedback_ceiling_is_lifted_for_this_pair_only_while_it_rises() -> None:
    loud = STAGE.replace("spl_1m_db = 100", "spl_1m_db = 135")
    check = Check(loud)
    stage = check.engine.stage
    assert stage is not None
    send = check.house.send("accordion", "kit")
    check.run(0.1).say(GO).until(State.READY)
    ceiling = stage.ceiling(send)[0]
    assert ceiling < -10.0
    check.say(GO)
    assert stage.ceiling(send)[0] > 3.0
    check.up_to(ceiling + 3.0).say(RING)
    assert stage.ceiling(send)[0] == pytest.approx(ceiling)


@pytest.mark.parametrize("word", [RING, SILENCE, NEXT, BACK, AGAIN, Word.LEAVE, Word.OTHER])
def test_whatever_ends_a_rise_puts_the_feedback_ceiling_back(word: Word) -> None:
    check = rising().say(word)
    assert check.engine.stage is not None and check.engine.stage._lifted is None


def test_exposure_still_binds_while_feedback_is_lifted() -> None:
    ear = '[[ear]]\nperformer = "ines"\nat = [1.0, 3.5, 1.5]\nmost_db = 80\n'
    check = Check(STAGE + ear).run(0.1).say(GO).until(State.READY).say(GO)
    check.until(State.CLEAR)
    (found,) = check.procedure.found
    assert found.level_db < -5.0, "it went as far as the ear allows, not to the ceilings"

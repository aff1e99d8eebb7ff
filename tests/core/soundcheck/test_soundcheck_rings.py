"""The procedure on a real engine: rings, other hands, faults, the order, the way back."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import pytest
from sound_stage import (
    ACCORDION,
    FRONT,
    KIT,
    STAGE,
    VOICE,
    Check,
    chosen,
    leaving,
    ready,
    rising,
    stage_rig,
)

from bridge.mix.gesture import LIMITED, REFUSED
from bridge.rig.layout import Parameter
from bridge.rig.rig import ENGINEER
from bridge.soundcheck.marks import Book, Clear, Mark, with_clear, with_mark
from bridge.soundcheck.plan import done_pairs, pairs_of, plan_of
from bridge.soundcheck.states import Finding, Plan, State, Word
from bridge.stage.rings import RingMark

GO, RING, SILENCE, NEXT, BACK, AGAIN = (
    Word.GO, Word.RING, Word.SILENCE, Word.NEXT, Word.BACK, Word.AGAIN)  # fmt: skip
OFF = -math.inf


# -- it rings -----------------------------------------------------------------------------------


def test_a_ring_is_marked_at_the_level_of_the_moment_before_the_hand() -> None:
    check = rising(-14.0)
    levels = {}
    for _ in range(20):
        levels[round(check.house.now_s, 3)] = check.effective()
        check.run(0.05)
    check.say(RING, 2500.0)
    (found,) = check.procedure.found
    then = levels[round(check.house.now_s - 0.5, 3)]
    assert found == Finding("ring", ACCORDION, KIT, pytest.approx(then, abs=0.02), 2500.0)


def test_a_detector_marks_the_level_of_this_moment() -> None:
    check = rising(-14.0)
    now_db = check.effective()
    check.say(RING, 800.0, reaction_s=0.0)
    assert check.procedure.found[0].level_db == pytest.approx(now_db, abs=0.02)


def test_at_a_ring_the_pair_falls_below_the_margin_in_the_same_moment() -> None:
    check = rising(-14.0)
    before = check.house.now_s
    check.say(RING)
    assert check.house.now_s == before
    marked = check.procedure.found[0].level_db
    assert marked - 6.2 <= check.effective() < marked - 6.0
    check.run(5.0)
    assert check.effective() < marked - 6.0, "and stays there"


def test_what_still_rings_after_that_goes_off_at_once() -> None:
    check = rising().say(RING).say(RING)
    assert check.loudest_db() == OFF and check.state is State.RANG
    assert len(check.procedure.found) == 1, "one ring, one mark"


def test_a_ring_before_anything_is_up_leaves_no_mark() -> None:
    check = ready().say(GO).say(RING)
    assert check.state is State.READY and not check.procedure.found
    assert check.loudest_db() == OFF


def test_the_frequency_can_be_named_afterwards() -> None:
    check = rising().say(RING).say(Word.TONE, 630.0)
    assert check.procedure.found[1] == Finding("tone", ACCORDION, KIT, OFF, 630.0)


@pytest.mark.parametrize("word", [GO, Word.TONE, Word.RESTORE, Word.OTHER])
def test_a_slip_of_the_finger_takes_down_what_rises(word: Word) -> None:
    check = rising().say(word)
    assert check.state is State.READY and check.loudest_db() == OFF
    assert not check.procedure.found


# -- hands and faults meanwhile -----------------------------------------------------------------


def test_somebody_who_moves_its_level_stops_it() -> None:
    for level_db in (-40.0, 2.0):
        check = rising()
        check.house.wish(ENGINEER, check.house.send("accordion", "kit"), level_db)
        check.run(0.1)
        assert check.state is State.READY and check.loudest_db() == OFF
        assert "somebody else moved its level" in check.texts[-2]


def test_another_microphone_that_comes_up_stops_it() -> None:
    check = rising()
    check.house.wish(ENGINEER, check.house.send("voice", "kit"), -20.0)
    check.run(1.0)
    assert check.state is State.READY and "voice in Ines came up" in check.texts[-2]
    assert check.desk.effective_db(ACCORDION, KIT) == OFF


def test_another_mix_that_opens_stops_it() -> None:
    check = rising()
    check.house.wish(ENGINEER, check.house.send("voice", "front"), -10.0)
    check.house.wish(ENGINEER, check.house.slot(Parameter.BUS_OPEN, "", "front"), 1.0)
    check.run(5.0)
    assert check.state is State.READY and "voice in front came up" in check.texts[-2]


def test_a_mix_that_somebody_mutes_stops_it() -> None:
    check = rising()
    check.house.wish(ENGINEER, check.house.slot(Parameter.BUS_MUTE, "", "kit"), 1.0)
    check.run(0.1)
    assert check.state is State.READY and "the mix was closed or muted" in check.texts[-2]


def test_a_lost_console_holds_it_and_what_was_raised_is_asked_down() -> None:
    check = rising()
    check.engine.console_lost()
    check.run(0.1)
    assert check.state is State.HELD
    assert check.engine.matrix.goal[check.house.send("accordion", "kit")] == OFF
    check.say(GO).run(1.0)
    assert check.state is State.HELD, "nothing begins before it is back"
    check.engine.console_back({}, check.house.now_s)
    check.say(GO).run(0.1)
    assert check.state is State.CHOOSE


def test_a_muted_microphone_is_told_after_a_while_instead_of_noted_as_clear() -> None:
    cut = STAGE.replace("[stage]", 'channel_mute_cuts = ["pre", "post"]\n[stage]')
    check = Check(cut).run(0.1).say(GO).until(State.READY)
    check.house.wish(ENGINEER, check.house.slot(Parameter.CHANNEL_MUTE, "accordion"), 1.0)
    check.say(GO).run(10.0)
    assert check.state is State.READY and not check.procedure.found
    assert "microphone muted?" in check.texts[-2]


def test_a_channel_taken_after_a_fader_that_nobody_knows_is_not_raised() -> None:
    post = STAGE.replace("nominal_db = -3", 'nominal_db = -3\ntap = "post"')
    check = Check(post).run(0.1).say(GO).until(State.READY).say(GO)
    assert check.state is State.READY and "off or not known" in check.texts[-1]
    check.engine.desk(check.house.slot(Parameter.CHANNEL_FADER, "accordion"), -5.0, 99.0)
    check.say(GO).until(State.CLEAR)
    assert check.procedure.found[0].level_db == pytest.approx(3.0 - 5.0)


def test_before_the_console_was_read_nothing_begins_and_a_silence_is_not_forgotten() -> None:
    check = Check()
    check.engine.phase = 0
    check.run(0.2).say(GO).say(SILENCE)
    assert check.state is State.WAITING and not check.silent()
    check.engine.phase = 3
    check.run(0.2)
    assert check.silent() and check.state is State.HELD


# -- the order, and what was tested before ------------------------------------------------------


def test_microphones_that_hear_no_mix_and_mixes_without_loudspeakers_are_left_out() -> None:
    assert pairs_of(stage_rig()) == ((ACCORDION, VOICE), (ACCORDION, VOICE), ())


def test_next_goes_through_every_microphone_of_every_mix_once() -> None:
    check, seen = chosen(), []
    for _ in range(2):
        check.say(GO).until(State.READY)
        while check.state is State.READY:
            seen.append(check.procedure.pair)
            check.say(GO).up_to(-25.0).say(RING).say(NEXT)
    assert seen == [(ACCORDION, KIT), (VOICE, KIT), (ACCORDION, FRONT), (VOICE, FRONT)]
    assert "Every microphone has been tested" in check.texts[-1]
    assert check.loudest_db() == OFF


def test_back_offers_the_one_before_and_then_the_mixes() -> None:
    check = ready().say(NEXT).say(BACK)
    assert check.procedure.pair == (ACCORDION, KIT)
    check.say(BACK)
    assert check.state is State.CHOOSE and check.loudest_db() == OFF


def book(*tested_before: Mark | Clear) -> Book:
    made = Book("stage.marks.toml")
    for one in tested_before:
        made = with_mark(made, one) if isinstance(one, Mark) else with_clear(made, one)
    return made


def when(hour: int, **more: object) -> dict[str, object]:

    return {"when": datetime(2025, 3, 1, hour, tzinfo=UTC), "by": "Ruth", **more}


def test_resuming_passes_over_what_was_marked_or_clear_as_far_as_it_can_go() -> None:
    rig = stage_rig()
    marked = Mark.model_validate(when(1, channel="accordion", bus="kit", level_db=-9.0))
    whole = Clear.model_validate(when(1, channel="voice", bus="kit", clear_to_db=3.0))
    part = Clear.model_validate(when(1, channel="voice", bus="front", clear_to_db=-9.0))
    full = part.model_copy(update={"ceiling_db": -1.0})  # as far as the rig then let it
    assert done_pairs(book(full), rig) == {(VOICE, FRONT)}
    assert done_pairs(book(full.model_copy(update={"ceiling_db": -2.0})), rig) == frozenset()
    gone = Mark.model_validate(
        when(1, channel="accordion", bus="front", level_db=-9.0, withdrawn=True)
    )
    kept = book(marked, whole, part, gone)
    assert done_pairs(kept, rig) == {(ACCORDION, KIT), (VOICE, KIT)}
    check = Check(plan=plan_of(rig, kept)).run(0.1).say(GO).until(State.READY)
    assert check.procedure.pair == (ACCORDION, FRONT)
    assert plan_of(rig, kept, fresh=True).done == frozenset()


def test_a_clear_pair_with_an_older_mark_says_that_the_mark_still_binds() -> None:
    marks = (RingMark(ACCORDION, KIT, -9.0),)
    check = Check(plan=Plan(pairs_of(stage_rig()), marks=marks)).run(0.1)
    check.say(GO).until(State.READY).say(GO).until(State.CLEAR)
    assert "`withdraw accordion kit`" in check.texts[-1]


# -- the way back -------------------------------------------------------------------------------


def test_the_mix_from_before_comes_back_when_it_is_asked_for_and_by_ramps() -> None:
    check = chosen()
    m = check.engine.matrix
    before = list(m.told[m.send : m.on]), m.told[m.master]
    check.say(GO).until(State.READY).say(GO).up_to(-20.0).say(Word.LEAVE).run(5.0)
    assert check.loudest_db() == OFF
    began = check.house.now_s
    check.say(Word.RESTORE).until(State.LEFT)
    assert (list(m.told[m.send : m.on]), m.told[m.master]) == before
    assert not any(check.engine.guard.frozen), "and everybody has their own again"
    ramp = [(t, v) for t, slot, v in check.house.words if slot == m.master and t >= began]
    for i, (t1, low) in enumerate(ramp):
        for t2, high in ramp[i:]:
            assert max(high, -60.0) - max(low, -60.0) <= 12.0 * (t2 - t1) + 1.0 + 1e-6


def test_a_send_comes_back_no_higher_than_the_margin_below_a_new_mark() -> None:
    check = rising()
    mark = RingMark(ACCORDION, KIT, -60.0)
    check.procedure.marks = (mark,)
    check.say(Word.LEAVE).say(Word.RESTORE).until(State.LEFT)
    told = check.told(Parameter.SEND_LEVEL, ACCORDION, KIT)
    assert told + check.engine.matrix.asked[check.house.master("kit")] <= -66.0 + 1e-9


def test_a_silence_while_it_comes_back_holds_it() -> None:
    check = leaving().say(Word.RESTORE).run(1.0).say(SILENCE).run(10.0)
    assert check.state is State.HELD and check.silent()


def test_every_wish_is_made_by_the_rules_of_the_engineer() -> None:
    """No verdict of a whole soundcheck says that a rule was broken on the way."""
    odd = STAGE.replace("nominal_db = -3", "nominal_db = -2.8")  # no whole steps to the ceiling
    check = Check(odd).run(0.1).say(GO).until(State.READY)
    verdicts = []
    wish = check.engine.wish
    check.engine.wish = lambda *args: verdicts.append(wish(*args)) or verdicts[-1]  # type: ignore[method-assign,func-returns-value]
    check.say(GO).until(State.CLEAR).say(NEXT).say(GO).up_to(-20.0).say(RING)
    assert verdicts and not [v for v in verdicts if v.outcome in (LIMITED, REFUSED)]
    assert {v.who for v in verdicts} == {ENGINEER}

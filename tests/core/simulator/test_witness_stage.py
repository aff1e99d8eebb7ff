"""The witness looks at the stage: feedback, ears, amplifiers."""

from __future__ import annotations

import math
import subprocess
import sys
from typing import Any

import numpy as np
import pytest
from simulator_tape import (
    CHANNEL_MUTE,
    FADER,
    LAYOUT,
    MASTER,
    MUTE,
    OFF,
    ON,
    PAN,
    SEND,
    TAP,
    Tape,
    facts,
    settable,
    slot,
)

from bridge.simulator import recording
from bridge.simulator.held import Held
from bridge.simulator.judge_feedback import StageJudge
from bridge.simulator.recording import RecordingError, facts_of, header_of
from bridge.simulator.stage_facts import Load, StageFacts

RINGS_AT_DB = -4.0
"""Where the drums' microphone alone rings in the kit mix."""
H = 10.0 ** (-RINGS_AT_DB / 10.0)
ALONE = StageFacts(6.0, "power", ((H, 0.0), (0.0, 0.0)))
SEND_00, SEND_10 = slot(SEND, 0, 0), slot(SEND, 1, 0)
MASTER_0, MASTER_1 = slot(MASTER, bus=0), slot(MASTER, bus=1)


def tape(stage: StageFacts, values: dict[int, float] | None = None, **more: Any) -> Tape:
    held = {MASTER_0: 0.0, MASTER_1: 0.0, SEND_00: -10.5} | (values or {})
    return Tape(facts(held, stage=stage, **more))


def test_a_word_up_to_the_margin_is_kept_and_one_beyond_it_is_red_with_time_cell_and_figures() -> (
    None
):
    run = tape(ALONE).told(1.0, SEND_00, -10.0)
    assert run.found() == {}
    found = run.told(2.0, SEND_00, -9.9).judged()
    assert found.counts == {"feedback": 1} and found.first is not None
    assert str(found.first) == (
        "2.000 s, feedback: send level of drums in kit: brings the stage to 5.9000 dB below the "
        "first ring, expected at least 6 dB (it was at 6.0000 dB)"
    )


def test_a_millionth_of_a_decibel_is_rounding_and_ten_are_not() -> None:
    assert tape(ALONE).told(1.0, SEND_00, -10.0 + 0.9e-6).found() == {}
    assert tape(ALONE).told(1.0, SEND_00, -10.0 + 1e-5).found() == {"feedback": 1}


def test_amplitudes_add_up_where_the_worst_case_is_the_bound() -> None:
    a = 10.0 ** (-RINGS_AT_DB / 20.0)
    both = StageFacts(6.0, "amplitude", ((a, 0.0), (a, 0.0)))
    # Two equal ones: each may stand 20 log10 2 = 6.02 dB lower than one alone.
    quiet = {SEND_00: -16.1, SEND_10: -16.1}
    assert tape(both, quiet).told(1.0, SEND_10, -16.0).found() == {}
    assert tape(both, quiet).told(1.0, SEND_10, -15.8).found() == {"feedback": 1}
    power = StageFacts(6.0, "power", ((H, 0.0), (H, 0.0)))
    loud = {SEND_00: -13.1, SEND_10: -13.1}  # 10 log10 2 = 3.01 dB
    assert tape(power, loud).told(1.0, SEND_10, -13.0).found() == {}
    assert tape(power, loud).told(1.0, SEND_10, -12.8).found() == {"feedback": 1}


CROSS = StageFacts(6.0, "power", ((0.0, H), (H, 0.0)))
"""Each mix comes back into the other one's microphone: only both together ring."""


def test_a_loop_through_two_mixes_is_found() -> None:
    far = slot(SEND, 1, 1)
    held = {SEND_00: -10.0, far: -10.5}
    assert tape(CROSS, held).told(1.0, far, -10.0).found() == {}
    assert tape(CROSS, held).told(1.0, far, -9.5).found() == {"feedback": 1}
    assert tape(CROSS, held | {SEND_00: OFF}).told(1.0, far, -9.5).found() == {}


@pytest.mark.parametrize(
    ("opener", "closed", "opened"),
    [
        (slot(ON, 0, 0), 0.0, 1.0),
        (slot(MUTE, bus=0), 1.0, 0.0),
        (slot(CHANNEL_MUTE, 0), 1.0, 0.0),
        (slot(FADER, 0), OFF, 0.0),
        (MASTER_0, OFF, 0.0),
    ],
)
def test_whatever_opens_onto_too_much_is_red(opener: int, closed: float, opened: float) -> None:
    held = {SEND_00: -9.0, opener: closed, slot(TAP, 0, 0): 1.0}
    found = tape(ALONE, held).told(1.0, opener, opened).found()
    assert found["feedback"] == 1
    assert "feedback" not in tape(ALONE, held | {SEND_00: -11.0}).told(1.0, opener, opened).found()


def test_a_tap_that_moves_before_the_fader_that_held_it_down_is_red() -> None:
    held = {SEND_00: -9.0, slot(TAP, 0, 0): 1.0, slot(FADER, 0): -20.0}
    assert tape(ALONE, held).told(1.0, slot(TAP, 0, 0), 0.0).found()["feedback"] == 1


def test_a_pan_and_a_mix_that_nobody_hears_back_are_free() -> None:
    held = {SEND_00: -5.0}  # past the margin already
    run = tape(ALONE, held).told(1.0, slot(PAN, 0, 0), 1.0).told(2.0, slot(SEND, 1, 1), -5.0)
    assert "feedback" not in run.found()


def test_what_the_desk_does_past_the_margin_is_followed_and_reported_and_no_breach() -> None:
    found = tape(ALONE).desk(10.0, SEND_00, -8.0).desk(14.0, SEND_00, -12.0).told(
        20.0, SEND_00, -11.5).judged()  # fmt: skip
    assert found.ok
    assert (found.past_s, round(found.past_db, 6)) == (4.0, 2.0)
    assert "past the margin of the stage for 4.0 s, by up to 2.00 dB" in found.text()


def test_while_the_stage_stands_past_the_margin_nothing_may_bring_it_further() -> None:
    both = StageFacts(6.0, "power", ((H, 0.0), (H, 0.0)))
    past = tape(both, {SEND_10: -30.0}).desk(10.0, SEND_00, -8.0)
    assert past.told(20.0, SEND_00, -8.5).found() == {}
    found = past.told(21.0, SEND_10, -29.5).judged()
    assert found.counts == {"feedback": 1}
    assert "(it was at 4.4" in found.breaches[0].text


def test_while_one_loop_stands_past_the_margin_another_one_is_free() -> None:
    apart = StageFacts(6.0, "power", ((H, 0.0), (0.0, H)))
    far = slot(SEND, 1, 1)
    run = tape(apart, {far: -20.0}).desk(10.0, SEND_00, -8.0)
    assert run.told(20.0, far, -19.0).found() == {}


def test_of_two_desk_moves_only_the_one_that_is_news_is_left_out() -> None:
    both = StageFacts(6.0, "power", ((H, H), (H, H)))
    far = slot(SEND, 1, 1)
    held = {SEND_00: -30.0, far: -30.0, SEND_10: -14.0}
    on_its_way = {"seq": 1, "sent": 19.9}
    run = tape(both, held, news_s=0.5).desk(10.0, SEND_00, -10.5).desk(20.0, far, -8.0)
    assert run.told(20.1, SEND_10, -13.5, **on_its_way).found() == {"feedback": 1}
    run = tape(both, held, news_s=0.5).desk(10.0, SEND_00, -20.0).desk(20.0, far, -8.0)
    assert run.told(20.1, SEND_10, -13.5, **on_its_way).found() == {}


def test_where_the_tap_is_out_of_reach_the_declared_one_counts() -> None:
    declared = StageFacts(6.0, "power", ((H, 0.0), (0.0, 0.0)), post=(True, False))
    reach = settable(FADER, SEND, ON, MASTER, MUTE)
    held = {SEND_00: -6.0, slot(FADER, 0): -5.0}  # -11 dB, where the tap itself would say -6
    run = tape(declared, held, can_set=reach, can_read=reach).told(1.0, SEND_00, -5.5)
    assert run.found() == {}
    assert run.told(3.0, SEND_00, -4.5).found() == {"feedback": 1}


def test_a_raise_that_crossed_the_desks_own_move_is_no_breach_and_later_ones_are() -> None:
    both = StageFacts(6.0, "power", ((H, 0.0), (H, 0.0)))
    on_its_way = {"seq": 1, "sent": 9.9}
    held = {SEND_10: -14.0, SEND_00: -14.0}
    run = tape(both, held, news_s=0.5).desk(10.0, SEND_00, -8.0)
    assert run.told(10.1, SEND_10, -13.5, **on_its_way).found() == {}
    known = tape(both, held, news_s=0.5).desk(10.0, SEND_00, -8.0)
    assert known.told(11.0, SEND_10, -13.5).found() == {"feedback": 1}
    hidden = tape(both, held).desk(10.0, SEND_00, -8.0, hidden=True)
    assert hidden.told(60.0, SEND_10, -13.5).found() == {}
    too_much = tape(both, held, news_s=0.5).desk(10.0, SEND_00, -15.0)
    assert too_much.told(10.1, SEND_10, -9.0, **on_its_way).found()["feedback"] == 1


def test_what_was_lost_on_the_way_down_still_counts() -> None:
    both = StageFacts(6.0, "power", ((H, 0.0), (H, 0.0)))
    run = tape(both, {SEND_00: -10.5, SEND_10: -20.0}).lost(1.0, SEND_00, -40.0, seq=1)
    assert run.told(2.0, SEND_10, -19.0).found() == {"feedback": 1}


EARS = StageFacts(
    6.0,
    "power",
    ((0.0, 0.0), (0.0, 0.0)),
    (Load("exposure", "maud", (1e9, 1e9), 1.5e8), Load("amplifier", "Wedge", (0.0, 1.0), 0.1)),
)


def test_two_mixes_at_one_ear_add_up_as_powers() -> None:
    there = slot(SEND, 0, 1)
    held = {SEND_00: -10.0, there: -13.5}
    assert tape(EARS, held).told(1.0, there, -13.1).found() == {}  # 1e8 and 0.49e8
    found = tape(EARS, held).told(1.0, there, -12.9).judged()
    assert found.counts == {"exposure": 1}
    assert "brings the ear of maud to 81.7980 dB, expected at most 81.7609" in str(found.first)


def test_ears_count_powers_where_the_bound_counts_amplitudes() -> None:
    ears = StageFacts(6.0, "amplitude", EARS.coupling, EARS.loads)
    there = slot(SEND, 0, 1)
    held = {SEND_00: -10.0, there: -13.5}
    assert tape(ears, held).told(1.0, there, -13.1).found() == {}
    assert tape(ears, held).told(1.0, there, -12.9).found() == {"exposure": 1}


def test_an_ear_that_the_desk_took_past_its_most_may_not_get_more() -> None:
    there = slot(SEND, 0, 1)
    run = tape(EARS, {there: -20.0}).desk(10.0, SEND_00, -5.0)
    assert run.told(20.0, SEND_00, -5.5).found() == {}
    assert run.told(21.0, there, -19.5).found() == {"exposure": 1}


def test_the_most_of_a_loudspeaker_binds_its_own_mix_and_no_other() -> None:
    there = slot(SEND, 0, 1)
    held = {SEND_00: OFF, there: -10.5}
    assert tape(EARS, held).told(1.0, there, -10.0).found() == {}
    assert tape(EARS, held).told(1.0, there, -9.8).found() == {"amplifier": 1}
    assert tape(EARS, {SEND_00: -9.5}).told(1.0, SEND_00, -9.4).found() == {}


def test_a_send_lifted_for_a_soundcheck_may_ring_and_not_afterwards() -> None:
    run = tape(ALONE).note(1.0, "lift", slot=SEND_00).told(2.0, SEND_00, -9.6)
    assert run.found() == {}
    assert run.note(3.0, "lift").told(4.0, SEND_00, -9.5).found() == {"feedback": 1}


def test_a_ring_mark_replaces_what_was_computed() -> None:
    quieter = tape(ALONE).note(1.0, "marks", levels={str(SEND_00): -6.0})
    assert quieter.told(2.0, SEND_00, -10.4).found() == {"feedback": 1}
    louder = tape(ALONE).note(1.0, "marks", levels={str(SEND_00): 0.0})
    assert louder.told(2.0, SEND_00, -9.6).found() == {}


@pytest.mark.parametrize("about", [{"slot": MASTER_0}, {"slot": "send"}, {"slot": 10**6}], ids=str)
def test_a_lift_of_what_is_no_send_is_refused(about: dict[str, Any]) -> None:
    with pytest.raises(RecordingError, match="expected the slot of a send level"):
        tape(ALONE).note(1.0, "lift", **about).found()


def test_a_mark_that_is_no_level_is_refused() -> None:
    with pytest.raises(RecordingError, match="expected a level in dB"):
        tape(ALONE).note(1.0, "marks", levels={str(SEND_00): "off"}).found()


def test_a_stage_comes_through_the_header_whole() -> None:
    declared = facts(stage=EARS)
    text = recording.text_of(header_of(declared))
    assert facts_of(next(iter(recording.lines_of([text])))) == declared


@pytest.mark.parametrize(
    "spoil",
    [
        {"coupling": [[1.0, 2.0]]},
        {"coupling": [[1.0, 2.0], [1.0, -2.0]]},
        {"bound": "hope"},
        {"margin_db": None},
        {"loads": [{"rule": "exposure", "what": "x", "weights": [1.0], "most": 1.0}]},
        {"loads": [{"rule": "exposure"}]},
    ],
    ids=str,
)
def test_a_damaged_stage_in_a_header_is_refused(spoil: dict[str, Any]) -> None:
    line = header_of(facts(stage=ALONE))
    line["stage"] = line["stage"] | spoil
    with pytest.raises(RecordingError, match="header"):
        facts_of(line)


def test_levels_follow_any_words_and_are_judged_as_by_brute_force() -> None:
    draw = np.random.default_rng(5)
    coupling = tuple(map(tuple, draw.uniform(0.0, 2.0, (2, 2))))
    stage = StageFacts(3.0, "power", coupling)
    declared = facts({SEND_00: -10.0, MASTER_0: -3.0, MASTER_1: -3.0}, stage=stage)
    held = Held(declared)
    judge = StageJudge(declared, held, 0.0)
    levels = [*LAYOUT.slots(SEND), *LAYOUT.slots(MASTER), *LAYOUT.slots(FADER)]
    gates = [*LAYOUT.slots(ON), *LAYOUT.slots(TAP), *LAYOUT.slots(MUTE)]
    rho = brute(held, coupling)
    for n in range(3000):
        if draw.random() < 0.6:
            moved, value = int(draw.choice(levels)), float(draw.uniform(-20.0, 3.0))
        else:
            moved, value = int(draw.choice(gates)), float(draw.random() < 0.5)
        held.newest[moved] = value
        found = [rule for rule, _ in judge.told(moved, float(n), float(n))]
        before, rho = rho, brute(held, coupling)
        expected = rho > max(before, 10.0**-0.3) * (1.0 + 1e-6)
        assert found == (["feedback"] if expected else []), n


def brute(held: Held, coupling: tuple[tuple[float, ...], ...]) -> float:
    """The definition, with nothing kept between two words."""
    mix = np.zeros((2, 2))
    v = held.newest
    for c, b in np.ndindex(2, 2):
        post = v[slot(TAP, c, b)] >= 0.5
        cut = v[slot(MUTE, bus=b)] >= 0.5 or v[slot(ON, c, b)] < 0.5
        level_db = v[slot(SEND, c, b)] + v[slot(MASTER, bus=b)] + post * v[slot(FADER, c)]
        mix[c, b] = 0.0 if cut else 10.0 ** (level_db / 10.0)
    return float(np.abs(np.linalg.eigvals(np.array(coupling) @ mix.T)).max())


def test_most_words_are_proved_harmless_without_eigenvalues() -> None:
    declared = facts({MASTER_0: 0.0}, stage=ALONE)
    held = Held(declared)
    judge = StageJudge(declared, held, 0.0)
    for n in range(1000):
        held.newest[SEND_00] = -60.0 + n * 0.04
        assert list(judge.told(SEND_00, float(n), float(n))) == []
    assert judge.eigenvalues == 0 and math.isclose(judge.past_s, 0.0)


def test_without_a_stage_numpy_is_not_loaded() -> None:
    code = (
        "import sys; from bridge.simulator import facts, stand_in, witness; "
        "sys.exit('numpy' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0

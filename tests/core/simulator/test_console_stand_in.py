"""The console stand-in."""

from __future__ import annotations

from typing import Any

import pytest
from simulator_tape import FADER, LAYOUT, MASTER_0, MUTE, OFF, ON, PAN, SEND_0, SETTABLE, slot
from simulator_words import FakeWords, say

from bridge.simulator import recording
from bridge.simulator.stand_in import StandIn, power_on_values, random_levels

Lines = list[dict[str, Any]]


def _console(**more: Any) -> tuple[StandIn, Lines]:
    lines: Lines = []
    words = FakeWords(
        echoes=more.pop("echoes", False), renew_every_s=more.pop("renew_every_s", 0.0)
    )
    return StandIn(words, LAYOUT, lines.append, **more), lines


def test_it_sets_what_it_understands_and_records_it() -> None:
    console, lines = _console()
    assert console.receive(say(SEND_0, -20.0), 1.5, seq=7, sent_s=1.4) == []
    assert console.values[SEND_0] == -20.0
    assert lines == [
        recording.packet(1.5, 11, 1, 1.4),
        recording.told(1.5, SEND_0, -20.0, 7, 1.4),
    ]


def test_rubbish_changes_nothing_and_is_on_the_budget_all_the_same() -> None:
    console, lines = _console()
    before = list(console.values)
    assert console.receive(b"\xff rubbish", 1.0) == []
    assert console.values == before
    assert [line["what"] for line in lines] == ["packet"]


def test_it_answers_a_question_with_its_value() -> None:
    console, _ = _console(power_on={SEND_0: -12.0})
    assert console.receive(f"ask {SEND_0}".encode(), 1.0) == [f"is {SEND_0} -12.0".encode()]


def test_it_does_not_answer_about_what_it_never_tells() -> None:
    console, _ = _console()
    assert console.receive(f"ask {slot(MUTE, bus=0)}".encode(), 1.0) == []


def test_it_tells_everything_when_asked() -> None:
    console, _ = _console()
    answers = console.receive(b"all", 1.0)
    assert len(answers) == len(FakeWords().can_read)
    assert f"is {SEND_0} -inf".encode() in answers


def test_it_answers_a_probe() -> None:
    assert _console()[0].receive(b"probe", 1.0) == [b"alive"]


def test_it_echoes_only_where_the_map_says_so() -> None:
    assert _console(echoes=True)[0].receive(say(SEND_0, -9.0), 1.0) == [
        f"is {SEND_0} -9.0".encode()
    ]
    assert _console(echoes=True)[0].receive(say(slot(MUTE, bus=0), 1.0), 1.0) == []
    assert _console(echoes=False)[0].receive(say(SEND_0, -9.0), 1.0) == []


def test_it_tells_its_own_moves_and_records_them_as_the_desks() -> None:
    console, lines = _console()
    assert console.move(SEND_0, -3.0, 2.0) == [f"is {SEND_0} -3.0".encode()]
    assert lines == [recording.desk(2.0, SEND_0, -3.0)]


def test_a_move_that_it_cannot_tell_is_recorded_as_hidden() -> None:
    console, lines = _console()
    assert console.move(slot(MUTE, bus=0), 1.0, 2.0) == []
    assert lines == [recording.desk(2.0, slot(MUTE, bus=0), 1.0, hidden=True)]


def test_a_subscription_ends_when_nobody_renews_it() -> None:
    console, _ = _console(renew_every_s=4.0)
    assert console.move(SEND_0, -3.0, 0.5) == []
    console.receive(b"renew", 1.0)
    assert console.move(SEND_0, -4.0, 11.0) != []
    assert console.move(SEND_0, -5.0, 11.1) == []
    console.receive(b"renew", 12.0)
    assert console.move(SEND_0, -6.0, 13.0) != []


def test_a_declared_subscription_time_counts() -> None:
    console, _ = _console(renew_every_s=4.0, subscription_s=5.0)
    console.receive(b"renew", 1.0)
    assert console.move(SEND_0, -3.0, 6.0) != []
    assert console.move(SEND_0, -4.0, 6.1) == []


def test_a_silent_console_acts_but_says_nothing() -> None:
    console, _ = _console()
    console.fall_silent(1.0, 2.0)
    assert console.receive(b"probe", 1.5) == []
    console.receive(say(SEND_0, -9.0), 1.5)
    assert console.values[SEND_0] == -9.0
    assert console.move(SEND_0, -8.0, 1.6) == []
    assert console.receive(b"probe", 2.0) == [b"alive"]


def test_a_deaf_console_acts_on_nothing() -> None:
    console, lines = _console()
    console.fall_silent(1.0, 2.0, deaf=True)
    assert console.receive(say(SEND_0, -9.0), 1.5) == []
    assert console.values[SEND_0] == OFF
    assert [line["what"] for line in lines] == ["packet"]


def test_a_restart_brings_back_the_power_on_state() -> None:
    console, lines = _console(power_on={MASTER_0: -50.0})
    console.receive(say(MASTER_0, -10.0), 1.0)
    lines.clear()
    console.restart(2.0, down_s=3.0)
    assert console.values[MASTER_0] == -50.0
    assert lines == [
        recording.note(2.0, "restart"),
        recording.desk(2.0, MASTER_0, -50.0, restart=True),
    ]
    assert console.receive(b"probe", 4.9) == []
    assert console.receive(say(MASTER_0, -10.0), 4.9) == []
    assert console.values[MASTER_0] == -50.0
    assert console.receive(b"probe", 5.0) == [b"alive"]


def test_a_restart_can_bring_other_levels_and_ends_a_subscription() -> None:
    console, _ = _console(renew_every_s=4.0)
    console.receive(b"renew", 0.0)
    console.restart(2.0, {MASTER_0: 0.0})
    assert console.values[MASTER_0] == 0.0
    assert console.move(SEND_0, -3.0, 2.1) == []


def test_a_restart_forgets_half_a_value() -> None:
    words = FakeWords()
    StandIn(words, LAYOUT, lambda line: None).restart(1.0)
    assert words.cleared == 1


def test_a_lost_packet_is_recorded_with_what_it_would_have_said() -> None:
    console, lines = _console()
    console.missed(say(SEND_0, -20.0), 1.0, 3, 1.0)
    assert console.values[SEND_0] == OFF
    assert lines == [
        recording.packet(1.0, 11, 1, 1.0),
        recording.lost(1.0, SEND_0, -20.0, 3, 1.0),
    ]


def test_half_a_midi_value_that_was_lost_is_not_put_together_with_the_other_half() -> None:
    lines: Lines = []
    words = FakeWords()
    words.language = "midi"
    StandIn(words, LAYOUT, lines.append).missed(say(SEND_0, -20.0), 1.0, 3, 1.0)
    assert [line["what"] for line in lines] == ["packet"]


def test_it_acts_on_words_in_the_order_in_which_they_arrive() -> None:
    console, _ = _console()
    console.receive(say(SEND_0, -20.0), 1.0, seq=2)
    console.receive(say(SEND_0, -30.0), 1.1, seq=1)
    assert console.values[SEND_0] == -30.0


def test_the_usual_power_on_state_makes_no_sound_and_mutes_nothing() -> None:
    values = power_on_values(LAYOUT)
    assert values[SEND_0] == values[MASTER_0] == values[slot(FADER, 0)] == OFF
    assert values[slot(ON, 1, 1)] == 1.0
    assert values[slot(MUTE, bus=1)] == values[slot(PAN, 0, 0)] == 0.0


def test_levels_that_somebody_left_come_from_the_seed_alone() -> None:
    slots = [where for parameter in SETTABLE for where in LAYOUT.slots(parameter)]
    left = random_levels(LAYOUT, slots, 5)
    assert left == random_levels(LAYOUT, reversed(slots), 5)
    assert left != random_levels(LAYOUT, slots, 6)
    assert set(left) == set(slots)
    assert left[slot(MUTE, bus=0)] in (0.0, 1.0)
    assert all(left[where] == OFF or -60.0 <= left[where] <= 10.0 for where in (SEND_0, MASTER_0))


def test_a_note_that_means_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="note: found 'hello', expected one of start"):
        recording.note(1.0, "hello")

"""The witness on settled values, budgets, faults, and recordings that are none."""

from __future__ import annotations

from typing import Any

import pytest
from simulator_tape import (
    LAYOUT,
    MASTER_0,
    MUTE,
    OFF,
    SEND,
    SEND_0,
    Tape,
    facts,
    slot,
)

from bridge.simulator import recording
from bridge.simulator.recording import FAULTS, RecordingError, header_of, lines_of, text_of
from bridge.simulator.witness import judge, judge_text

# --- settled ---------------------------------------------------------------------------------


def _settled(tape: Tape, wanted: float) -> dict[str, int]:
    return tape.add(recording.settled(9.0, {SEND_0: wanted})).found()


def test_the_console_must_end_at_the_values_that_it_should_hold() -> None:
    held = facts({SEND_0: -20.0})
    assert _settled(Tape(held).told(1.0, SEND_0, -19.5), -19.5) == {}
    assert _settled(Tape(held).told(1.0, SEND_0, -19.5), -19.0) == {"settled": 1}
    assert _settled(Tape(held).told(1.0, SEND_0, -21.0), -20.0) == {"settled": 1}
    assert _settled(Tape(held).told(1.0, SEND_0, OFF), OFF) == {}
    assert _settled(Tape(held), OFF) == {"settled": 1}


def test_what_an_overtaken_word_left_behind_is_what_the_console_holds() -> None:
    tape = Tape(facts({SEND_0: -20.0}, delay_s=0.05))
    tape.told(1.0, SEND_0, -30.0, seq=3).told(1.01, SEND_0, -20.0, seq=2)
    assert _settled(tape, -30.0) == {"settled": 1}


def _left_behind(**more: Any) -> Tape:
    """The bridge fell to -50 dB at once, and the word before that arrived last."""
    tape = Tape(facts({SEND_0: -21.9}, delay_s=0.05, **more))
    tape.told(1.00, SEND_0, -50.0, seq=3)
    return tape.told(1.01, SEND_0, -21.4, seq=2)


def test_an_older_word_that_stays_turns_it_red_even_where_nobody_expects_another_value() -> None:
    assert _left_behind().add(recording.settled(9.0, {})).found() == {"settled": 1}
    found = _left_behind().told(50.0, SEND_0, -21.5, seq=90).judged()
    assert found.counts == {"settled": 1}
    assert "an older word's value stood for 49.0 s" in str(found.first)
    assert _left_behind().desk(50.0, SEND_0, -10.0).found() == {"settled": 1}


def test_an_older_word_that_is_put_right_in_time_is_green() -> None:
    put_right = _left_behind().told(3.0, SEND_0, -50.0, seq=90)
    assert put_right.add(recording.settled(9.0, {SEND_0: -50.0})).found() == {}
    twice = _left_behind().told(1.02, SEND_0, -50.0, seq=3)
    assert twice.add(recording.settled(9.0, {SEND_0: -50.0})).found() == {}
    assert _left_behind(repair_s=60.0).told(50.0, SEND_0, -21.5, seq=90).found() == {}


def test_an_older_word_may_stay_while_a_fault_keeps_the_bridge_from_putting_it_right() -> None:
    down = _left_behind().note(1.1, "lost")
    assert down.told(50.0, SEND_0, -50.0, seq=90).found() == {}
    down = _left_behind().note(1.1, "lost")
    assert down.add(recording.settled(60.0, {})).found() == {"settled": 1}


def test_after_an_older_word_only_a_real_rise_is_one() -> None:
    assert _left_behind().told(2.0, SEND_0, -21.4, seq=90).found() == {}
    ridden_on = _left_behind().told(2.0, SEND_0, -21.4, seq=90).told(3.0, SEND_0, -20.6, seq=91)
    assert ridden_on.found() == {}
    assert _left_behind().told(2.0, SEND_0, -21.0, seq=90).found() == {"slew": 1}
    tape = _left_behind().told(2.0, SEND_0, -30.0, seq=90).told(2.0, SEND_0, -28.0, seq=91)
    assert tape.found() == {"slew": 1}


def test_a_coarse_control_may_hold_the_step_below() -> None:
    scale = tuple(-60.0 + 3.0 * i for i in range(21))
    held = facts({SEND_0: -21.0}, scales=(scale,), scale_of={SEND_0: 0})
    assert _settled(Tape(held), -19.0) == {}
    assert _settled(Tape(held), -18.0) == {"settled": 1}
    assert _settled(Tape(held), -21.5) == {"settled": 1}


def test_the_findings_say_when_nobody_said_what_should_be_held() -> None:
    assert Tape().judged().unsettled
    assert not Tape().add(recording.settled(9.0, {})).judged().unsettled


# --- budget ----------------------------------------------------------------------------------


def _carried(count: int, gap_s: float, **budget: float) -> dict[str, int]:
    tape = Tape(facts(burst_s=0.1, **budget))
    for i in range(count):
        tape.add(recording.packet(i * gap_s, 3))
    return tape.found()


@pytest.mark.parametrize("budget", [{"bytes_per_s": 3000.0}, {"messages_per_s": 1000.0}])
def test_a_link_within_its_budget_is_green_and_beyond_it_red(budget: dict[str, float]) -> None:
    assert _carried(5000, 0.001, **budget) == {}
    assert _carried(100, 0.0, **budget) == {}
    assert _carried(103, 0.0, **budget)["budget"] >= 1
    assert _carried(5000, 0.0009, **budget)["budget"] >= 1


def test_packets_that_a_delay_bunched_are_judged_by_when_they_were_sent() -> None:
    tape = Tape(facts(bytes_per_s=1000.0, burst_s=0.01, delay_s=0.0))
    for i in range(20):
        tape.add(recording.packet(1.0, 10, sent_s=i * 0.01))
    assert tape.found() == {}


def test_one_packet_may_be_larger_than_the_burst() -> None:
    tape = Tape(facts(bytes_per_s=100.0, burst_s=0.1))
    assert tape.add(recording.packet(1.0, 60)).found() == {}


# --- fault -----------------------------------------------------------------------------------


@pytest.mark.parametrize("fault", sorted(FAULTS))
def test_anything_louder_after_a_fault_turns_it_red_until_somebody_asks(fault: str) -> None:
    held = facts({SEND_0: -20.0})
    assert Tape(held).note(1.0, fault).told(2.0, SEND_0, -20.0).found() == {}
    assert Tape(held).note(1.0, fault).told(2.0, SEND_0, -19.5).found() == {"fault": 1}
    asked = Tape(held).note(1.0, fault).note(1.5, "person")
    assert asked.told(2.0, SEND_0, -19.5).found() == {}


def test_somebody_may_ask_for_some_levels_only() -> None:
    other = slot(SEND, 1, 0)
    tape = Tape(facts({SEND_0: -20.0, other: -20.0})).note(1.0, "lost")
    tape.note(1.5, "person", slots=[other])
    assert tape.told(2.0, other, -19.5).told(3.0, SEND_0, -19.5).found() == {"fault": 1}


def test_a_console_that_restarts_louder_is_no_excuse() -> None:
    tape = Tape(facts({SEND_0: -20.0})).note(1.0, "restart")
    tape.desk(1.0, SEND_0, 0.0, restart=True)
    assert tape.told(2.0, SEND_0, -15.0).found() == {"fault": 1}


def test_a_console_that_restarts_quieter_is_brought_back_no_higher_than_it_was() -> None:
    tape = Tape(facts({SEND_0: -20.0})).note(1.0, "restart")
    tape.desk(1.0, SEND_0, OFF, restart=True).ramp(2.0, SEND_0, (-59.5, -20.0), 6.0)
    assert tape.found() == {}
    assert tape.told(20.0, SEND_0, -19.5).found() == {"fault": 1}


def test_what_a_hand_at_the_desk_raises_after_a_fault_is_asked_for() -> None:
    tape = Tape(facts({SEND_0: -20.0})).note(1.0, "lost").desk(2.0, SEND_0, -10.0)
    assert tape.told(3.0, SEND_0, -10.0).found() == {}


def test_a_gate_that_opens_after_a_fault_is_louder() -> None:
    muted = facts({MASTER_0: -59.5, slot(MUTE, bus=0): 1.0})
    tape = Tape(muted).note(1.0, "crash").told(2.0, slot(MUTE, bus=0), 0.0)
    assert tape.found() == {"fault": 1}


@pytest.mark.parametrize("mute", [0.0, 1.0])
def test_a_gate_that_makes_nothing_louder_after_a_fault_is_green(mute: float) -> None:
    tape = Tape(facts({MASTER_0: -20.0})).note(1.0, "restart")
    tape.desk(1.0, MASTER_0, 0.0, restart=True)
    assert tape.told(2.0, slot(MUTE, bus=0), mute).found() == {}


def test_a_second_fault_does_not_forget_the_first() -> None:
    tape = Tape(facts({SEND_0: -20.0})).note(1.0, "restart")
    tape.desk(1.0, SEND_0, 0.0, restart=True).note(2.0, "lost")
    assert tape.told(3.0, SEND_0, -10.0).found() == {"fault": 1}


def test_a_level_behind_a_mute_may_not_be_told_louder_after_a_fault_either() -> None:
    muted = facts({MASTER_0: -20.0, slot(MUTE, bus=0): 1.0})
    assert Tape(muted).note(1.0, "crash").told(2.0, MASTER_0, -10.0).found() == {"fault": 1}
    twice = Tape(muted).note(1.0, "restart").desk(1.0, MASTER_0, 0.0, restart=True)
    assert twice.note(2.0, "lost").told(3.0, MASTER_0, -10.0).found() == {"fault": 1}


def test_a_gate_that_a_restart_opened_may_not_be_opened_by_the_bridge() -> None:
    mute = slot(MUTE, bus=0)
    tape = Tape(facts({MASTER_0: -59.5, mute: 1.0})).note(1.0, "restart")
    tape.desk(1.0, mute, 0.0, restart=True).note(2.0, "lost")
    assert tape.told(3.0, mute, 1.0).told(4.0, mute, 0.0).found() == {"fault": 1}


def test_a_word_that_was_under_way_when_it_happened_is_not_judged() -> None:
    held = facts({SEND_0: -20.0}, delay_s=0.05, news_s=0.05)

    def tape(sent_s: float) -> Tape:
        return Tape(held).note(1.0, "lost").told(1.1, SEND_0, -19.5, sent=sent_s)

    assert tape(1.04).told(2.0, SEND_0, -19.5).found() == {}
    assert tape(1.06).found() == {"fault": 1}


# --- recordings ------------------------------------------------------------------------------

GOOD = header_of(facts())


@pytest.mark.parametrize(
    ("lines", "text"),
    [
        ([], "recording line 1: found nothing, expected a header"),
        ([{"what": "told"}], "recording line 1: found 'told', version None, expected a header"),
        ([{**GOOD, "version": 9}], "found 'header', version 9, expected a header, version 1"),
        ([{**GOOD, "values": []}], "found 0 values and limits for 2 buses, expected \\d+ values"),
        ([{**GOOD, "step_db": [1]}], "found \\d+ values and limits for 1 buses, expected"),
        ([{k: v for k, v in GOOD.items() if k != "scales"}], "a header with KeyError"),
        ([GOOD, {"what": "tale", "at": 1}], "recording line 2: found 'tale', expected one of"),
        (
            [GOOD, {"what": "told", "at": 1, "slot": 999, "value": 0}],
            f"found slot 999, expected 0..{LAYOUT.size - 1}",
        ),
        (
            [GOOD, {"what": "told", "at": "?", "slot": 1, "value": 0}],
            "found at nan, expected a time from 0",
        ),
        (
            [GOOD, recording.told(2, 1, 0), recording.told(1, 1, 0)],
            "recording line 3: found at 1.0, expected a time from 2.0 s on",
        ),
        ([GOOD, {"what": "note", "at": 1, "note": "?"}], "found note '[?]', expected one of"),
        ([GOOD, {"what": "packet", "at": 1}], "recording line 2: found packet without 'bytes'"),
        ([GOOD, {"what": "lost", "at": 1, "slot": 1}], "line 2: found lost without 'value'"),
        ([GOOD, {"what": "settled", "at": 1, "values": {"999": 0}}], "found slot 999, expected"),
        ([GOOD, {"what": "settled", "at": 1, "values": {"x": 0}}], "found slot 'x', expected"),
    ],
)
def test_a_recording_that_is_none_is_refused(lines: list[dict[str, Any]], text: str) -> None:
    with pytest.raises(RecordingError, match=text):
        judge(lines)


def test_a_line_that_a_power_cut_tore_off_at_the_end_is_left_out() -> None:
    texts = [text_of(GOOD), text_of(recording.told(1, SEND_0, OFF))]
    assert judge_text([*texts, '{"what":"told","at":2,"sl']).words == 1
    for broken in ([*texts, "{\n"], [texts[0], "{", texts[1]], [*texts, "[]\n"]):
        with pytest.raises(RecordingError, match="expected a JSON object"):
            judge_text(broken)


def test_a_recording_that_was_full_is_not_green() -> None:
    assert Tape().note(1.0, "cut").found() == {"recording": 1}


def test_a_header_survives_its_text_form() -> None:
    declared = facts(scales=((-60.0, -30.0, 0.0),), scale_of={SEND_0: 0}, bytes_per_s=3125.0)
    line = next(lines_of([text_of(header_of(declared))]))
    assert recording.facts_of(line) == declared


def test_findings_tell_people_what_happened() -> None:
    broken = Tape(facts({SEND_0: -20.0})).told(1.0, SEND_0, -10.0).judged()
    assert not broken.ok
    assert broken.text().splitlines() == [
        "BROKEN: slew 1 (1 words in 1.0 s, 0 overtaken or twice, 0 crossed the desk's moves, "
        "largest rise 10.00 dB)",
        "1.000 s, slew: send level of drums in kit: rose from -20.00 to -10.00 dB, 9.00 dB too far",
    ]
    assert Tape().judged().text().startswith("every promise kept: 0 words")


def test_breaches_are_counted_beyond_those_that_are_kept() -> None:
    tape = Tape()
    for i in range(500):
        tape.told(float(i), MASTER_0, 9.0)
    findings = tape.judged()
    assert findings.counts["ceiling"] == 500
    assert len(findings.breaches) == 200

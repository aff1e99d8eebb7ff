"""The witness on the order at start."""

from __future__ import annotations

from typing import Any

import pytest
from simulator_tape import (
    CHANNEL_MUTE,
    FADER,
    LAYOUT,
    MASTER,
    MUTE,
    OFF,
    ON,
    SEND,
    TAP,
    Tape,
    facts,
    settable,
    slot,
)

from bridge.rig.layout import Parameter
from bridge.simulator.recording import Facts


def _cold(values: dict[int, float] | None = None, **more: Any) -> Facts:
    return facts(values, cold=True, **more)


def _masters_low(tape: Tape, at_s: float = 0.0) -> Tape:
    for bus in (0, 1):
        tape.told(at_s, slot(MASTER, bus=bus), OFF).told(at_s, slot(MUTE, bus=bus), 1.0)
    return tape


def _rest(tape: Tape, at_s: float = 0.1, *, leave_out: int = -1) -> Tape:
    for parameter, value in ((TAP, 0.0), (ON, 1.0), (SEND, OFF), (FADER, 0.0)):
        for where in LAYOUT.slots(parameter):
            if where != leave_out:
                tape.told(at_s, where, value)
    return tape


def _opened(tape: Tape, bus: int = 0, at_s: float = 0.2) -> Tape:
    tape.told(at_s, slot(MUTE, bus=bus), 0.0)
    return tape.told(at_s, slot(MASTER, bus=bus), -59.0)


def test_a_start_in_order_is_green() -> None:
    assert _opened(_rest(_masters_low(Tape(_cold())))).found() == {}


def test_a_start_onto_a_console_that_plays_is_green_when_in_order() -> None:
    playing = _cold({slot(MASTER, bus=0): -10.0})
    assert _opened(_rest(_masters_low(Tape(playing)))).found() == {}


def test_a_first_master_word_above_the_start_level_turns_it_red() -> None:
    master = slot(MASTER, bus=0)
    playing = _cold({master: -10.0, slot(MASTER, bus=1): -10.0})
    assert Tape(playing).told(0.0, master, -40.0).found() == {}
    found = Tape(playing).told(0.0, master, -39.9).judged()
    assert found.counts == {"order": 1}
    assert "first word about it is -39.90 dB, expected at most -40.00 dB" in str(found.first)


@pytest.mark.parametrize(
    ("parameter", "value"), [(SEND, OFF), (TAP, 0.0), (ON, 1.0), (FADER, OFF), (CHANNEL_MUTE, 0.0)]
)
def test_anything_else_before_the_masters_turns_it_red(parameter: Parameter, value: float) -> None:
    where = LAYOUT.slots(parameter)[0]
    tape = Tape(_cold()).told(0.0, slot(MASTER, bus=0), OFF).told(0.0, where, value)
    found = tape.judged()
    assert found.counts == {"order": 1}
    assert "bus master of wedge was not told yet" in str(found.first)


def test_mutes_may_go_out_before_the_masters_but_not_unmutes() -> None:
    assert _masters_low(Tape(_cold()).told(0.0, slot(MUTE, bus=0), 1.0)).found() == {}
    assert _masters_low(Tape(_cold()).told(0.0, slot(MUTE, bus=0), 0.0)).found() == {"order": 1}


def test_a_bus_without_a_master_must_be_muted_first() -> None:
    switches = settable(SEND, MUTE)
    for value, red in ((1.0, {}), (0.0, {"order": 1})):
        tape = Tape(_cold(can_set=switches, can_read=switches)).told(0.0, slot(MUTE, bus=1), 1.0)
        assert tape.told(0.0, slot(MUTE, bus=0), value).found() == red


@pytest.mark.parametrize("left_out", [slot(SEND, 1, 0), slot(TAP, 0, 0)])
def test_a_bus_that_opens_before_its_sends_and_taps_turns_it_red(left_out: int) -> None:
    found = _opened(_rest(_masters_low(Tape(_cold())), leave_out=left_out)).judged()
    assert found.counts == {"order": 1}
    assert f"{LAYOUT.name(left_out)} was not told yet" in str(found.first)


def test_sends_that_cannot_be_set_need_not_go_out() -> None:
    few = _cold(can_set=settable(MASTER, MUTE, SEND))
    tape = _masters_low(Tape(few))
    for where in LAYOUT.slots(SEND):
        tape.told(0.1, where, OFF)
    assert _opened(tape).found() == {}


def test_a_bus_that_nobody_may_open_turns_it_red_until_somebody_does() -> None:
    ready = _rest(_masters_low(Tape(_cold())))
    assert _opened(ready, bus=1).found() == {"order": 1}
    allowed = _rest(_masters_low(Tape(_cold()))).note(0.15, "allowed_open", bus=1)
    assert _opened(allowed, bus=1).found() == {}
    all_buses = _rest(_masters_low(Tape(_cold()))).note(0.15, "allowed_open")
    assert _opened(all_buses, bus=1).found() == {}
    other = _rest(_masters_low(Tape(_cold()))).note(0.15, "allowed_open", bus=0)
    assert _opened(other, bus=1).found() == {"order": 1}


def test_what_the_desk_opens_is_the_desks_doing() -> None:
    tape = _masters_low(Tape(_cold()))
    tape.desk(0.1, slot(MUTE, bus=1), 0.0).desk(0.1, slot(MASTER, bus=1), -10.0)
    assert tape.found() == {}


def test_a_second_start_is_judged_like_the_first_one() -> None:
    tape = _opened(_rest(_masters_low(Tape(_cold())))).note(5.0, "start")
    assert tape.told(5.1, slot(SEND, 0, 0), OFF).found() == {"order": 1}


def test_a_warm_start_is_not_judged_for_order() -> None:
    assert Tape(facts()).told(0.0, slot(SEND, 0, 0), OFF).found() == {}


def test_a_word_that_the_network_ate_has_gone_out() -> None:
    tape = Tape(_cold()).lost(0.0, slot(MASTER, bus=0), OFF, 0)
    tape.told(0.0, slot(MASTER, bus=1), OFF, seq=1).told(0.0, slot(SEND, 0, 0), OFF, seq=2)
    assert tape.found() == {}


def test_a_word_that_overtook_the_masters_is_forgiven_when_they_were_sent_before_it() -> None:
    def tape(master_seq: int, arrives_s: float) -> Tape:
        cold = Tape(_cold(delay_s=0.05)).told(0.0, slot(MASTER, bus=1), OFF, seq=0)
        cold.told(0.01, slot(SEND, 0, 0), OFF, seq=2)
        return cold.told(arrives_s, slot(MASTER, bus=0), OFF, seq=master_seq)

    assert tape(1, 0.04).found() == {}
    assert tape(3, 0.04).found() == {"order": 1}
    assert tape(1, 0.2).found() == {"order": 1}


def test_of_several_words_that_overtake_each_other_the_one_sent_first_counts() -> None:
    tape = Tape(_cold(delay_s=0.05)).told(0.0, slot(MASTER, bus=1), OFF, seq=0)
    tape.told(0.01, slot(SEND, 0, 0), OFF, seq=2)
    tape.told(0.02, slot(MASTER, bus=0), OFF, seq=4).told(0.03, slot(MASTER, bus=0), OFF, seq=1)
    assert tape.found() == {}


def test_masters_that_arrive_first_but_were_sent_last_turn_it_red() -> None:
    tape = Tape(_cold(delay_s=0.05)).told(0.0, slot(MASTER, bus=1), OFF, seq=0)
    tape.told(0.01, slot(MASTER, bus=0), OFF, seq=2).told(0.02, slot(SEND, 0, 0), OFF, seq=1)
    assert tape.found() == {"order": 1}


def test_words_in_one_packet_go_out_together() -> None:
    tape = Tape(_cold(delay_s=0.05)).told(0.0, slot(MASTER, bus=1), OFF, seq=0)
    tape.told(0.0, slot(MASTER, bus=0), OFF, seq=0).told(0.0, slot(SEND, 0, 0), OFF, seq=0)
    assert tape.found() == {}

"""MSBs that wait for their LSB, and for how long.

Source: MIDI 1.0 Detailed Specification 4.2, "Control Change": the LSB may be left out, an LSB alone
adjusts finely, and an MSB sets the LSB to zero.
"""

from __future__ import annotations

import pytest

from bridge.wire import midi_events as me
from bridge.wire.midi import MidiStream
from bridge.wire.midi_events import Event, EventAssembler

PAIRS = frozenset({(1, 7), (1, 11)})
PARAMETERS = frozenset({(me.NRPN, 1, 300), (me.NRPN, 1, 301), (me.NRPN, 2, 300)})
SELECT_300, SELECT_301 = "B0 63 02 62 2C", "B0 63 02 62 2D"


def assembler() -> EventAssembler:
    places = PARAMETERS | {(me.CONTROL14, *pair) for pair in PAIRS}
    return EventAssembler(PAIRS, PARAMETERS, awaited=places)


def events(to: EventAssembler, data: str) -> list[Event]:
    messages = MidiStream().feed(bytes.fromhex(data))
    return [event for message in messages for event in to.feed(message)]


def whole(value: int, control: int = 7) -> Event:
    return (me.CONTROL14, 1, control, value, 16383)


def nrpn(value: int, number: int = 300) -> Event:
    return (me.NRPN, 1, number, value, 16383)


def test_nobody_sees_the_dip_between_msb_and_lsb() -> None:
    to = assembler()
    assert events(to, "B0 07 60 27 39 07 60 27 38") == [whole(12345), whole(12344)]
    assert events(to, f"{SELECT_300} 06 60 26 39") == [nrpn(12345)]
    assert to.ignored == 0


def test_an_lsb_alone_still_refines() -> None:
    assert events(assembler(), "B0 07 40 27 01 27 02") == [whole(8193), whole(8194)]


def test_a_clock_tick_and_a_note_leave_it_waiting() -> None:
    to = assembler()
    assert events(to, "B0 07 60 F8 91 3C 40 B0 27 39") == [(me.NOTE, 2, 60, 64, 127), whole(12345)]


def test_a_sender_without_lsbs_is_one_message_behind_once_and_then_never() -> None:
    to = assembler()
    assert [events(to, f"B0 07 {msb:02X}") for msb in (1, 2, 3)] == [[], [whole(256)], [whole(384)]]
    assert events(to, "B0 27 05") == [whole(389)]
    assert events(to, "B0 07 04 27 00") == [whole(512)]


def test_the_msb_of_another_value_lets_it_act_and_a_late_lsb_refines_it() -> None:
    to = assembler()
    assert events(to, "B0 07 60 0B 10 27 39 2B 02") == [
        whole(12288),
        whole(12345),
        whole(0x10 * 128 + 2, 11),
    ]


@pytest.mark.parametrize("after", [SELECT_301, "B0 65 7F 64 7F", "B0 65 00 64 00"])
def test_choosing_something_else_lets_it_act(after: str) -> None:
    to = assembler()
    assert events(to, f"{SELECT_300} 06 60") == []
    assert events(to, after) == [nrpn(12288)]
    assert not to.waiting


def test_choosing_the_same_parameter_again_leaves_it_waiting() -> None:
    to = assembler()
    assert events(to, f"{SELECT_300} 06 60 {SELECT_300} 26 39") == [nrpn(12345)]


def test_another_midi_channels_choice_leaves_it_waiting() -> None:
    to = assembler()
    assert events(to, f"{SELECT_300} 06 60 B1 63 02 62 2C B0 26 39") == [nrpn(12345)]


def test_a_step_counts_from_the_value_that_waited() -> None:
    to = assembler()
    assert events(to, f"{SELECT_300} 06 60 60 00") == [nrpn(12288), (me.NRPN_STEP, 1, 300, 1, 1)]


def test_reset_all_controllers_lets_it_act_first() -> None:
    to = assembler()
    assert events(to, f"{SELECT_300} 06 60 79 00") == [nrpn(12288), (me.CONTROL, 1, 121, 0, 127)]


def test_whoever_has_a_clock_can_release_it_once() -> None:
    to = assembler()
    assert to.release() == []
    events(to, "B0 07 60")
    assert to.waiting
    assert to.release() == [whole(12288)]
    assert (to.waiting, to.release()) == (False, [])
    assert events(to, "B0 07 61") == [whole(12416)]  # it has shown that it sends no LSBs


def test_what_waits_is_forgotten_on_clear() -> None:
    to = assembler()
    events(to, "B0 07 60")
    to.clear()
    assert (to.waiting, to.release()) == (False, [])
    assert events(to, "B0 27 39") == []


def test_lsb_first_and_awaited_exclude_each_other() -> None:
    place = frozenset({(me.CONTROL14, 1, 7)})
    with pytest.raises(ValueError, match="expected one"):
        EventAssembler(PAIRS, lsb_first=place, awaited=place)
    with pytest.raises(ValueError, match="LSB awaited for"):
        EventAssembler(awaited=place)

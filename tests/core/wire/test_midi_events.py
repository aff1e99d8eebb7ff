"""Complete MIDI messages to events.

Sources: MIDI 1.0 Detailed Specification 4.2, tables 1-5; controller numbers as in the public
controller tables made from it. Orders other than MSB first: reports in the public trackers of
arduino_midi_library (#60) and webmidi (#41).
"""

from __future__ import annotations

import pytest

from bridge.wire import midi_events as me
from bridge.wire.midi import MidiStream
from bridge.wire.midi_events import Event, EventAssembler
from bridge.wire.midi_halves import Halves

PAIR = frozenset({(1, 7)})
NRPN_300 = frozenset({(me.NRPN, 1, 300)})
RPN_0 = frozenset({(me.RPN, 1, 0)})


def events(assembler: EventAssembler, data: str) -> list[Event]:
    """Feed a stream as it stands on the wire, running status and all."""
    messages = MidiStream().feed(bytes.fromhex(data))
    return [event for message in messages for event in assembler.feed(message)]


PLAIN = {
    "90 3C 64": (me.NOTE, 1, 60, 100, 127),
    # Note on with velocity 0 is a note off (table 1); a note off's own velocity says nothing.
    "90 3C 00": (me.NOTE, 1, 60, 0, 127),
    "8F 3C 40": (me.NOTE, 16, 60, 0, 127),
    "A2 3C 11": (me.POLY_PRESSURE, 3, 60, 17, 127),
    "B0 07 7F": (me.CONTROL, 1, 7, 127, 127),
    "B0 7B 00": (me.CONTROL, 1, 123, 0, 127),
    "C0 05": (me.PROGRAM, 1, 5, 127, 127),
    "D9 22": (me.PRESSURE, 10, 0, 34, 127),
    # Bend: LSB first, centre 2000H, highest 3FFFH (table 1).
    "E0 00 40": (me.BEND, 1, 0, 8192, 16383),
    "E0 7F 7F": (me.BEND, 1, 0, 16383, 16383),
    # Universal "identity request" to any device (F0 7E 7F 06 01 F7).
    "F0 7E 7F 06 01 F7": (me.SYSEX, 0, 0, b"\xf0\x7e\x7f\x06\x01\xf7", 0),
}


@pytest.mark.parametrize("data", PLAIN)
def test_each_message_becomes_the_event_of_its_row(data: str) -> None:
    assert events(EventAssembler(), data) == [PLAIN[data]]


def test_every_kind_has_a_name() -> None:
    assert len(me.KIND_NAMES) == me.SYSEX + 1


@pytest.mark.parametrize("data", ["F8", "FE", "F1 05", "F2 00 01", "F6"])
def test_system_common_and_real_time_make_no_event_and_are_not_rubbish(data: str) -> None:
    assembler = EventAssembler()
    assert events(assembler, data) == []
    assert assembler.ignored == 0


@pytest.mark.parametrize(
    "data", ["", "90", "90 3C", "90 3C 80", "C0 80", "B0 80 01", "F0", "F0 01", "F7", "3C 3C 3C"]
)
def test_bytes_that_are_no_message_make_no_event_and_are_counted(data: str) -> None:
    assembler = EventAssembler()
    assert assembler.feed(bytes.fromhex(data)) == []
    assert assembler.ignored == 1


@pytest.mark.parametrize("control", range(128))
def test_every_controller_is_plain_unless_it_is_declared_otherwise(control: int) -> None:
    message = bytes((0xB0, control, 9))
    assert EventAssembler().feed(message) == [(me.CONTROL, 1, control, 9, 127)]


# --- 14-bit pairs: controller n (0..31) and n + 32 -------------------------------------------


def whole(value: int) -> Event:
    return (me.CONTROL14, 1, 7, value, 16383)


def test_msb_then_lsb_makes_12345() -> None:
    # 12345 = 96 * 128 + 57: B0 07 60 B0 27 39.
    assert events(EventAssembler(PAIR), "B0 07 60 B0 27 39") == [whole(12288), whole(12345)]


def test_an_msb_acts_at_once_and_forgets_the_old_lsb() -> None:
    assembler = EventAssembler(PAIR)
    assert events(assembler, "B0 07 40 27 7F 07 41") == [whole(8192), whole(8319), whole(8320)]


@pytest.mark.parametrize("lsb", [0, 1, 64, 127])
@pytest.mark.parametrize("msb", [0, 1, 64, 127])
@pytest.mark.parametrize("before", ["", "B0 07 7F 27 7F", "B0 27 7F"])
def test_a_lone_msb_never_reads_louder_than_what_its_sender_means(
    msb: int, lsb: int, before: str
) -> None:
    for first in (frozenset(), frozenset({(me.CONTROL14, 1, 7)})):
        assembler = EventAssembler(PAIR, lsb_first=first)
        events(assembler, before)
        assembler.feed(bytes((0xB0, 7, msb)))  # Spends an LSB that waits, where one may wait.
        (event,) = assembler.feed(bytes((0xB0, 7, msb)))
        value, resolution = event[3], event[4]
        assert isinstance(value, int)
        assert value / resolution <= (msb << 7 | lsb) / 16383
        assert value / resolution <= msb / 127


def test_an_lsb_alone_refines_the_msb_that_stays() -> None:
    assembler = EventAssembler(PAIR)
    assert events(assembler, "B0 07 40 27 01 27 02")[1:] == [whole(8193), whole(8194)]


def test_an_lsb_before_any_msb_says_nothing() -> None:
    assembler = EventAssembler(PAIR)
    assert events(assembler, "B0 27 39") == []
    assert assembler.ignored == 1
    assert events(assembler, "B0 07 60") == [whole(12288)]


def test_where_lsb_first_is_declared_the_lsb_acts_with_the_next_msb_only() -> None:
    assembler = EventAssembler(PAIR, lsb_first=frozenset({(me.CONTROL14, 1, 7)}))
    assert events(assembler, "B0 27 39 07 60") == [whole(12345)]
    assert events(assembler, "B0 27 01") == []
    assert events(assembler, "B0 07 61") == [whole(97 * 128 + 1)]
    assert events(assembler, "B0 07 62") == [whole(98 * 128)]
    assert assembler.ignored == 0


def test_pairs_are_per_midi_channel_and_per_controller() -> None:
    assembler = EventAssembler(frozenset({(1, 7), (2, 7), (1, 11)}))
    assert events(assembler, "B0 07 10 B1 07 20 B0 0B 30") == [
        (me.CONTROL14, 1, 7, 0x10 << 7, 16383),
        (me.CONTROL14, 2, 7, 0x20 << 7, 16383),
        (me.CONTROL14, 1, 11, 0x30 << 7, 16383),
    ]
    # 11 and 43 are a pair, as 7 and 39 are.
    assert events(assembler, "B0 2B 01 B1 27 02") == [
        (me.CONTROL14, 1, 11, 0x30 << 7 | 1, 16383),
        (me.CONTROL14, 2, 7, 0x20 << 7 | 2, 16383),
    ]
    assert events(assembler, "B2 07 10 B1 0B 20") == [
        (me.CONTROL, 3, 7, 16, 127),
        (me.CONTROL, 2, 11, 32, 127),
    ]


def test_after_clear_an_old_msb_is_not_refined() -> None:
    assembler = EventAssembler(PAIR | {(1, 11)}, NRPN_300)
    events(assembler, "B0 07 40 63 02 62 2C 06 40")
    assembler.clear()
    assert events(assembler, "B0 27 01 26 01 06 01 63 02 62 2C 26 01") == []


# --- parameters ------------------------------------------------------------------------------


def nrpn(value: int, number: int = 300, midi_channel: int = 1) -> Event:
    return (me.NRPN, midi_channel, number, value, 16383)


def test_the_bend_range_example_sets_rpn_0_to_2_semitones_and_then_selects_nothing() -> None:
    # The usual example of synthesizer manuals, with running status: 2 semitones, then null.
    assembler = EventAssembler(parameters=RPN_0)
    heard = events(assembler, "B0 65 00 64 00 06 02 26 00 65 7F 64 7F")
    assert heard == [(me.RPN, 1, 0, 256, 16383), (me.RPN, 1, 0, 256, 16383)]
    assert events(assembler, "B0 06 7F 26 7F 60 00 61 00") == []
    assert assembler.ignored == 4


def test_data_entry_acts_on_the_msb_and_the_lsb_refines_it() -> None:
    # 300 = 2 * 128 + 44.
    assembler = EventAssembler(parameters=NRPN_300)
    assert events(assembler, "B0 63 02 62 2C 06 60 26 39") == [nrpn(12288), nrpn(12345)]
    assert events(assembler, "B0 06 01 06 02 26 03") == [nrpn(128), nrpn(256), nrpn(259)]


def test_the_halves_of_a_number_may_come_in_either_order_and_one_may_stay() -> None:
    parameters = NRPN_300 | {(me.NRPN, 1, 301)}
    assembler = EventAssembler(parameters=parameters)
    assert events(assembler, "B0 62 2C 63 02 06 01") == [nrpn(128)]
    assert events(assembler, "B0 62 2D 06 01") == [nrpn(128, 301)]


def test_half_a_number_selects_nothing() -> None:
    assembler = EventAssembler(parameters=NRPN_300 | RPN_0)
    assert events(assembler, "B0 63 02 06 01") == []
    assert events(assembler, "B0 65 00 64 00 63 02 06 01") == []


def test_selecting_an_rpn_ends_the_nrpn_and_the_other_way_round() -> None:
    assembler = EventAssembler(parameters=NRPN_300 | RPN_0)
    heard = events(assembler, "B0 63 02 62 2C 06 01 65 00 64 00 06 02 63 02 62 2C 06 03")
    assert heard == [nrpn(128), (me.RPN, 1, 0, 256, 16383), nrpn(384)]


def test_an_nrpn_and_an_rpn_of_the_same_number_are_two_parameters() -> None:
    assembler = EventAssembler(parameters=RPN_0 | {(me.NRPN, 1, 0)})
    heard = events(assembler, "B0 63 00 62 00 65 00 64 00 06 01 62 00 06 02 64 00 06 03")
    assert heard == [
        (me.RPN, 1, 0, 128, 16383),
        (me.NRPN, 1, 0, 256, 16383),
        (me.RPN, 1, 0, 384, 16383),
    ]


def test_half_a_value_without_its_msb_is_minus_1() -> None:
    assert Halves().take_lsb(5) == -1
    assert Halves(lsb_first=True).take_lsb(5) == -1


@pytest.mark.parametrize("null", ["65 7F 64 7F", "64 7F 65 7F", "63 7F 62 7F", "79 00"])
def test_null_or_reset_voids_the_number_until_a_whole_new_one_comes(null: str) -> None:
    # "RPN null sets RPN and NRPN to unspecified" (synthesizer manuals); 121: MMA RP-015 (memory).
    assembler = EventAssembler(parameters=NRPN_300)
    events(assembler, f"B0 63 02 62 2C 06 01 {null}")
    assert events(assembler, "B0 06 7F 26 7F 60 00") == []
    assert events(assembler, "B0 62 2C 06 7F") == []
    assert events(assembler, "B0 63 02 06 02") == [nrpn(256)]


def test_increment_and_decrement_are_single_steps_whatever_the_third_byte_says() -> None:
    # 96 up, 97 down; third byte without meaning: MMA RP-018 (from memory).
    assembler = EventAssembler(parameters=NRPN_300 | RPN_0)
    assert events(assembler, "B0 63 02 62 2C 60 00 61 7F 65 00 64 00 60 05") == [
        (me.NRPN_STEP, 1, 300, 1, 1),
        (me.NRPN_STEP, 1, 300, -1, 1),
        (me.RPN_STEP, 1, 0, 1, 1),
    ]


def test_after_a_step_an_lsb_does_not_refine_the_value_from_before() -> None:
    assembler = EventAssembler(parameters=NRPN_300)
    assert len(events(assembler, "B0 63 02 62 2C 06 40 61 00 26 7F")) == 2


def test_a_listed_parameter_keeps_its_msb_while_another_is_selected() -> None:
    assembler = EventAssembler(parameters=NRPN_300 | {(me.NRPN, 1, 301)})
    events(assembler, "B0 63 02 62 2C 06 40 62 2D 06 10")
    assert events(assembler, "B0 62 2C 26 05") == [nrpn(64 << 7 | 5)]


def test_an_unlisted_parameter_moves_nothing_that_is_listed_and_is_still_seen() -> None:
    assembler = EventAssembler(parameters=NRPN_300)
    events(assembler, "B0 63 02 62 2C 06 40")
    assert events(assembler, "B0 62 2D 06 7F 26 01") == [nrpn(16256, 301), nrpn(16257, 301)]
    assert events(assembler, "B0 62 2E 26 01") == []
    assert events(assembler, "B0 62 2C 26 01") == [nrpn(8193)]


def test_selections_are_per_midi_channel() -> None:
    parameters = NRPN_300 | {(me.NRPN, 2, 300), (me.NRPN, 2, 301)}
    assembler = EventAssembler(parameters=parameters)
    heard = events(assembler, "B0 63 02 B1 63 02 B0 62 2C B1 62 2D B0 06 01 B1 06 02 B0 26 03")
    assert heard == [nrpn(128), nrpn(256, 301, 2), nrpn(131)]


def test_on_a_midi_channel_without_parameters_data_entry_stays_plain() -> None:
    assembler = EventAssembler(parameters=NRPN_300)
    assert events(assembler, "B1 63 02 62 2C 06 01 26 01 60 01 61 01") == [
        (me.CONTROL, 2, control, value, 127)
        for control, value in ((99, 2), (98, 44), (6, 1), (38, 1), (96, 1), (97, 1))
    ]


def test_lsb_first_holds_for_data_entry_where_it_is_declared() -> None:
    assembler = EventAssembler(
        parameters=NRPN_300 | RPN_0, lsb_first=frozenset({(me.NRPN, 1, 300)})
    )
    assert events(assembler, "B0 63 02 62 2C 26 39 06 60") == [nrpn(12345)]
    assert events(assembler, "B0 65 00 64 00 06 60") == [(me.RPN, 1, 0, 12288, 16383)]
    assert assembler.ignored == 0


WRONG_TABLES = {
    "pair (0, 7), expected channel 1..16, 0..31": {"pairs": {(0, 7)}},
    "pair (1, 32), expected channel 1..16, 0..31": {"pairs": {(1, 32)}},
    "pair 6/38 on MIDI channel 1, but NRPN or RPN needs it": {
        "pairs": {(1, 6)},
        "parameters": {(me.NRPN, 1, 300)},
    },
    "parameter of kind 1, expected NRPN or RPN": {"parameters": {(me.CONTROL, 1, 300)}},
    "parameter 16383 on 1, expected 0..16382 on 1..16": {"parameters": {(me.RPN, 1, 16383)}},
    "parameter 0 on 17, expected 0..16382 on 1..16": {"parameters": {(me.RPN, 17, 0)}},
    "LSB first for (2, 1, 7), which is no pair and no parameter": {"lsb_first": {(2, 1, 7)}},
}


@pytest.mark.parametrize("text", WRONG_TABLES)
def test_a_table_that_cannot_be_is_refused_with_what_was_found(text: str) -> None:
    tables = {name: frozenset(rows) for name, rows in WRONG_TABLES[text].items()}
    with pytest.raises(ValueError) as caught:
        EventAssembler(**tables)
    assert str(caught.value) == text

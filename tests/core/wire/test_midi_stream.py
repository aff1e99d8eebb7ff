"""Bytes to complete MIDI messages.

Sources: MIDI 1.0 Detailed Specification 4.2, message tables 1-5 (MMA 1995), as mirrored in public
copies of its table 1; the running status rules as the receiver recipe that open parsers quote.
"""

from __future__ import annotations

import pytest

from bridge.wire.midi import CHANNEL_DATA_BYTES, SYSEX_BYTES_MAX, MidiStream


def fed(*chunks: str) -> list[str]:
    stream = MidiStream()
    return [
        message.hex(" ").upper()
        for chunk in chunks
        for message in stream.feed(bytes.fromhex(chunk))
    ]


def test_channel_messages_have_the_data_bytes_of_table_1() -> None:
    # Table 1: note off, note on, poly pressure, control, program, channel pressure, bend.
    assert CHANNEL_DATA_BYTES == (2, 2, 2, 2, 1, 1, 2)


@pytest.mark.parametrize("status", range(0x80, 0xF0))
def test_every_channel_message_passes_whole_and_sets_running_status(status: int) -> None:
    data = bytes((1,) * CHANNEL_DATA_BYTES[(status >> 4) - 8])
    stream = MidiStream()
    assert stream.feed(bytes((status,)) + data + data) == [bytes((status,)) + data] * 2
    assert stream.dropped == 0


CASES = {
    "a message alone": (["B0 07 64"], ["B0 07 64"]),
    "two in one chunk": (["B0 07 64 C1 05"], ["B0 07 64", "C1 05"]),
    "one in three chunks": (["B0", "07", "64"], ["B0 07 64"]),
    "running status": (["B0 07 01 07 02"], ["B0 07 01", "B0 07 02"]),
    "running status after the fast path": (["B0 07 01", "07 02"], ["B0 07 01", "B0 07 02"]),
    "running status over chunks": (
        ["B0 07 01 07", "02 0B", "03"],
        ["B0 07 01", "B0 07 02", "B0 0B 03"],
    ),
    # Real-time bytes may stand between any two bytes; they come out first.
    "clock inside a note on": (["90 3C F8 64"], ["F8", "90 3C 64"]),
    "clock before running status data": (["B0 07 01 F8 07 02"], ["B0 07 01", "F8", "B0 07 02"]),
    "active sensing inside a sysex": (["F0 7D FE 01 F7"], ["FE", "F0 7D 01 F7"]),
    "a sysex in chunks": (["F0 7D", "01", "F7"], ["F0 7D 01 F7"]),
    "system common": (["F1 05 F2 01 02 F3 09 F6"], ["F1 05", "F2 01 02", "F3 09", "F6"]),
    "system common clears running status": (["B0 07 01 F6 07 02"], ["B0 07 01", "F6"]),
    "sysex clears running status": (["B0 07 01 F0 7D F7 07 02"], ["B0 07 01", "F0 7D F7"]),
    "undefined common clears running status": (["B0 07 01 F4 07 02"], ["B0 07 01"]),
    "a lone end clears running status": (["B0 07 01 F7 07 02"], ["B0 07 01"]),
    "undefined real time does not": (["B0 07 F9 01 FD 07 02"], ["B0 07 01", "B0 07 02"]),
    "data with no status": (["07 64 90 3C 64"], ["90 3C 64"]),
    "a message cut short": (["90 3C B0 07 64"], ["B0 07 64"]),
    "a sysex cut short": (["F0 7D 01 B0 07 64"], ["B0 07 64"]),
    "a fast-path message cuts a sysex short": (["F0 7D 01", "B0 07 64", "01 F7"], ["B0 07 64"]),
    "a second sysex cuts the first": (["F0 7D 01 F0 7D 02 F7"], ["F0 7D 02 F7"]),
}


@pytest.mark.parametrize("name", CASES)
def test_messages_come_out_whole_in_order_and_nothing_else_does(name: str) -> None:
    chunks, expected = CASES[name]
    assert fed(*chunks) == expected


DROPS = {
    "07 64": (2, "data without a status"),
    "F4": (1, "undefined status"),
    "F5 01": (2, "data without a status"),
    "F9": (1, "undefined real-time status"),
    "F7": (1, "end of a sysex that never began"),
    "90 3C F7": (3, "end of a sysex that never began"),
    "90 3C 80 3C 00": (2, "message cut short"),
    "F0 7D 01 FE 80 3C 00": (3, "sysex cut short"),
    "90 3C 64 3C 80 3C 00": (1, "message cut short"),
    "90 3C 64": (0, ""),
}


@pytest.mark.parametrize("data", DROPS)
def test_what_is_dropped_is_counted_with_its_reason(data: str) -> None:
    stream = MidiStream()
    stream.feed(bytes.fromhex(data))
    assert (stream.dropped, stream.last_dropped) == DROPS[data]


def test_a_sysex_of_exactly_the_bound_passes() -> None:
    message = b"\xf0" + bytes(SYSEX_BYTES_MAX - 2) + b"\xf7"
    assert MidiStream().feed(message) == [message]


def test_a_sysex_over_the_bound_is_dropped_up_to_its_end_and_the_next_message_passes() -> None:
    stream = MidiStream(sysex_bytes_max=8)
    too_long = b"\xf0" + bytes(7) + b"\xf7"
    assert stream.feed(too_long + b"\x01\xb0\x07\x64") == [b"\xb0\x07\x64"]
    assert stream.dropped == len(too_long) + 1


def test_a_message_after_an_endless_sysex_passes_although_its_end_never_came() -> None:
    stream = MidiStream(sysex_bytes_max=8)
    assert stream.feed(b"\xf0" + bytes(1000)) == []
    assert stream.feed(b"\xb0\x07\x64") == [b"\xb0\x07\x64"]
    assert stream.feed(b"\x07\x65") == [b"\xb0\x07\x65"]


def test_after_clear_neither_half_a_message_nor_running_status_is_left() -> None:
    stream = MidiStream()
    stream.feed(bytes.fromhex("90 3C 64 3C"))
    stream.clear()
    assert stream.feed(bytes.fromhex("64 3C 64")) == []


def test_a_bound_that_holds_no_sysex_is_refused() -> None:
    with pytest.raises(ValueError, match="sysex_bytes_max is 1, expected 2 or more"):
        MidiStream(sysex_bytes_max=1)

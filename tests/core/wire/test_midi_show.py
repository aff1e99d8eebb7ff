"""MIDI Show Control: bytes to a GO, and what is refused."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import WireError
from bridge.wire import midi_show
from bridge.wire.midi_show import Go, cue_order, decode

ALL = 0x7F


def go(data: str, device: str = "01", command_format: str = "10") -> bytes:
    return bytes.fromhex(f"F0 7F {device} 02 {command_format} 01 {data} F7")


def test_a_go_as_a_lighting_desk_says_it_is_read() -> None:
    # GO cue 91.5 list 12 to device 1, lighting: as posted on a lighting forum by its desk's users
    data = bytes.fromhex("F0 7F 01 02 01 01 39 31 2E 35 00 31 32 00 F7")
    found = decode(data)
    assert found == Go(1, 0x01, "91.5")
    assert not found.means(1)  # it is for lights


# MIDI Show Control 1.1.1 (MMA RP-002/RP-014), section 3.1: cue 235.6 list 36.6 path 59, its text's
# example; further delimiters may come anywhere, and two points together count as one.
@pytest.mark.parametrize(
    ("data", "cue"),
    [
        ("32 33 35 2E 36 00 33 36 2E 36 00 35 39", "235.6"),
        ("35", "5"),
        ("35 00", "5"),
        ("35 00 00 31", "5"),
        ("39 31 2E 2E 35", "91.5"),
        ("", ""),
        ("00", ""),
        ("00 31 30", ""),
        ("30 35", "05"),
    ],
)
def test_the_cue_number_is_what_stands_before_the_first_delimiter(data: str, cue: str) -> None:
    assert decode(go(data)) == Go(1, 0x10, cue)


@pytest.mark.parametrize(
    ("device", "command_format", "ours"),
    [("01", "10", True), ("7F", "10", True), ("01", "7F", True), ("7F", "7F", True),
     ("02", "10", False), ("70", "10", False), ("01", "01", False), ("01", "11", False)],
)  # fmt: skip
def test_only_a_sound_device_of_this_id_or_everybody_is_meant(
    device: str, command_format: str, ours: bool
) -> None:
    found = decode(go("35", device, command_format))
    assert found is not None and found.means(1) is ours


@pytest.mark.parametrize("command", ["02", "03", "04", "06", "08", "0B", "00 01"])
def test_no_other_command_is_a_go(command: str) -> None:
    assert decode(bytes.fromhex(f"F0 7F 01 02 10 {command} 35 F7")) is None


@pytest.mark.parametrize("data", ["F0 7F 01 02 00 01 01 35 F7", "F0 7F 01 02 00 F7 F7"])
def test_an_extended_command_format_is_no_go(data: str) -> None:
    raw = bytes.fromhex(data)
    with contextlib.suppress(WireError):
        assert decode(raw) is None


@pytest.mark.parametrize(
    "data", ["", "F0", "F0 7F 01", "F0 7E 01 02 10 01 35 F7", "F0 7F 01 06 10 01 35 F7", "90 40 40"]
)
def test_what_is_no_show_control_is_nobodys_fault(data: str) -> None:
    assert decode(bytes.fromhex(data)) is None


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        ("F0 7F 01 02 10 01 35", midi_show.NOT_ENDED),
        ("F0 7F 01 02 10 F7", midi_show.CUT_SHORT),
        ("F0 7F 01 02 10 01 90 F7", midi_show.NO_DATA),
        ("F0 7F 01 02 10 01 F7 F7", midi_show.NO_DATA),
        ("F0 7F 01 02 10 01 2E 35 F7", midi_show.NO_CUE),
        ("F0 7F 01 02 10 01 35 2E F7", midi_show.NO_CUE),
        ("F0 7F 01 02 10 01 41 F7", midi_show.NO_CUE),
        ("F0 7F 01 02 10 01" + "31" * 122 + "F7", midi_show.TOO_LONG),
    ],
)
def test_a_damaged_message_is_refused_with_its_reason(data: str, reason: str) -> None:
    with pytest.raises(WireError) as caught:
        decode(bytes.fromhex(data))
    assert caught.value.reason == reason


def test_the_longest_message_has_128_bytes() -> None:
    # MIDI Show Control 1.1.1, section 2.6
    data = go("31" * 121)
    assert len(data) == 128
    found = decode(data)
    assert found is not None and found.cue == "1" * 121


def test_cues_are_ordered_as_numbers() -> None:
    assert sorted(["10", "9.5", "9", "9.10"], key=cue_order) == ["9", "9.5", "9.10", "10"]


@given(st.binary(max_size=140).map(lambda tail: b"\xf0\x7f\x01\x02" + tail) | st.binary())
def test_no_bytes_raise_anything_but_a_wire_error(data: bytes) -> None:
    try:
        found = decode(data)
    except WireError:
        return
    assert found is None or (data[-1] == 0xF7 and len(data) <= 128)

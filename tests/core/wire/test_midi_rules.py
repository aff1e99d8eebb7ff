"""Rules of MIDI 1.0 over all their values, not over examples.

Sources: MIDI 1.0 Detailed Specification 4.2, tables 1, 3 and 5 in their public copies; running
status as the receiver recipe that open parsers quote; wire speed IEC 63035:2017; identity reply:
blitter.com, "Identity Reply".
"""

from __future__ import annotations

import pytest

from bridge.wire import midi_encode as encode
from bridge.wire import midi_events as me
from bridge.wire.midi import MidiStream
from bridge.wire.midi_events import EventAssembler
from bridge.wire.midi_sysex import SysexTemplate
from bridge.wire.pacing import MIDI_WIRE_BYTES_PER_S, Budget

MASTER_7 = b"\xb0\x07\x01"
COMMON = {0xF1: b"\x05", 0xF2: b"\x01\x02", 0xF3: b"\x09", 0xF0: b"\x7d\xf7"}
"""What follows a system common status (table 1); nothing follows the others."""


@pytest.mark.parametrize("status", range(0xF0, 0x100))
def test_running_status_ends_at_every_system_common_and_at_no_real_time_byte(status: int) -> None:
    stream = MidiStream()
    stream.feed(MASTER_7)
    stream.feed(bytes((status,)) + COMMON.get(status, b""))
    assert stream.feed(b"\x07\x02") == ([b"\xb0\x07\x02"] if status >= 0xF8 else [])


@pytest.mark.parametrize("status", range(0xF8, 0x100))
@pytest.mark.parametrize("at", [1, 2])
def test_a_real_time_byte_may_stand_anywhere_inside_a_message(status: int, at: int) -> None:
    # Undefined ones (F9, FD) are dropped; the message around them is whole all the same.
    stream = MidiStream()
    heard = stream.feed(MASTER_7[:at] + bytes((status,)) + MASTER_7[at:])
    assert heard[-1] == MASTER_7
    assert heard[:-1] == ([] if status in (0xF9, 0xFD) else [bytes((status,))])


@pytest.mark.parametrize("control", range(32))
def test_every_controller_below_32_has_its_fine_half_32_above(control: int) -> None:
    # Table 3: 0 to 31 and 32 to 63; so 7 and 39, 11 and 43, 6 and 38. 12345 = 96 * 128 + 57.
    msb, lsb = encode.control_change_14(1, control, 12345)
    assert (msb, lsb) == (bytes((0xB0, control, 96)), bytes((0xB0, control + 32, 57)))
    assembler = EventAssembler(frozenset({(1, control)}))
    heard = [event for data in (msb, lsb) for event in assembler.feed(data)]
    assert heard[-1] == (me.CONTROL14, 1, control, 12345, 16383)


@pytest.mark.parametrize("control", range(120, 128))
def test_of_the_channel_mode_messages_only_reset_touches_a_chosen_parameter(control: int) -> None:
    # Table 5: 120 sound off, 121 reset, 122 local, 123 notes off, 124 to 127 omni, mono, poly.
    assembler = EventAssembler(parameters=frozenset({(me.NRPN, 1, 300)}))
    for data in (b"\xb0\x63\x02", b"\xb0\x62\x2c"):
        assembler.feed(data)
    mode = assembler.feed(bytes((0xB0, control, 0)))
    assert mode == [(me.CONTROL, 1, control, 0, 127)]
    entered = assembler.feed(b"\xb0\x06\x02")
    assert entered == ([] if control == 121 else [(me.NRPN, 1, 300, 256, 16383)])


def test_a_byte_takes_320_microseconds_on_a_wire() -> None:
    # 31,250 bit/s and 10 bits a byte; the standard allows 1 % either way, 316.8 to 323.2.
    byte_s = 1.0 / MIDI_WIRE_BYTES_PER_S
    assert byte_s * 1e6 == pytest.approx(320.0)
    budget = Budget(bytes_per_s=MIDI_WIRE_BYTES_PER_S, burst_s=0.0)
    budget.spend(0.0, 1, 2)  # a controller in running status is two bytes, 640 us
    assert not budget.may(0.000639, 1, 2)
    assert budget.may(0.000641, 1, 2)


def test_an_identity_reply_of_a_maker_with_three_bytes_is_17_bytes_long() -> None:
    template = SysexTemplate(
        "F0 7E {device} 06 02 00 {first} {second} {family:2:lsb} {model:2:lsb} {a} {b} {c} {d} F7"
    )
    reply = bytes.fromhex("F0 7E 10 06 02 00 7D 01 02 03 04 05 06 07 08 09 F7")
    assert len(reply) == template.size == 17
    found = template.decode(reply)
    assert found is not None
    assert (found["device"], found["first"], found["second"]) == (0x10, 0x7D, 1)
    assert (found["family"], found["model"]) == (3 << 7 | 2, 5 << 7 | 4)
    assert [found[part] for part in "abcd"] == [6, 7, 8, 9]


def test_an_identity_request_as_one_manual_misprints_it_is_none() -> None:
    # A recorder's manual lost a byte and turned another: F0 7C 06 01 F7.
    request = SysexTemplate("F0 7E 7F 06 01 F7")
    assert request.decode(bytes.fromhex("F0 7E 7F 06 01 F7")) == {}
    assert request.decode(bytes.fromhex("F0 7C 06 01 F7")) is None
    assert request.decode(bytes.fromhex("F0 7E 7F 06 02 F7")) is None


def test_an_exclusive_message_that_does_not_end_with_f7_never_comes_out() -> None:
    # A lighting manual prints a show control message with another last byte.
    stream = MidiStream()
    assert stream.feed(bytes.fromhex("F0 7F 01 02 01 01 39 31 2E 35 00 31 32 00 70")) == []
    assert stream.feed(MASTER_7) == [MASTER_7]
    assert (stream.dropped, stream.last_dropped) == (15, "sysex cut short")

"""Values to MIDI messages, and the relative codings.

Sources: MIDI 1.0 Detailed Specification 4.2, tables 1-3a; wire timing from IEC 63035:2017 (31.25
kBd, 10 bits a byte). Relative codings: documentation of the open Control-Surface library (tttapa).
mido (an independent codec) is the oracle for single messages.
"""

from __future__ import annotations

from collections.abc import Callable

import mido
import pytest

from bridge.errors import WireError
from bridge.wire import midi_encode as encode
from bridge.wire.pacing import MIDI_WIRE_BYTES_PER_S


def hexes(messages: tuple[bytes, ...]) -> str:
    return " | ".join(message.hex(" ").upper() for message in messages)


def running(messages: tuple[bytes, ...]) -> bytes:
    """The messages as one stream with running status."""
    out = bytearray()
    status = -1
    for message in messages:
        out += message if message[0] != status else message[1:]
        status = message[0]
    return bytes(out)


ROWS: dict[str, tuple[bytes, ...]] = {
    "90 3C 64": encode.note(1, 60, 100),
    "9F 7F 00": encode.note(16, 127, 0),
    "A0 3C 40": encode.poly_pressure(1, 60, 64),
    "B0 07 64": encode.control_change(1, 7, 100),
    "BF 7F 7F": encode.control_change(16, 127, 127),
    "C0 05": encode.program_change(1, 5),
    "D0 22": encode.channel_pressure(1, 34),
    "E0 00 40": encode.pitch_bend(1, 8192),
    "E0 7F 7F": encode.pitch_bend(1, 16383),
    "B0 07 60 | B0 27 39": encode.control_change_14(1, 7, 12345),
    "B0 1F 7F | B0 3F 7F": encode.control_change_14(1, 31, 16383),
    "B0 63 02 | B0 62 2C | B0 06 60 | B0 26 39": encode.nrpn(1, 300, 12345),
    "B1 65 00 | B1 64 00 | B1 06 02 | B1 26 00": encode.rpn(2, 0, 256),
    "B0 63 02 | B0 62 2C | B0 60 00 | B0 60 00": encode.nrpn_step(1, 300, 2),
    "B0 65 00 | B0 64 01 | B0 61 00": encode.rpn_step(1, 1, -1),
    "B0 65 00 | B0 64 01": encode.rpn_step(1, 1, 0),
}


@pytest.mark.parametrize("text", ROWS)
def test_values_become_the_bytes_of_their_row(text: str) -> None:
    assert hexes(ROWS[text]) == text


def test_the_bend_range_example_with_null_is_13_bytes_with_running_status() -> None:
    # The usual example of synthesizer manuals.
    messages = encode.rpn(1, 0, 2 << 7, deselect=True)
    assert running(messages) == bytes.fromhex("B0 65 00 64 00 06 02 26 00 65 7F 64 7F")


@pytest.mark.parametrize(
    ("messages", "full", "full_ms", "with_running", "running_ms"),
    [
        (encode.control_change(1, 7, 1), 3, 0.96, 3, 0.96),
        (encode.control_change(1, 7, 1) + encode.control_change(1, 7, 2), 6, 1.92, 5, 1.60),
        (encode.control_change_14(1, 7, 12345), 6, 1.92, 5, 1.60),
        (encode.nrpn(1, 300, 12345), 12, 3.84, 9, 2.88),
    ],
)
def test_messages_take_their_known_time_on_a_wire(
    messages: tuple[bytes, ...], full: int, full_ms: float, with_running: int, running_ms: float
) -> None:
    # 320 us a byte: 31,250 bit/s, 10 bits a byte.
    assert sum(map(len, messages)) == full
    assert full / MIDI_WIRE_BYTES_PER_S * 1000 == pytest.approx(full_ms)
    assert len(running(messages)) == with_running
    assert with_running / MIDI_WIRE_BYTES_PER_S * 1000 == pytest.approx(running_ms)


ORACLE: list[tuple[tuple[bytes, ...], mido.Message]] = [
    (encode.note(3, 60, 100), mido.Message("note_on", channel=2, note=60, velocity=100)),
    (encode.poly_pressure(3, 60, 9), mido.Message("polytouch", channel=2, note=60, value=9)),
    (
        encode.control_change(16, 11, 7),
        mido.Message("control_change", channel=15, control=11, value=7),
    ),
    (encode.program_change(1, 99), mido.Message("program_change", channel=0, program=99)),
    (encode.channel_pressure(1, 99), mido.Message("aftertouch", channel=0, value=99)),
    (encode.pitch_bend(1, 0), mido.Message("pitchwheel", channel=0, pitch=-8192)),
    (encode.pitch_bend(1, 8192), mido.Message("pitchwheel", channel=0, pitch=0)),
    (encode.pitch_bend(1, 12345), mido.Message("pitchwheel", channel=0, pitch=12345 - 8192)),
]


@pytest.mark.parametrize(("messages", "other"), ORACLE)
def test_an_independent_codec_writes_the_same_bytes(
    messages: tuple[bytes, ...], other: mido.Message
) -> None:
    assert messages == (bytes(other.bytes()),)


REFUSED: dict[str, Callable[[], object]] = {
    "MIDI channel 0, expected 1..16": lambda: encode.note(0, 60, 1),
    "MIDI channel 17, expected 1..16": lambda: encode.control_change_14(17, 7, 1),
    "note 128, expected a whole number 0..127": lambda: encode.note(1, 128, 1),
    "velocity -1, expected a whole number 0..127": lambda: encode.note(1, 60, -1),
    "control 128, expected a whole number 0..127": lambda: encode.control_change(1, 128, 1),
    "value 128, expected a whole number 0..127": lambda: encode.control_change(1, 7, 128),
    "value 1.5, expected a whole number 0..127": lambda: encode.control_change(1, 7, 1.5),  # type: ignore[arg-type]
    "value nan, expected a whole number 0..127": lambda: encode.control_change(
        1,
        7,
        float("nan"),  # type: ignore[arg-type]
    ),
    "14-bit control 32, expected a whole number 0..31": lambda: encode.control_change_14(1, 32, 1),
    "14-bit value 16384, expected a whole number 0..16383": lambda: encode.nrpn(1, 1, 16384),
    "parameter number 16383, expected a whole number 0..16382": lambda: encode.rpn(1, 16383, 0),
    "program -1, expected a whole number 0..127": lambda: encode.program_change(1, -1),
    "pressure 128, expected a whole number 0..127": lambda: encode.channel_pressure(1, 128),
    "bend 16384, expected a whole number 0..16383": lambda: encode.pitch_bend(1, 16384),
    "number of steps 128, expected a whole number 0..127": lambda: encode.nrpn_step(1, 1, -128),
    "relative byte 128, expected a whole number 0..127": lambda: encode.decode_relative(
        encode.BINARY_OFFSET, 128
    ),
    "64 steps, expected -64..63": lambda: encode.encode_relative(encode.TWOS_COMPLEMENT, 64),
    "-64 steps, expected -63..63": lambda: encode.encode_relative(encode.SIGN_MAGNITUDE, -64),
    "coding 'gray', expected one of two's complement, binary offset, sign magnitude": lambda: (
        encode.decode_relative("gray", 1)
    ),
}


@pytest.mark.parametrize("text", REFUSED)
def test_what_does_not_fit_is_refused_with_what_was_found_and_expected(text: str) -> None:
    with pytest.raises(WireError) as caught:
        REFUSED[text]()
    assert str(caught.value) == text


RELATIVE = {
    encode.TWOS_COMPLEMENT: {0x01: 1, 0x3F: 63, 0x40: -64, 0x7F: -1},
    encode.BINARY_OFFSET: {0x41: 1, 0x3F: -1, 0x40: 0, 0x00: -64},
    encode.SIGN_MAGNITUDE: {0x01: 1, 0x41: -1, 0x40: 0, 0x7F: -63},
}


@pytest.mark.parametrize("coding", RELATIVE)
def test_relative_bytes_mean_the_steps_of_the_library_documentation(coding: str) -> None:
    assert {byte: encode.decode_relative(coding, byte) for byte in RELATIVE[coding]} == RELATIVE[
        coding
    ]


@pytest.mark.parametrize("coding", encode.RELATIVE)
def test_relative_codings_are_undone_by_their_encoding(coding: str) -> None:
    for steps in set(encode.RELATIVE[coding]):
        byte = encode.encode_relative(coding, steps)
        assert encode.decode_relative(coding, byte) == steps


def test_standing_still_in_sign_magnitude_is_byte_0() -> None:
    assert encode.encode_relative(encode.SIGN_MAGNITUDE, 0) == 0

"""System exclusive templates.

Sources: MIDI 1.0 Detailed Specification 4.2, "System Exclusive" (7D for non-commercial use, ids of
three bytes begin with 00); identity request and reply: the public "MIDI Specification" pages of
blitter.com, "Identity Request". Checksums: worked by hand beside each case.
"""

from __future__ import annotations

import pytest

from bridge.errors import WireError
from bridge.wire.midi_sysex import TEMPLATE_BYTES_MAX, SysexTemplate

LEVEL = "F0 7D 01 {bus} {channel} {value:2} {checksum} F7"


def encoded(text: str, **fields: int) -> str:
    return SysexTemplate(text).encode(fields).hex(" ").upper()


ENCODED = {
    # 12345 = 96 * 128 + 57 = 60 39.
    ("F0 7D {value:2} F7", 12345): "F0 7D 60 39 F7",
    ("F0 7D {value:2:msb} F7", 12345): "F0 7D 60 39 F7",
    ("F0 7D {value:2:lsb} F7", 12345): "F0 7D 39 60 F7",
    ("f0 7d {value} f7", 127): "F0 7D 7F F7",
    ("F0 7D {value:4} F7", 2**28 - 1): "F0 7D 7F 7F 7F 7F F7",
    ("F0 7D {value:3} F7", 1): "F0 7D 00 00 01 F7",
    # 01 + 02 + 03 = 06; 80 - 06 = 7A. The id is not summed.
    ("F0 7D 01 02 {value} {checksum} F7", 3): "F0 7D 01 02 03 7A F7",
    ("F0 7D 01 02 {value} {checksum:sum} F7", 3): "F0 7D 01 02 03 7A F7",
    # A sum of 0 mod 80 has the checksum 00.
    ("F0 7D 40 {value} {checksum} F7", 0x40): "F0 7D 40 40 00 F7",
    # 01 xor 02 xor 07 = 04.
    ("F0 7D 01 02 {value} {checksum:xor} F7", 7): "F0 7D 01 02 07 04 F7",
    # Only what stands in brackets: 02 + 03 = 05; 80 - 05 = 7B.
    ("F0 7D 01 (02 {value}) {checksum} F7", 3): "F0 7D 01 02 03 7B F7",
    ("F0 7D 01 ( 02 {value} ) 55 {checksum} F7", 3): "F0 7D 01 02 03 55 7B F7",
    # The checksum may stand before what it covers, and does not cover itself.
    ("F0 7D {checksum} 02 {value} F7", 3): "F0 7D 7B 02 03 F7",
    # An id of three bytes is not summed either: 01 + 03 = 04; 80 - 04 = 7C.
    ("F0 00 20 7D 01 {value} {checksum} F7", 3): "F0 00 20 7D 01 03 7C F7",
}


@pytest.mark.parametrize(("text", "value"), ENCODED)
def test_a_template_encodes_and_decodes_its_message(text: str, value: int) -> None:
    message = ENCODED[text, value]
    assert encoded(text, value=value) == message
    assert SysexTemplate(text).decode(bytes.fromhex(message)) == {"value": value}


def test_several_fields_keep_their_places() -> None:
    # 01 + 03 + 07 + 60 + 39 = A4; A4 mod 80 = 24; 80 - 24 = 5C.
    message = encoded(LEVEL, bus=3, channel=7, value=12345, performer=99)
    assert message == "F0 7D 01 03 07 60 39 5C F7"
    assert SysexTemplate(LEVEL).decode(bytes.fromhex(message)) == {
        "bus": 3,
        "channel": 7,
        "value": 12345,
    }


def test_a_template_tells_its_size_and_its_fields_largest_values() -> None:
    template = SysexTemplate(LEVEL)
    assert (template.size, template.text) == (9, LEVEL)
    assert template.fields == {"bus": 127, "channel": 127, "value": 16383}


def test_a_template_without_fields_is_one_message() -> None:
    # Identity request to any device.
    assert encoded("F0 7E 7F 06 01 F7") == "F0 7E 7F 06 01 F7"
    assert SysexTemplate("F0 7E 7F 06 01 F7").decode(b"\xf0\x7e\x7f\x06\x01\xf7") == {}


def test_an_identity_reply_is_15_bytes_with_its_codes_lsb_first() -> None:
    template = SysexTemplate(
        "F0 7E {device} 06 02 {maker} {family:2:lsb} {model:2:lsb} {version:4} F7"
    )
    assert template.size == 15
    reply = bytes.fromhex("F0 7E 00 06 02 7D 01 02 03 04 00 00 01 00 F7")
    assert template.decode(reply) == {
        "device": 0,
        "maker": 0x7D,
        "family": 2 << 7 | 1,
        "model": 4 << 7 | 3,
        "version": 128,
    }


GOOD = "F0 7D 01 03 07 60 39 5C F7"


@pytest.mark.parametrize(
    "message",
    [
        "",
        "F0",
        "F0 F7",
        "F0 7D 01 03 07 60 39 5C",  # The end is missing.
        "F0 7D 01 03 07 60 39 5C 00",  # The last byte is not F7.
        "F0 7D 01 03 07 60 39 5C 00 F7",  # One byte too many.
        "F0 7D 01 03 07 60 39 5D F7",  # A wrong checksum.
        "F0 7D 01 03 07 60 38 5C F7",  # A byte turned on the way.
        "F0 7D 02 03 07 60 39 5B F7",  # Another fixed byte, checksum right.
        "F0 7E 01 03 07 60 39 5C F7",  # Another id.
        "F0 7D 01 03 07 60 B9 5C F7",  # A status byte inside, right in its lower 7 bits.
        "F1 7D 01 03 07 60 39 5C F7",
    ],
)
def test_what_is_not_of_the_template_is_none(message: str) -> None:
    template = SysexTemplate(LEVEL)
    assert template.decode(bytes.fromhex(GOOD)) is not None
    assert template.decode(bytes.fromhex(message)) is None


@pytest.mark.parametrize(
    ("fields", "text"),
    [
        ({"bus": 1, "channel": 1}, "sysex field value is missing, expected 0..16383"),
        ({"bus": 128, "channel": 1, "value": 0}, "sysex field bus is 128, expected 0..127"),
        ({"bus": 1, "channel": -1, "value": 0}, "sysex field channel is -1, expected 0..127"),
        ({"bus": 1, "channel": 1, "value": 0.5}, "sysex field value is 0.5, expected 0..16383"),
        ({"bus": 1, "channel": 1, "value": 16384}, "sysex field value is 16384, expected 0..16383"),
    ],
)
def test_a_value_that_does_not_fit_is_refused(fields: dict[str, int], text: str) -> None:
    with pytest.raises(WireError) as caught:
        SysexTemplate(LEVEL).encode(fields)
    assert str(caught.value) == text


HEX = "two hex digits, a {field}, ( or )"
NAME = "{name}, {name:1} to {name:4}, :lsb"
WRONG = {
    "": "sysex template must begin with F0, an id, and end with F7",
    "F0 F7": "sysex template must begin with F0, an id, and end with F7",
    "7D 01 F7": "sysex template must begin with F0, an id, and end with F7",
    "F0 7D 01": "sysex template must begin with F0, an id, and end with F7",
    "F0 7D {value}": "sysex template must begin with F0, an id, and end with F7",
    "F0 {maker} 01 F7": "sysex template must begin with F0 and a manufacturer id",
    "F0 {checksum} 01 F7": "sysex template must begin with F0 and a manufacturer id",
    "F0 7D 80 F7": "sysex template has 80 inside, expected 00..7F",
    "F0 7D F7 00 F7": "sysex template has F7 inside, expected 00..7F",
    "F0 7D 1 F7": f"sysex template byte 2: found '1', expected {HEX}",
    "F0 7D 0x01 F7": f"sysex template byte 2: found '0x01', expected {HEX}",
    "F0 7D01 F7": f"sysex template byte 1: found '7D01', expected {HEX}",
    "F0 7D GG F7": f"sysex template byte 2: found 'GG', expected {HEX}",
    "F0 7D } F7": f"sysex template byte 2: found '}}', expected {HEX}",
    "F0 7D {} F7": f"sysex template byte 2: found '{{}}', expected {NAME}",
    "F0 7D {value F7": f"sysex template byte 2: found '{{', expected {NAME}",
    "F0 7D {value:5} F7": f"sysex template byte 2: found '{{value:5}}', expected {NAME}",
    "F0 7D {value:0} F7": f"sysex template byte 2: found '{{value:0}}', expected {NAME}",
    "F0 7D {value:2:big} F7": f"sysex template byte 2: found '{{value:2:big}}', expected {NAME}",
    "F0 7D {bus} {bus} F7": "sysex template byte 3: found '{bus}', expected each field once",
    "F0 7D {checksum} {checksum:xor} F7": (
        "sysex template byte 3: found '{checksum:xor}', expected one checksum"
    ),
    "F0 7D 01 {checksum:crc} F7": (
        "sysex template byte 3: found '{checksum:crc}', expected a checksum of sum or xor"
    ),
    "F0 7D (01) 02 F7": "sysex template has brackets but no {checksum}",
    "F0 7D (01 {checksum} F7": "sysex template has '(' without ')'",
    "F0 7D 01) {checksum} F7": (
        "sysex template byte 3: found ')', "
        "expected one pair of brackets around the bytes of the checksum"
    ),
    "F0 7D (01)(02) {checksum} F7": (
        "sysex template byte 3: found '(', "
        "expected one pair of brackets around the bytes of the checksum"
    ),
    "F0 7D () 01 {checksum} F7": "sysex template has no byte between '(' and ')'",
    "F0 7D" + " 00" * TEMPLATE_BYTES_MAX + " F7": "sysex template is over 256 bytes long",
}


@pytest.mark.parametrize("text", WRONG)
def test_a_text_that_is_no_template_is_refused_with_the_word_and_what_was_expected(
    text: str,
) -> None:
    with pytest.raises(WireError) as caught:
        SysexTemplate(text)
    assert str(caught.value) == WRONG[text]

"""Nothing is written that another program could misread, and no level is rounded up."""

import math
import struct
from typing import Any

import pytest

from bridge.errors import WireError
from bridge.wire import guard
from bridge.wire import osc_tags as reasons
from bridge.wire.osc import (
    ADDRESS,
    TIME_TAG_RANGE,
    bundle,
    decode,
    encode,
    encode_f32_down,
    header,
)

NAN, INF = math.nan, math.inf
FLOAT_MAX = 3.4028234663852886e38

# Source for what an address may hold: OSC 1.0, "OSC Address Spaces": printable ASCII without space
# and # * , / ? [ ] { }; patterns, which may be sent, bring back * ? [ ] { } and the comma.
WRONG_ADDRESSES = [
    "",
    "noslash",
    " /a",
    "/a b",
    "/a#b",
    "/größe",
    "/a\0",
    "/a\n",
    "/a\x7f",
    "/in/[1",
    "/in/{a",
    "/in/[3-1]/level",
    "/" + "a" * 256,
]


@pytest.mark.parametrize("address", WRONG_ADDRESSES)
def test_an_address_that_osc_does_not_allow_is_not_written(address: str) -> None:
    with pytest.raises(WireError, match=ADDRESS):
        encode(address, "f", (0.0,))
    with pytest.raises(WireError, match=ADDRESS):
        header(address, "f")


@pytest.mark.parametrize("address", ["/", "/a", "/a//b", "/a*", "/in/{a,b}/[1-3]/level", "/~!$-_."])
def test_an_address_or_pattern_that_osc_allows_is_written(address: str) -> None:
    assert decode(encode(address))[0].address == address


WRONG_VALUES: list[tuple[str, Any, str]] = [
    ("f", (1e39,), reasons.VALUE_RANGE),
    ("f", (-1e39,), reasons.VALUE_RANGE),
    ("f", (10**400,), reasons.VALUE_RANGE),
    ("f", (NAN,), reasons.NOT_A_NUMBER),
    ("d", (NAN,), reasons.NOT_A_NUMBER),
    ("ff", (0.0, NAN), reasons.NOT_A_NUMBER),
    ("sf", ("a", NAN), reasons.NOT_A_NUMBER),
    ("[f]", ((NAN,),), reasons.NOT_A_NUMBER),
    ("f", ("0.0",), reasons.VALUE_TYPE),
    ("f", (None,), reasons.VALUE_TYPE),
    ("f", (), reasons.VALUE_COUNT),
    ("f", (0.0, 0.0), reasons.VALUE_COUNT),
    ("", (0.0,), reasons.VALUE_COUNT),
    ("sf", ("a",), reasons.VALUE_COUNT),
    ("sf", ("a", 1e39), reasons.VALUE_RANGE),
    ("i", (2**31,), reasons.VALUE_RANGE),
    ("i", (-(2**31) - 1,), reasons.VALUE_RANGE),
    ("i", (1.0,), reasons.VALUE_TYPE),
    ("h", (2**63,), reasons.VALUE_RANGE),
    ("t", (-1,), reasons.VALUE_RANGE),
    ("t", (2**64,), reasons.VALUE_RANGE),
    ("r", (2**32,), reasons.VALUE_RANGE),
    ("s", ("a\0b",), reasons.NUL_INSIDE),
    ("S", ("\0",), reasons.NUL_INSIDE),
    ("s", ("\ud800",), reasons.NOT_UTF8),
    ("s", (b"abc",), reasons.VALUE_TYPE),
    ("s", (1,), reasons.VALUE_TYPE),
    ("b", ("abc",), reasons.VALUE_TYPE),
    ("c", ("ab",), reasons.VALUE_TYPE),
    ("c", ("",), reasons.VALUE_TYPE),
    ("c", ("é",), reasons.NOT_ASCII),
    ("m", (b"\1\2\3",), reasons.VALUE_TYPE),
    ("m", (b"\1\2\3\4\5",), reasons.VALUE_TYPE),
    ("im", (1, b"\1"), reasons.VALUE_TYPE),
    ("T", (False,), reasons.VALUE_TYPE),
    ("F", (None,), reasons.VALUE_TYPE),
    ("N", (False,), reasons.VALUE_TYPE),
    ("T", (), reasons.VALUE_COUNT),
    ("[i]", (1,), reasons.VALUE_TYPE),
    ("[i]", ((),), reasons.VALUE_COUNT),
    ("[i]", ((1, 2),), reasons.VALUE_COUNT),
    ("[i", ((1,),), reasons.ARRAY_BRACKETS),
    ("q", (1,), reasons.UNKNOWN_TAG),
    (",f", (1.0,), reasons.UNKNOWN_TAG),
    ("b", (bytes(guard.PACKET_BYTES_MAX),), guard.TOO_LONG),
]


@pytest.mark.parametrize(("tags", "values", "reason"), WRONG_VALUES)
def test_a_value_that_does_not_suit_its_tag_is_not_written(
    tags: str, values: Any, reason: str
) -> None:
    with pytest.raises(WireError) as caught:
        encode("/a", tags, values)
    assert caught.value.reason == reason


def test_off_is_written_as_minus_infinity_and_whole_numbers_as_floats() -> None:
    assert encode("/a", "f", (-INF,))[-4:] == b"\xff\x80\0\0"
    assert encode("/a", "f", (1,)) == encode("/a", "f", (1.0,))
    assert encode("/a", "i", (True,))[-4:] == b"\0\0\0\1"


def test_a_bundle_that_would_be_refused_is_not_written() -> None:
    level = encode("/a", "f", (0.0,))
    wrong: list[tuple[int, list[bytes], str]] = [
        (-1, [level], TIME_TAG_RANGE),
        (2**64, [level], TIME_TAG_RANGE),
        (1, [b""], guard.EMPTY),
        (1, [b"/a\0"], guard.NOT_ALIGNED),
        (1, [b"abc\0"], guard.NOT_OSC),
        (9, [bundle(8, [level])], guard.TAG_ORDER),
        (1, [level] * (guard.MESSAGES_MAX + 1), guard.TOO_LONG),
        (1, [b"/\0\0\0"] * (guard.MESSAGES_MAX + 1), guard.TOO_MANY),
    ]
    for time_tag, packets, reason in wrong:
        with pytest.raises(WireError) as caught:
            bundle(time_tag, packets)
        assert caught.value.reason == reason
    deepest = level
    for _ in range(guard.BUNDLE_DEPTH_MAX):
        deepest = bundle(1, [deepest])
    with pytest.raises(WireError, match=guard.TOO_DEEP):
        bundle(1, [deepest])


# Value, the bits of the largest 32-bit float that is not above it. Source: IEEE 754 binary32,
# 1 sign, 8 exponent (bias 127) and 23 fraction bits; bits by hand.
DOWN = [
    (0.0, 0x00000000),
    (1.0, 0x3F800000),
    (-6.0, 0xC0C00000),
    (0.1, 0x3DCCCCCC),  # the nearest one, 0x3DCCCCCD, is above
    (-0.1, 0xBDCCCCCD),
    (-6.1, 0xC0C33334),  # the nearest one, 0xC0C33333, is above
    (1.0 + 2**-24, 0x3F800000),
    (1.0 - 2**-26, 0x3F7FFFFF),
    (1e-60, 0x00000000),
    (-1e-60, 0x80000001),
    (2**-149, 0x00000001),
    (FLOAT_MAX, 0x7F7FFFFF),
    (1e39, 0x7F7FFFFF),
    (-FLOAT_MAX, 0xFF7FFFFF),
    (-3.40282347e38, 0xFF800000),  # between the smallest finite one and -inf, rounds upward
    (-1e39, 0xFF800000),
    (-INF, 0xFF800000),
]


@pytest.mark.parametrize(("value", "bits"), DOWN)
def test_a_level_is_rounded_down_to_the_next_float(value: float, bits: int) -> None:
    packed = encode_f32_down(value)
    assert packed == struct.pack(">I", bits)
    assert struct.unpack(">f", packed)[0] <= value


def test_what_is_no_level_is_not_rounded() -> None:
    with pytest.raises(WireError, match=reasons.NOT_A_NUMBER):
        encode_f32_down(NAN)
    with pytest.raises(WireError, match=reasons.VALUE_RANGE):
        encode_f32_down(INF)

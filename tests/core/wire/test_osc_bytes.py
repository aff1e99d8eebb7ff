"""OSC messages and bundles against published bytes, both ways."""

from typing import Any

import pytest

from bridge.wire.osc import (
    IMMEDIATELY,
    IMPULSE,
    OscMessage,
    bundle,
    decode,
    encode,
    finite,
    header,
)

# Source: OSC 1.0 examples (Wright, 2002-03-29), printed there byte by byte.
FREQUENCY = bytes.fromhex("2f6f7363 696c6c61 746f722f 342f6672 65717565 6e637900 2c660000 43dc0000")
FOO = bytes.fromhex(
    "2f666f6f 00000000 2c696973 66660000 000003e8 ffffffff 68656c6c 6f000000 3f9df3b6 40b5b22d"
)

# Address, tags, values, bytes. Sources: the two above; OSC 1.0, "OSC Type Tag String" and "Atomic
# Data Types" for the sizes and the padding of the others, whose bytes follow by hand.
MESSAGES: list[tuple[str, str, tuple[Any, ...], bytes]] = [
    ("/oscillator/4/frequency", "f", (440.0,), FREQUENCY),
    ("/mute", "T", (True,), bytes.fromhex("2f6d7574 65000000 2c540000")),
    ("/x", "b", (b"\1\2\3",), bytes.fromhex("2f780000 2c620000 00000003 01020300")),
    ("/x", "b", (b"",), bytes.fromhex("2f780000 2c620000 00000000")),
    ("/x", "", (), bytes.fromhex("2f780000 2c000000")),
    ("/abc", "", (), bytes.fromhex("2f616263 00000000 2c000000")),
    ("/x", "s", ("",), bytes.fromhex("2f780000 2c730000 00000000")),
    ("/x", "s", ("abc",), bytes.fromhex("2f780000 2c730000 61626300")),
    ("/x", "S", ("abcd",), bytes.fromhex("2f780000 2c530000 61626364 00000000")),
    ("/x", "s", ("é",), bytes.fromhex("2f780000 2c730000 c3a90000")),
    ("/x", "TFNI", (True, False, None, IMPULSE), bytes.fromhex("2f780000 2c54464e 49000000")),
    ("/x", "h", (-2,), bytes.fromhex("2f780000 2c680000 ffffffff fffffffe")),
    ("/x", "d", (0.5,), bytes.fromhex("2f780000 2c640000 3fe00000 00000000")),
    ("/x", "t", (1,), bytes.fromhex("2f780000 2c740000 00000000 00000001")),
    ("/x", "c", ("A",), bytes.fromhex("2f780000 2c630000 00000041")),
    ("/x", "r", (0x11223344,), bytes.fromhex("2f780000 2c720000 11223344")),
    ("/x", "m", (b"\0\xb0\x07\x7f",), bytes.fromhex("2f780000 2c6d0000 00b0077f")),
    ("/x", "[i[]]i", (((1, ()), 2)), bytes.fromhex("2f780000 2c5b695b 5d5d6900 00000001 00000002")),
    ("/x", "fTi", (-1.0, True, 3), bytes.fromhex("2f780000 2c665469 00000000 bf800000 00000003")),
]


@pytest.mark.parametrize(("address", "tags", "values", "data"), MESSAGES)
def test_a_message_is_written_as_published(
    address: str, tags: str, values: tuple[Any, ...], data: bytes
) -> None:
    assert encode(address, tags, values) == data
    assert data.startswith(header(address, tags))


@pytest.mark.parametrize(("address", "tags", "values", "data"), MESSAGES)
def test_a_message_is_read_as_published(
    address: str, tags: str, values: tuple[Any, ...], data: bytes
) -> None:
    assert decode(data) == [OscMessage(address, tags, values, IMMEDIATELY)]


def test_the_example_with_five_arguments_is_read_and_written_as_published() -> None:
    (message,) = decode(FOO)
    assert message.args[:3] == (1000, -1, "hello")
    assert message.args[3:] == pytest.approx((1.234, 5.678), rel=1e-7)  # 32-bit floats
    assert encode("/foo", "iisff", (1000, -1, "hello", 1.234, 5.678)) == FOO


def test_a_bundle_lays_out_its_elements_behind_their_sizes() -> None:
    data = bundle(IMMEDIATELY, [FREQUENCY, FOO])
    # OSC 1.0, "OSC Bundles": "#bundle", time tag, then size and contents of each element.
    head = bytes.fromhex("2362756e 646c6500 00000000 00000001")
    assert data == head + b"\0\0\0\x20" + FREQUENCY + b"\0\0\0\x28" + FOO
    assert len(data) == 96
    assert [message.address for message in decode(data)] == ["/oscillator/4/frequency", "/foo"]


def test_an_empty_bundle_is_sixteen_bytes_and_holds_nothing() -> None:
    data = bytes.fromhex("2362756e 646c6500 00000000 00000001")
    assert bundle(IMMEDIATELY, []) == data
    assert decode(data) == []


def test_a_message_has_the_time_tag_of_the_innermost_bundle_around_it() -> None:
    inner = bundle(9, [encode("/b")])
    data = bundle(5, [encode("/a"), inner, bundle(5, [encode("/c")]), encode("/d")])
    assert [(message.address, message.time_tag) for message in decode(data)] == [
        ("/a", 5),
        ("/b", 9),
        ("/c", 5),
        ("/d", 5),
    ]


def test_a_message_without_a_type_tag_string_has_no_arguments() -> None:
    # OSC 1.0, "OSC Type Tag String": older senders omit it, receivers should be robust.
    assert decode(b"/ask\0\0\0\0") == [OscMessage("/ask", "", (), IMMEDIATELY)]
    assert decode(b"/a\0\0") == [OscMessage("/a", "", (), IMMEDIATELY)]


def test_the_types_that_osc_1_1_requires_are_all_read() -> None:
    # NIME 2009, table 1: i f s b T F N I t.
    values = (1, 0.5, "x", b"y", True, False, None, IMPULSE, 7)
    assert decode(encode("/all", "ifsbTFNIt", values))[0].args == values


def test_numbers_that_are_not_finite_are_read_and_can_be_found_out() -> None:
    nan, inf = header("/x", "f") + b"\x7f\xc0\0\0", header("/x", "f") + b"\x7f\x80\0\0"
    assert not finite(decode(nan)[0].args)
    assert not finite(decode(inf)[0].args)
    assert not finite((1.0, ("text", (float("-inf"),))))
    assert finite((1.0, 2, "nan", b"", None, True, IMPULSE, (0.0, (-1.0,))))
    assert finite(())


def test_a_message_is_read_the_same_when_its_head_was_seen_before() -> None:
    first = encode("/fader/1", "f", (0.25,))
    second = encode("/fader/1", "f", (0.75,))
    assert decode(first)[0].args == (0.25,)
    assert decode(second)[0].args == (0.75,)
    assert decode(first)[0].args == (0.25,)


def test_a_head_too_long_to_be_kept_is_read_all_the_same() -> None:
    address = "/" + "a" * 200 + "/" + "b" * 200
    data = header("/x", "f").replace(b"/x\0\0", address.encode() + b"\0" * 2) + b"\x3f\x80\0\0"
    assert decode(data) == [OscMessage(address, "f", (1.0,), IMMEDIATELY)]

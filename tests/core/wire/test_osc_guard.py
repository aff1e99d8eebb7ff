"""What is no OSC packet is refused, with a reason, before anything of it acts."""

import struct

import pytest

from bridge.errors import WireError
from bridge.wire import guard
from bridge.wire import osc_tags as reasons
from bridge.wire.guard import (
    BUNDLE_DEPTH_MAX,
    IMMEDIATELY,
    MESSAGES_MAX,
    PACKET_BYTES_MAX,
    TAGS_MAX,
    elements,
    messages,
)
from bridge.wire.osc import ADDRESS, NO_COMMA, bundle, decode, encode

LEVEL = encode("/a", "f", (-6.0,))
EMPTY_BUNDLE = bundle(IMMEDIATELY, [])


def element(data: bytes, size: int | None = None) -> bytes:
    return struct.pack(">i", len(data) if size is None else size) + data


def nested(depth: int, inside: bytes = b"") -> bytes:
    data = inside
    for _ in range(depth):
        data = EMPTY_BUNDLE + (element(data) if data else b"")
    return data


def tags_of(length: int) -> bytes:
    text = b"," + b"T" * length
    return b"/a\0\0" + text + bytes(4 - len(text) % 4)


A = b"/a\0\0"

# Sources of the rules: OSC 1.0, "OSC Packets" (sizes), "Atomic Data Types" (strings, blobs,
# padding), "OSC Type Tag String", "OSC Bundles" (elements, order of time tags); the bounds and what
# stands beside a fault are decided in bridge/wire/guard.py and osc_tags.py.
REFUSED: dict[str, tuple[bytes, str]] = {
    "nothing": (b"", guard.EMPTY),
    "three bytes": (b"/a\0", guard.NOT_ALIGNED),
    "neither / nor #bundle": (b"abc\0,\0\0\0", guard.NOT_OSC),
    "first byte is a NUL": (b"\0\0\0\0", guard.NOT_OSC),
    "almost a bundle": (b"#bundl\0\0" + bytes(8), guard.NOT_OSC),
    "larger than a packet": (A + bytes(PACKET_BYTES_MAX), guard.TOO_LONG),
    "address without an end": (b"/abc", reasons.NOT_TERMINATED),
    "address padded with a letter": (b"/\0x\0,\0\0\0", reasons.PADDING),
    "address with a control character": (b"/\x07\0\0,\0\0\0", ADDRESS),
    "address that is not ASCII": (b"/\xc3\xa9\0,\0\0\0", ADDRESS),
    "address that is not even UTF-8": (b"/\xff\0\0,\0\0\0", ADDRESS),
    "tags without a comma": (A + b"f\0\0\0" + bytes(4), NO_COMMA),
    "a value where the tags should be": (A + b"\xc0\xc0\0\0", NO_COMMA),
    "tags without an end": (A + b",fff", reasons.NOT_TERMINATED),
    "tags padded with a letter": (A + b",f\0x" + bytes(4), reasons.PADDING),
    "unknown tag": (A + b",q\0\0" + bytes(4), reasons.UNKNOWN_TAG),
    "unknown tag behind a known one": (A + b",fq\0" + bytes(4), reasons.UNKNOWN_TAG),
    "tag that is not ASCII": (A + b",\xff\0\0", reasons.UNKNOWN_TAG),
    "second comma": (A + b",,f\0" + bytes(4), reasons.UNKNOWN_TAG),
    "too many tags": (tags_of(TAGS_MAX + 1), reasons.TAGS_LONG),
    "array without end": (A + b",[i\0" + bytes(4), reasons.ARRAY_BRACKETS),
    "array without start": (A + b",i]\0" + bytes(4), reasons.ARRAY_BRACKETS),
    "array closed before it opens": (A + b",][\0", reasons.ARRAY_BRACKETS),
    "arrays nine deep": (A + b"," + b"[" * 9 + b"]" * 9 + b"\0", reasons.ARRAY_DEEP),
    "float missing": (A + b",f\0\0", reasons.ARGUMENT_SHORT),
    "second float missing": (A + b",ff\0" + bytes(4), reasons.ARGUMENT_SHORT),
    "half a double": (A + b",d\0\0" + bytes(4), reasons.ARGUMENT_SHORT),
    "half a long integer": (A + b",h\0\0" + bytes(4), reasons.ARGUMENT_SHORT),
    "half a time tag": (A + b",t\0\0" + bytes(4), reasons.ARGUMENT_SHORT),
    "float missing behind a switch": (A + b",Tf\0", reasons.ARGUMENT_SHORT),
    "string missing": (A + b",s\0\0", reasons.ARGUMENT_SHORT),
    "string without an end": (A + b",s\0\0abcd", reasons.NOT_TERMINATED),
    "string padded with a letter": (A + b",s\0\0a\0b\0", reasons.PADDING),
    "string that is not UTF-8": (A + b",s\0\0\xff\0\0\0", reasons.NOT_UTF8),
    "blob without its size": (A + b",b\0\0", reasons.ARGUMENT_SHORT),
    "blob of size -1": (A + b",b\0\0" + element(b"", -1), reasons.BLOB_SIZE),
    "blob of size -8": (A + b",bi\0" + element(b"abcd", -8), reasons.BLOB_SIZE),
    "blob beyond the end": (A + b",b\0\0" + element(b"abcd", 5), reasons.BLOB_SIZE),
    "blob padded with a letter": (A + b",b\0\0" + element(b"abcd", 3), reasons.PADDING),
    "character missing": (A + b",c\0\0", reasons.ARGUMENT_SHORT),
    "character that is not ASCII": (A + b",c\0\0\0\0\0\x80", reasons.NOT_ASCII),
    "one float too many": (A + b",f\0\0" + bytes(8), reasons.LEFT_OVER),
    "bytes behind no argument": (A + b",\0\0\0" + bytes(4), reasons.LEFT_OVER),
    "bytes behind a string": (A + b",s\0\0a\0\0\0" + bytes(4), reasons.LEFT_OVER),
    "bundle without time tag": (b"#bundle\0", guard.BUNDLE_SHORT),
    "bundle with half a time tag": (b"#bundle\0" + bytes(4), guard.BUNDLE_SHORT),
    "element of size 0": (EMPTY_BUNDLE + bytes(4), guard.ELEMENT_SIZE),
    "element of size -4": (EMPTY_BUNDLE + element(b"", -4), guard.ELEMENT_SIZE),
    "element of size -20": (EMPTY_BUNDLE + element(b"", -20), guard.ELEMENT_SIZE),
    "element of size 3": (EMPTY_BUNDLE + element(b"/a\0\0", 3), guard.ELEMENT_SIZE),
    "element beyond the end": (EMPTY_BUNDLE + element(LEVEL, 16), guard.ELEMENT_SIZE),
    "element size and no element": (EMPTY_BUNDLE + element(b"", 4), guard.ELEMENT_SIZE),
    "element beyond its own bundle": (
        EMPTY_BUNDLE + element(EMPTY_BUNDLE + element(b"", 12)) + LEVEL,
        guard.ELEMENT_SIZE,
    ),
    "element that is nothing": (EMPTY_BUNDLE + element(b"abc\0"), guard.NOT_OSC),
    "inner bundle cut short": (EMPTY_BUNDLE + element(b"#bundle\0"), guard.BUNDLE_SHORT),
    "inner bundle that is dated earlier": (
        b"#bundle\0" + struct.pack(">Q", 2) + element(EMPTY_BUNDLE),
        guard.TAG_ORDER,
    ),
    "bundles nine deep": (nested(BUNDLE_DEPTH_MAX + 1), guard.TOO_DEEP),
    "bundles as deep as a packet can hold": (nested(409), guard.TOO_DEEP),
    "more messages than allowed": (
        EMPTY_BUNDLE + element(A) * (MESSAGES_MAX + 1),
        guard.TOO_MANY,
    ),
    "one message of a bundle cut short": (
        EMPTY_BUNDLE + element(LEVEL) + element(A + b",f\0\0"),
        reasons.ARGUMENT_SHORT,
    ),
}


@pytest.mark.parametrize(("data", "reason"), REFUSED.values(), ids=REFUSED)
def test_what_is_wrong_is_refused_with_its_reason(data: bytes, reason: str) -> None:
    for _ in range(2):  # what is kept from the first time must not make the second one pass
        with pytest.raises(WireError) as caught:
            decode(data)
        assert caught.value.reason == reason


def test_the_largest_of_everything_is_still_read() -> None:
    assert len(decode(EMPTY_BUNDLE + element(A) * MESSAGES_MAX)) == MESSAGES_MAX
    assert decode(nested(BUNDLE_DEPTH_MAX, LEVEL))[0].args == (-6.0,)
    assert decode(nested(BUNDLE_DEPTH_MAX)) == []
    assert decode(tags_of(TAGS_MAX))[0].args == (True,) * TAGS_MAX
    text = "x" * (PACKET_BYTES_MAX - len(A) - 4 - 1)
    packet = encode("/a", "s", (text,))
    assert len(packet) == PACKET_BYTES_MAX
    assert decode(packet)[0].args == (text,)
    deep = decode(A + b"," + b"[" * 8 + b"]" * 8 + bytes(3))[0]
    assert repr(deep.args).count("(") == 9


def test_many_empty_bundles_side_by_side_are_not_deep() -> None:
    assert decode(EMPTY_BUNDLE + element(EMPTY_BUNDLE) * 300) == []


def test_an_unknown_tag_costs_a_bundle_only_the_message_that_has_it() -> None:
    # OSC 1.0, "OSC Type Tag String": "discard any message whose OSC Type Tag String contains any
    # unrecognized OSC Type Tags".
    strange = b"/s\0\0,q\0\0" + bytes(4)
    data = EMPTY_BUNDLE + element(LEVEL) + element(strange) + element(LEVEL)
    discarded: list[str] = []
    assert [message.args for message in decode(data, discarded=discarded)] == [(-6.0,), (-6.0,)]
    assert discarded == [reasons.UNKNOWN_TAG]
    assert len(decode(data)) == 2


def test_an_address_pattern_is_let_through_as_it_came() -> None:
    for address in (b"/a*", b"/[", b"/{x", b"/a b", b"//"):
        data = address + bytes(4 - len(address) % 4) + b",\0\0\0"
        assert decode(data)[0].address == address.decode()


def test_messages_can_be_taken_out_of_a_packet_unread() -> None:
    strange = b"/s\0\0,q\0\0" + bytes(4)
    data = bundle(5, [LEVEL, bundle(7, [strange])])
    assert messages(data) == [(5, LEVEL), (7, strange)]
    assert messages(LEVEL) == [(IMMEDIATELY, LEVEL)]
    assert all(data[start:stop] in (LEVEL, strange) for start, stop, _ in elements(data))


def test_a_smaller_bound_can_be_set() -> None:
    assert len(elements(LEVEL, bytes_max=len(LEVEL))) == 1
    with pytest.raises(WireError, match=guard.TOO_LONG):
        elements(LEVEL, bytes_max=len(LEVEL) - 4)

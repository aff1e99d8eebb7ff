"""OSC packets come out of a byte stream whole, however the stream cuts them, or not at all."""

import struct

import pytest

from bridge.errors import WireError
from bridge.wire.framing import ANOTHER_PROTOCOL, FRAME_SIZE, Framing, SizeFraming, SlipFraming
from bridge.wire.guard import EMPTY, PACKET_BYTES_MAX, TOO_LONG
from bridge.wire.osc import encode

LEVEL = encode("/bus/3/send/7", "f", (-6.0,))
MUTE = encode("/mute", "T", (True,))
BOTH = pytest.mark.parametrize("kind", [SizeFraming, SlipFraming])


def size(number: int) -> bytes:
    return struct.pack(">i", number)


def fed(framing: Framing, *pieces: bytes) -> list[bytes]:
    return [packet for piece in pieces for packet in framing.feed(piece)]


def test_a_size_stands_before_each_packet() -> None:
    # OSC 1.0, "OSC Packets": in a stream, an int32 with the size comes first.
    assert SizeFraming().frame(MUTE) == b"\0\0\0\x0c" + MUTE


def test_slip_escapes_its_special_bytes_and_has_an_end_on_both_sides() -> None:
    # RFC 1055: END 300, ESC 333, ESC_END 334, ESC_ESC 335 (octal). OSC 1.1: END at both ends.
    framed = SlipFraming().frame(bytes.fromhex("01 db 49 c0 15"))
    assert framed == bytes.fromhex("c0 01 db dd 49 db dc 15 c0")


def test_the_bytes_of_a_level_of_minus_six_are_escaped() -> None:
    # -6.0 is c0 c0 00 00 (IEEE 754 binary32): two ENDs inside a packet.
    framed = SlipFraming().frame(LEVEL)
    assert framed[-11:] == bytes.fromhex("2c 66 00 00 db dc db dc 00 00 c0")
    assert SlipFraming().feed(framed) == [LEVEL]


@BOTH
def test_packets_come_out_in_order_however_the_stream_is_cut(kind: type[Framing]) -> None:
    framing = kind()
    stream = b"".join(framing.frame(packet) for packet in (LEVEL, MUTE, LEVEL, LEVEL))
    for step in (1, 2, 3, 5, 7, 16, 30, len(stream)):
        pieces = [stream[at : at + step] for at in range(0, len(stream), step)]
        assert fed(framing, *pieces) == [LEVEL, MUTE, LEVEL, LEVEL]
    assert framing.violations == 0


@BOTH
def test_a_packet_that_is_not_complete_is_not_handed_out(kind: type[Framing]) -> None:
    framing = kind()
    framed = framing.frame(LEVEL)
    assert framing.feed(framed[:-1]) == []
    assert framing.feed(b"") == []
    assert framing.feed(framed[-1:]) == [LEVEL]


def test_empty_frames_are_skipped_without_a_word() -> None:
    slip, sized = SlipFraming(), SizeFraming()
    assert slip.feed(b"\xc0\xc0\xc0" + slip.frame(MUTE) + b"\xc0\xc0") == [MUTE]
    assert sized.feed(size(0) + sized.frame(MUTE) + size(0)) == [MUTE]
    assert slip.violations == sized.violations == 0


def test_one_end_between_two_packets_is_enough() -> None:
    assert SlipFraming().feed(b"\xc0" + MUTE + b"\xc0" + MUTE + b"\xc0") == [MUTE, MUTE]


def test_a_sender_that_ends_packets_but_does_not_begin_them_is_understood() -> None:
    assert SlipFraming().feed(MUTE + b"\xc0" + MUTE + b"\xc0") == [MUTE, MUTE]


@pytest.mark.parametrize("wrong", [b"\xdb\x00", b"\xdb", b"ab\xdb\xdb\xdc", b"\xdb\xddab\xdbc"])
def test_a_wrong_escape_costs_its_own_frame_only(wrong: bytes) -> None:
    # RFC 1055's sample receiver would keep the byte; half a level may be a loud one.
    framing = SlipFraming()
    assert framing.feed(b"\xc0" + wrong + b"\xc0" + MUTE + b"\xc0") == [MUTE]
    assert framing.violations == 1


def test_an_escape_may_be_cut_in_two() -> None:
    framing = SlipFraming()
    assert fed(framing, b"\xc0a\xdb", b"\xdcb\xdb", b"\xddc\xc0") == [b"a\xc0b\xdbc"]
    assert framing.violations == 0


def test_an_escaped_escape_does_not_escape_what_follows() -> None:
    assert SlipFraming().feed(b"\xdb\xdd\xdc\xdb\xdc\xdd\xc0") == [b"\xdb\xdc\xc0\xdd"]


def test_a_size_that_no_packet_can_have_costs_its_own_frame_only() -> None:
    framing = SizeFraming()
    assert framing.feed(size(3) + b"abc" + framing.frame(MUTE)) == [MUTE]
    assert framing.violations == 1


WRONG_STREAMS = [
    (SizeFraming, size(-1), FRAME_SIZE),
    (SizeFraming, size(-(2**31)), FRAME_SIZE),
    (SizeFraming, size(PACKET_BYTES_MAX + 4), TOO_LONG),
    (SizeFraming, b"GET / HTTP/1.1\r\n", TOO_LONG),
    (SlipFraming, bytes(PACKET_BYTES_MAX + 1) + b"\xc0", TOO_LONG),
    (SlipFraming, bytes(2 * PACKET_BYTES_MAX + 1), TOO_LONG),
]


@pytest.mark.parametrize(("kind", "stream", "reason"), WRONG_STREAMS)
def test_a_stream_that_cannot_go_on_is_given_up(
    kind: type[Framing], stream: bytes, reason: str
) -> None:
    framing = kind()
    for data in (stream, b"", framing.frame(MUTE)):
        with pytest.raises(WireError) as caught:
            framing.feed(data)
        assert caught.value.reason == reason


@pytest.mark.parametrize("method", ["GET", "POST", "HEAD", "OPTIONS", "PUT", "PATCH", "DELETE"])
def test_what_a_browser_sends_is_no_stream_of_packets_whatever_is_in_it(method: str) -> None:
    # A web page decides the body of a request; RFC 9112, section 3.1: it starts with the method.
    request = f"{method} / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n".encode()
    for data in (request + SlipFraming().frame(MUTE), request[:1], b"\x41" + MUTE):
        framing = SlipFraming()
        for more in (data, SlipFraming().frame(MUTE)):
            with pytest.raises(WireError) as caught:
                framing.feed(more)
            assert caught.value.reason == ANOTHER_PROTOCOL


def test_capital_letters_within_a_stream_are_letters() -> None:
    framing = SlipFraming()
    assert fed(framing, b"", MUTE + b"\xc0", b"/A\0\0\xc0", b"GET \xc0") == [
        MUTE, b"/A\0\0", b"GET "
    ]  # fmt: skip


@pytest.mark.parametrize(("kind", "stream", "reason"), WRONG_STREAMS)
def test_packets_before_the_fault_are_handed_out_first(
    kind: type[Framing], stream: bytes, reason: str
) -> None:
    framing = kind()
    assert framing.feed(framing.frame(MUTE) + stream) == [MUTE]
    with pytest.raises(WireError, match=reason):
        framing.feed(b"")


@BOTH
def test_the_largest_packet_passes_and_a_larger_one_is_not_sent(kind: type[Framing]) -> None:
    framing = kind()
    largest = b"\xc0" * PACKET_BYTES_MAX
    assert framing.feed(framing.frame(largest)) == [largest]
    with pytest.raises(WireError, match=TOO_LONG):
        framing.frame(largest + b"\xc0")
    with pytest.raises(WireError, match=EMPTY):
        framing.frame(b"")


@BOTH
def test_a_smaller_bound_can_be_set(kind: type[Framing]) -> None:
    assert kind(bytes_max=12).feed(kind().frame(MUTE)) == [MUTE]
    with pytest.raises(WireError, match=TOO_LONG):
        kind(bytes_max=11).feed(kind().frame(MUTE))


def test_a_sender_that_never_ends_a_frame_fills_no_more_than_two_packets() -> None:
    framing = SlipFraming(bytes_max=16)
    for _ in range(32):
        assert framing.feed(b"a") == []
    with pytest.raises(WireError, match=TOO_LONG):
        framing.feed(b"a")


def test_a_frame_that_is_too_long_is_too_long_however_it_is_cut() -> None:
    frame = b"\xdb\x00" + b"a" * 31 + b"\xc0"  # a wrong escape, and longer than twice the bound
    for pieces in ([frame], [frame[:33], frame[33:]], [bytes([byte]) for byte in frame]):
        framing = SlipFraming(bytes_max=16)
        with pytest.raises(WireError, match=TOO_LONG):
            fed(framing, *pieces)

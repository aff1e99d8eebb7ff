"""Packets on a stream and in time: each comes out once, whole, in order, not early."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import WireError
from bridge.wire.framing import Framing, SizeFraming, SlipFraming
from bridge.wire.timetag import TimedQueue, time_tag

BOTH = pytest.mark.parametrize("kind", [SizeFraming, SlipFraming])
WORD = st.sampled_from([b"\xc0\xdb\xdc\xdd", b"\xdb\xdc\xc0\xc0", b"/a\0\0", b"\0\0\0\4"])
PACKETS = st.lists(st.lists(WORD, min_size=1, max_size=4).map(b"".join), max_size=5)


def pieces(stream: bytes, cuts: list[int]) -> list[bytes]:
    ends = sorted({min(cut, len(stream)) for cut in cuts} | {len(stream)})
    return [stream[start:end] for start, end in zip([0, *ends], ends, strict=False)]


@BOTH
@given(packets=PACKETS, cuts=st.lists(st.integers(0, 120), max_size=9))
def test_a_stream_gives_back_its_packets_wherever_it_is_cut(
    kind: type[Framing], packets: list[bytes], cuts: list[int]
) -> None:
    framing = kind()
    stream = b"".join(map(framing.frame, packets))
    found = [packet for piece in pieces(stream, cuts) for packet in framing.feed(piece)]
    assert found == packets
    assert framing.violations == 0


@BOTH
@given(stream=st.binary(max_size=120), cuts=st.lists(st.integers(0, 120), max_size=9))
def test_any_stream_gives_the_same_packets_however_it_is_cut(
    kind: type[Framing], stream: bytes, cuts: list[int]
) -> None:
    assert outcome(kind(bytes_max=32), [stream]) == outcome(
        kind(bytes_max=32), pieces(stream, cuts)
    )


def outcome(framing: Framing, stream: list[bytes]) -> tuple[list[bytes], int]:
    """All packets, and the frames that were skipped, until the stream was given up."""
    found: list[bytes] = []
    try:
        for piece in stream:
            found += framing.feed(piece)
    except WireError as error:
        assert error.reason
    assert all(0 < len(packet) <= 32 for packet in found)
    return found, framing.violations


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(-2, 12)), max_size=30))
def test_a_held_message_comes_once_and_when_it_is_due(waits: list[tuple[int, int]]) -> None:
    """Each step lets some seconds pass, then a message arrives that is dated some seconds ahead."""
    held: TimedQueue[int] = TimedQueue(held_max=8, horizon_s=10.0)
    now_s, unix = 0.0, 1_796_040_000.0
    dates: list[float] = []
    came: list[int] = []
    for number, (wait, ahead) in enumerate(waits):
        now_s += wait
        dates.append(now_s + ahead)
        due = held.due(now_s)
        assert all(dates[message] <= now_s for message in due)
        assert held.next_wake_s() > now_s
        at_once = list(
            held.put([number], time_tag(unix + now_s + ahead), now_s=now_s, now_unix_s=unix + now_s)
        )
        assert at_once == ([number] if ahead <= 0 else [])
        came += due + at_once
        assert len(held) <= 8
    rest = held.due(now_s + 10.0)
    assert sorted(rest, key=lambda message: dates[message]) == rest
    came += rest
    assert len(held) == 0
    assert len(set(came)) == len(came)
    assert len(came) + held.refused_far + held.refused_full == len(waits)
    assert held.refused_far == sum(ahead > 10 for _, ahead in waits)

"""Whatever bytes or letters come in: an error of ours, or something that holds. Pure."""

from __future__ import annotations

import contextlib
from itertools import pairwise

from fuzz_house import FuzzHouse, midi_rig, osc_rig
from fuzz_targets import SIZE, both_ends, check_heard, check_message, controller_words
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from bridge.errors import FileError, RigError, WireError
from bridge.explain.hints import the_table
from bridge.links.address import parse_address
from bridge.links.senders import parse_sender
from bridge.pages.messages import Said, read
from bridge.rig.toml import place, read_toml
from bridge.wire import midi_show, osc
from bridge.wire.framing import Framing, SizeFraming, SlipFraming
from bridge.wire.midi import MidiStream
from bridge.wire.pattern import compile_pattern

ANY = st.binary(max_size=300)
WORDS = st.sampled_from(
    (b"#bundle\0", b"\0\0\0\1", b"/my/1/level\0", b",f\0\0", b"?\x80\0\0", b"/*\0\0",
     b",[i]" + bytes(4),
     b"\x7f\xc0\0\0", b"/{a,b}/[1-3]\0\0\0\0", b"\0\0\0\x14", b"\xc0", b"\xdb\xdc")
)  # fmt: skip
OSC_LIKE = st.lists(WORDS | st.binary(max_size=8), max_size=24).map(b"".join)
MIDI_LIKE = st.lists(
    st.sampled_from((b"\xb0", b"\x0b\x40", b"\xf0\x7d", b"\xf7", b"\xf8", b"\x90\x3c", b"\xc0\x01"))
    | st.binary(max_size=4),
    max_size=40,
).map(b"".join)
TABLE = the_table()
QUICK = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])

OSC_MAPS = [controller_words(name) for name in ("tablet.toml", "engineer-panel.toml")]
MIDI_MAPS = [controller_words(name) for name in ("foot-board.toml", "knob-box.toml")]
OSC_ENDS, MIDI_ENDS = both_ends("console-osc-position.toml"), both_ends("console-midi-sysex.toml")


@QUICK
@given(OSC_LIKE | ANY)
def test_a_datagram_is_messages_or_a_wire_error_and_maps_count_what_they_cannot_use(
    data: bytes,
) -> None:
    with contextlib.suppress(WireError):
        assert all(message.address.startswith("/") for message in osc.decode(data))
    for words in OSC_MAPS:
        before = words.unknown
        moves = words.decode(data, 0.0)
        assert all(-1 <= move.slot < SIZE for move in moves)
        assert words.unknown >= before and len(words.last_unknown) < 300
    for end in OSC_ENDS:
        check_heard(end.decode(data), SIZE)


def fed(framing: Framing, pieces: list[bytes]) -> tuple[list[bytes], str]:
    """The packets of a stream, and the reason why it was given up."""
    packets: list[bytes] = []
    for piece in [*pieces, b""]:  # a fault behind good packets comes with the next bytes
        try:
            packets += framing.feed(piece)
        except WireError as error:
            return packets, error.reason
    return packets, ""


@QUICK
@example(b"\0\0\0\x14#bundle\0#bundle\0#bundle\0", [24])
@given(OSC_LIKE | ANY, st.lists(st.integers(0, 400), max_size=8))
def test_a_stream_says_the_same_however_it_is_cut(data: bytes, cuts: list[int]) -> None:
    at = [0, *sorted(cut for cut in cuts if cut < len(data)), len(data)]
    pieces = [data[a:b] for a, b in pairwise(at)]
    for kind in (SizeFraming, SlipFraming):
        whole, torn = fed(kind(), [data]), fed(kind(), pieces)
        assert torn[0] == whole[0] and bool(torn[1]) == bool(whole[1])


@QUICK
@given(MIDI_LIKE | ANY, st.lists(st.integers(0, 160), max_size=8))
def test_midi_bytes_are_whole_messages_however_they_are_cut(data: bytes, cuts: list[int]) -> None:
    at = [0, *sorted(cut for cut in cuts if cut < len(data)), len(data)]
    torn = MidiStream()
    messages = [m for a, b in pairwise(at) for m in torn.feed(data[a:b])]
    assert messages == MidiStream().feed(data)
    for message in messages:
        check_message(message)
        for words in MIDI_MAPS:
            words.decode(message, 0.0)
        for end in MIDI_ENDS:
            check_heard(end.decode(message), SIZE)
        with contextlib.suppress(WireError):
            midi_show.decode(message)


@settings(max_examples=10, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 2), OSC_LIKE), max_size=30))
def test_no_datagrams_make_a_house_break_its_word(said: list[tuple[int, bytes]]) -> None:
    house = FuzzHouse(osc_rig())
    for number, data in said:
        house.hear(number, [data])
        house.pass_time(0.01)
    house.ended()


@settings(max_examples=8, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 2), MIDI_LIKE), max_size=20))
def test_no_midi_bytes_make_a_house_break_its_word(said: list[tuple[int, bytes]]) -> None:
    house = FuzzHouse(midi_rig("console-midi-nrpn.toml", readback=True))
    for number, data in said:
        house.hear(number, MidiStream().feed(data) or [data])
        house.pass_time(0.01)
    house.ended()


@settings(max_examples=8, deadline=None)
@given(st.lists(OSC_LIKE, max_size=20))
def test_a_console_that_lies_gets_nothing_above_a_ceiling(said: list[bytes]) -> None:
    house = FuzzHouse(osc_rig(), lies=True)
    for data in said:
        house.answer([data])
        house.pass_time(0.05)
    house.ended()


TOML_LIKE = st.lists(
    st.sampled_from(("[a]", "[[a]]", "a = ", "b.c", '"', "'", '"""', "{", "}", "[", ",", "\n", "#",
                     "1", "\\u0000", "=", "é", "\0", "inf", "1979-05-27")) | st.text(max_size=3),
    max_size=30,
).map("".join)  # fmt: skip


@QUICK
@given(TOML_LIKE)
def test_a_text_is_toml_or_an_error_with_a_line(text: str) -> None:
    try:
        table = read_toml(text, "ferry-lane.toml", RigError)
    except FileError as error:
        assert all(str(fault).startswith("ferry-lane.toml") for fault in error.faults)
        return
    for key in table:
        assert place(text, "ferry-lane.toml", (key,)).isprintable()


@QUICK
@given(st.text(max_size=60) | OSC_LIKE.map(lambda data: data.decode("latin-1")))
def test_addresses_and_patterns_are_read_or_refused_in_words(text: str) -> None:
    from bridge.errors import LinkError

    for parse in (parse_address, parse_sender):
        with contextlib.suppress(LinkError):
            parse(text, "console.send")
    with contextlib.suppress(ValueError):
        compile_pattern(text).matches("/my/1/level")


@QUICK
@given(st.text(max_size=300) | TOML_LIKE)
def test_a_page_s_message_is_read_or_refused_in_words(text: str) -> None:
    said = read(text)
    assert isinstance(said, Said) or said.startswith("found ")


@QUICK
@given(st.text(max_size=200) | TOML_LIKE)
def test_any_words_may_be_asked_to_be_explained(text: str) -> None:
    assert len(TABLE.search(text)) <= len(TABLE.failures)

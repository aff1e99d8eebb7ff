"""MIDI both ways, with any input.

mido, an independent codec, is the oracle for what it can do: whole messages with their status.
"""

from __future__ import annotations

from itertools import pairwise

import mido
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.wire import midi_encode as encode
from bridge.wire import midi_events as me
from bridge.wire.midi import CHANNEL_DATA_BYTES, REAL_TIME, MidiStream
from bridge.wire.midi_events import EventAssembler
from bridge.wire.midi_sysex import SysexTemplate

BYTE7 = st.integers(0, 127)
CHANNEL = st.integers(1, 16)


@st.composite
def channel_messages(draw: st.DrawFn) -> bytes:
    status = draw(st.integers(0x80, 0xEF))
    size = CHANNEL_DATA_BYTES[(status >> 4) - 8]
    return bytes((status, *draw(st.lists(BYTE7, min_size=size, max_size=size))))


SYSEXES = st.lists(BYTE7, max_size=20).map(lambda data: bytes((0xF0, *data, 0xF7)))
COMMONS = st.sampled_from([b"\xf1\x05", b"\xf2\x01\x02", b"\xf3\x09", b"\xf6"])
MESSAGES = st.one_of(channel_messages(), channel_messages(), SYSEXES, COMMONS)
# Bytes as faults leave them: mostly pieces of messages, some noise.
NOISE = st.lists(st.one_of(MESSAGES, st.binary(max_size=4)), max_size=20).map(b"".join)


def in_chunks(data: bytes, cuts: list[int]) -> list[bytes]:
    places = sorted({0, len(data), *(cut % (len(data) + 1) for cut in cuts)})
    return [data[first:end] for first, end in pairwise(places)]


CUTS = st.lists(st.integers(0, 10_000), max_size=10)


@settings(deadline=None)
@given(messages=st.lists(MESSAGES, max_size=20), cuts=CUTS, data=st.data())
def test_any_wire_form_of_messages_comes_out_as_those_messages(
    messages: list[bytes], cuts: list[int], data: st.DataObject
) -> None:
    wire, running = bytearray(), -1
    clocks: list[bytes] = []
    for message in messages:
        short = message[0] == running and data.draw(st.booleans(), label="running status")
        for byte in message[1:] if short else message:
            wire.append(byte)
            if data.draw(st.integers(0, 9), label="real time follows if 0") == 0:
                clocks.append(bytes((data.draw(st.sampled_from(sorted(REAL_TIME))),)))
                wire += clocks[-1]
        running = message[0] if message[0] < 0xF0 else -1
    stream = MidiStream()
    out = [message for chunk in in_chunks(bytes(wire), cuts) for message in stream.feed(chunk)]
    assert [message for message in out if message[0] < 0xF8] == messages
    assert [message for message in out if message[0] >= 0xF8] == clocks
    assert stream.dropped == 0


@settings(deadline=None)
@given(messages=st.lists(MESSAGES, max_size=20), cuts=CUTS)
def test_an_independent_parser_finds_the_same_messages_where_it_can(
    messages: list[bytes], cuts: list[int]
) -> None:
    parser, stream = mido.Parser(), MidiStream()
    wire = b"".join(messages)
    parser.feed(wire)
    out = [message for chunk in in_chunks(wire, cuts) for message in stream.feed(chunk)]
    assert out == [bytes(message.bytes()) for message in parser]


@settings(deadline=None)
@given(noise=NOISE, cuts=CUTS)
def test_noise_gives_whole_messages_only_and_every_byte_is_accounted_for(
    noise: bytes, cuts: list[int]
) -> None:
    stream = MidiStream(sysex_bytes_max=12)
    out = [message for chunk in in_chunks(noise, cuts) for message in stream.feed(chunk)]
    out += stream.feed(b"\xf6")  # Ends whatever was unfinished.
    assert out == MidiStream(sysex_bytes_max=12).feed(noise + b"\xf6"), "chunks do not matter"
    for message in out:
        assert len(message) <= 12
        assert message == mido.Message.from_bytes(message).bin()
    surplus = sum(map(len, out)) + stream.dropped - len(noise + b"\xf6")
    assert 0 <= surplus <= sum(message[0] < 0xF0 for message in out), "implied status bytes only"


def assembler() -> EventAssembler:
    return EventAssembler(
        frozenset({(1, 7), (2, 7), (1, 11)}),
        frozenset({(me.NRPN, 1, 300), (me.NRPN, 1, 301), (me.RPN, 1, 0), (me.RPN, 3, 5)}),
    )


CONTROLS = st.sampled_from([6, 7, 11, 38, 39, 43, 96, 97, 98, 99, 100, 101, 121, 1, 64])
CONTROL_BYTES = st.tuples(
    st.integers(0xB0, 0xB3), CONTROLS, BYTE7 | st.sampled_from([0, 2, 44, 45, 127])
).map(bytes)
RESOLUTIONS = {
    **dict.fromkeys((me.NOTE, me.CONTROL, me.PROGRAM, me.PRESSURE, me.POLY_PRESSURE), 127),
    **dict.fromkeys((me.CONTROL14, me.NRPN, me.RPN, me.BEND), 16383),
    **dict.fromkeys((me.NRPN_STEP, me.RPN_STEP), 1),
}


@settings(max_examples=300, deadline=None)
@given(messages=st.lists(st.one_of(CONTROL_BYTES, MESSAGES, st.binary(max_size=4)), max_size=40))
def test_whatever_is_fed_an_event_is_in_its_range(messages: list[bytes]) -> None:
    under_test = assembler()
    for message in messages:
        for kind, midi_channel, number, value, resolution in under_test.feed(message):
            if kind == me.SYSEX:
                assert (midi_channel, number, value, resolution) == (0, 0, message, 0)
                continue
            assert isinstance(value, int)
            assert 1 <= midi_channel <= 16
            assert 0 <= number < 16383
            assert resolution == RESOLUTIONS[kind]
            assert -(kind in (me.NRPN_STEP, me.RPN_STEP)) <= value <= resolution


@settings(max_examples=300, deadline=None)
@given(
    before=st.lists(CONTROL_BYTES, max_size=20),
    place=st.sampled_from(
        [
            (me.CONTROL14, 1, 7),
            (me.CONTROL14, 2, 7),
            (me.NRPN, 1, 301),
            (me.NRPN, 3, 9),
            (me.RPN, 1, 0),
        ]
    ),
    value=st.integers(0, 16383),
)
def test_a_14_bit_value_arrives_exactly_after_anything_and_never_reads_higher_on_its_way(
    before: list[bytes], place: tuple[int, int, int], value: int
) -> None:
    under_test = assembler()
    for message in before:
        under_test.feed(message)
    kind, midi_channel, number = place
    encoders = {me.CONTROL14: encode.control_change_14, me.NRPN: encode.nrpn, me.RPN: encode.rpn}
    messages = encoders[kind](midi_channel, number, value)
    events = [event for message in messages for event in under_test.feed(message)]
    assert events == [
        (kind, midi_channel, number, value & ~0x7F, 16383),
        (kind, midi_channel, number, value, 16383),
    ]


@settings(deadline=None)
@given(midi_channel=CHANNEL, number=BYTE7, value=BYTE7, bend=st.integers(0, 16383))
def test_what_one_end_encodes_the_other_end_hears(
    midi_channel: int, number: int, value: int, bend: int
) -> None:
    said = (
        encode.note(midi_channel, number, value)
        + encode.poly_pressure(midi_channel, number, value)
        + encode.control_change(midi_channel, number, value)
        + encode.program_change(midi_channel, number)
        + encode.channel_pressure(midi_channel, value)
        + encode.pitch_bend(midi_channel, bend)
    )
    under_test = EventAssembler()
    heard = [event for message in said for event in under_test.feed(message)]
    assert heard == [
        (me.NOTE, midi_channel, number, value, 127),
        (me.POLY_PRESSURE, midi_channel, number, value, 127),
        (me.CONTROL, midi_channel, number, value, 127),
        (me.PROGRAM, midi_channel, number, 127, 127),
        (me.PRESSURE, midi_channel, 0, value, 127),
        (me.BEND, midi_channel, 0, bend, 16383),
    ]


@settings(deadline=None)
@given(steps=st.integers(-127, 127), registered=st.booleans())
def test_steps_arrive_one_by_one(steps: int, registered: bool) -> None:
    said = (encode.rpn_step if registered else encode.nrpn_step)(1, 0, steps)
    under_test = assembler()
    heard = [event for message in said for event in under_test.feed(message)]
    assert sum(event[3] for event in heard if isinstance(event[3], int)) == steps
    assert {event[0] for event in heard} <= {me.RPN_STEP if registered else me.NRPN_STEP}


TEMPLATES = [
    SysexTemplate(text)
    for text in (
        "F0 7D 01 {bus} {channel} {value:2} {checksum} F7",
        "F0 7D 01 ({bus} {channel} {value:2:lsb}) {checksum:xor} F7",
        "F0 00 20 7D {checksum} {value:2} {bus} {channel} F7",
    )
]


@settings(deadline=None)
@given(
    template=st.sampled_from(TEMPLATES),
    bus=BYTE7,
    channel=BYTE7,
    value=st.integers(0, 16383),
    at=st.integers(0, 40),
    flip=st.integers(1, 255),
)
def test_a_sysex_is_read_back_and_one_changed_byte_is_found(
    template: SysexTemplate, bus: int, channel: int, value: int, at: int, flip: int
) -> None:
    fields = {"bus": bus, "channel": channel, "value": value}
    message = template.encode(fields)
    assert MidiStream().feed(message) == [message]
    assert template.decode(message) == fields
    changed = bytearray(message)
    changed[at % len(message)] ^= flip
    assert template.decode(bytes(changed)) is None


@settings(deadline=None)
@given(template=st.sampled_from(TEMPLATES), noise=st.binary(max_size=20))
def test_noise_is_no_sysex_of_a_template_and_never_raises(
    template: SysexTemplate, noise: bytes
) -> None:
    if template.decode(noise) is not None:
        assert template.encode(template.decode(noise) or {}) == noise


@settings(deadline=None)
@given(text=st.text(alphabet="F07D {}():bus12checksmxorl\t\n", max_size=40))
def test_any_text_is_a_template_or_a_refusal(text: str) -> None:
    for whole in (text, f"F0 7D {text} F7"):
        try:
            template = SysexTemplate(whole)
        except encode.WireError:
            continue
        message = template.encode(dict.fromkeys(template.fields, 0))
        assert len(message) == template.size
        assert template.decode(message) == dict.fromkeys(template.fields, 0)

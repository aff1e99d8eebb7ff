"""What the words say, read by python-osc and mido: the independent decoders. Pure."""

from __future__ import annotations

from collections.abc import Callable

import mido
import pytest
from pythonosc.osc_message import OscMessage
from pythonosc.osc_message_builder import OscMessageBuilder

from bridge.maps.console import ConsoleWords
from bridge.maps.controller import ControllerWords
from bridge.maps.model import MapFile
from bridge.rig.layout import Layout, Parameter

Shipped = Callable[[str], MapFile]


def osc_said(words: ConsoleWords, slot: int, value: float) -> tuple[str, list[object]]:
    (data,) = words.encode(slot, value)
    message = OscMessage(data)
    return message.address, list(message.params)


def midi_said(words: ConsoleWords, slot: int, value: float) -> list[mido.Message]:
    return [mido.Message.from_bytes(data) for data in words.encode(slot, value)]


def test_python_osc_reads_a_position(shipped: Shipped, layout: Layout) -> None:
    words = ConsoleWords(shipped("console-osc-position"), layout)
    slot = layout.slot(Parameter.SEND_LEVEL, 1, 2)
    assert osc_said(words, slot, 0.0) == ("/out/03/in/02/level", [0.75])
    assert osc_said(words, slot, 10.0) == ("/out/03/in/02/level", [1.0])


def test_python_osc_reads_an_inverted_switch_and_an_enumeration(
    shipped: Shipped, layout: Layout
) -> None:
    words = ConsoleWords(shipped("console-osc-position"), layout)
    mute = layout.slot(Parameter.CHANNEL_MUTE, 1)
    tap = layout.slot(Parameter.SEND_TAP, 1, 2)
    assert osc_said(words, mute, 1.0) == ("/in/02/sounds", [0])
    assert osc_said(words, tap, 1.0) == ("/out/03/in/02/tap", [4])


def test_python_osc_reads_decibels_and_the_argument_after(shipped: Shipped, layout: Layout) -> None:
    words = ConsoleWords(shipped("console-osc-names"), layout)
    slot = layout.slot(Parameter.SEND_LEVEL, 1, 2)
    assert osc_said(words, slot, -6.0) == ("/mix/3/2", [-6.0, "dB"])
    on = layout.slot(Parameter.SEND_ON, 1, 2)
    assert osc_said(words, on, 1.0) == ("/mix/3/2/closed", [False])
    tap = layout.slot(Parameter.SEND_TAP, 1, 2)
    assert osc_said(words, tap, 0.0) == ("/mix/3/2/from", ["before fader"])


def test_python_osc_reads_places_in_the_arguments(shipped: Shipped, layout: Layout) -> None:
    words = ConsoleWords(shipped("console-osc-cross"), layout)
    slot = layout.slot(Parameter.SEND_LEVEL, 1, 2)
    assert osc_said(words, slot, -6.04) == ("/put/cross", [2, 1, -61])
    assert osc_said(words, slot, -100.0) == ("/put/cross", [2, 1, -999])
    master = layout.slot(Parameter.BUS_MASTER, bus=2)
    assert osc_said(words, master, -6.04) == ("/put/output/c", [-6.04])


def test_what_python_osc_writes_is_understood(shipped: Shipped, layout: Layout) -> None:
    builder = OscMessageBuilder("/is/cross")
    for argument in (2, 1, -61):
        builder.add_arg(argument)
    words = ConsoleWords(shipped("console-osc-cross"), layout)
    slot = layout.slot(Parameter.SEND_LEVEL, 1, 2)
    assert words.decode(builder.build().dgram) == ((slot, -6.1),)


def test_what_python_osc_writes_moves(shipped: Shipped, layout: Layout) -> None:
    builder = OscMessageBuilder("/my/3/level")
    builder.add_arg(0.5)
    tablet = ControllerWords(shipped("tablet"), layout)
    (move,) = tablet.decode(builder.build().dgram, 0.0)
    assert (move.slot, move.value) == (layout.slot(Parameter.SEND_LEVEL, 2, 0), -15.0)


# Controllers 99 and 98 select a non-registered parameter, 6 and 38 enter its value: MIDI 1.0
# Detailed Specification 4.2, "Registered and Non-Registered Parameter Numbers".
def test_mido_reads_a_parameter_as_four_controllers(shipped: Shipped, layout: Layout) -> None:
    words = ConsoleWords(shipped("console-midi-nrpn"), layout)
    slot = layout.slot(Parameter.SEND_LEVEL, 1, 2)
    said = midi_said(words, slot, 0.0)
    number, value = 1024 + 2 * 64 + 1, int(0.8 * 16383)
    assert [(one.type, one.channel, one.control, one.value) for one in said] == [
        ("control_change", 0, 99, number >> 7),
        ("control_change", 0, 98, number & 127),
        ("control_change", 0, 6, value >> 7),
        ("control_change", 0, 38, value & 127),
    ]


def test_mido_reads_the_coarse_half_alone(shipped: Shipped, layout: Layout) -> None:
    words = ConsoleWords(shipped("console-midi-nrpn"), layout)
    said = midi_said(words, layout.slot(Parameter.SEND_ON, 1, 2), 1.0)
    assert [(one.channel, one.control, one.value) for one in said][2:] == [(1, 6, 127)]


# A controller n and its fine half n + 32: MIDI 1.0 Detailed Specification 4.2, table 3.
def test_mido_reads_a_pair_of_controllers(shipped: Shipped, layout: Layout) -> None:
    words = ConsoleWords(shipped("console-midi-nrpn"), layout)
    said = midi_said(words, layout.slot(Parameter.BUS_MASTER, bus=2), 10.0)
    assert [(one.channel, one.control, one.value) for one in said] == [(2, 10, 127), (2, 42, 127)]


def test_mido_reads_short_messages(shipped: Shipped, layout: Layout) -> None:
    words = ConsoleWords(shipped("console-midi-7bit"), layout)
    (send,) = midi_said(words, layout.slot(Parameter.SEND_LEVEL, 1, 2), -20.0)
    (mute,) = midi_said(words, layout.slot(Parameter.CHANNEL_MUTE, 3), 1.0)
    (master,) = midi_said(words, layout.slot(Parameter.BUS_MASTER, bus=2), 0.0)
    assert (send.type, send.channel, send.control, send.value) == ("control_change", 2, 41, 63)
    assert (mute.type, mute.channel, mute.note, mute.velocity) == ("note_on", 15, 3, 127)
    assert (master.type, master.channel, master.value) == ("aftertouch", 2, 127)


def test_mido_reads_system_exclusive(shipped: Shipped, layout: Layout) -> None:
    words = ConsoleWords(shipped("console-midi-sysex"), layout)
    (said,) = midi_said(words, layout.slot(Parameter.SEND_LEVEL, 1, 2), -6.04)
    steps = 900 - 61
    body = [0x46, 1, 2, 1, steps >> 7, steps & 127]
    assert list(said.data) == [0x7D, *body, -sum(body) & 127]


def test_mido_reads_the_fine_half_first_and_its_checksum(shipped: Shipped, layout: Layout) -> None:
    words = ConsoleWords(shipped("console-midi-sysex"), layout)
    (said,) = midi_said(words, layout.slot(Parameter.BUS_MASTER, bus=2), 0.0)
    low, high = 900 & 127, 900 >> 7
    assert list(said.data) == [0x7D, 0x46, 3, 2, low, high, low ^ high]


@pytest.mark.parametrize("name", ["console-midi-7bit", "console-midi-nrpn", "console-midi-sysex"])
def test_mido_takes_everything_for_complete_messages(
    name: str, shipped: Shipped, layout: Layout
) -> None:
    words = ConsoleWords(shipped(name), layout)
    for slot in words.can_set:
        for data in words.encode(slot, 0.0):
            assert mido.Message.from_bytes(data).bytes() == list(data)


KEYS: list[tuple[str, Parameter, mido.Message]] = [
    ("knob-box", Parameter.SEND_ON, mido.Message("note_on", channel=1, note=16, velocity=127)),
    ("key-pad", Parameter.BUS_OPEN, mido.Message("note_on", channel=9, note=40, velocity=127)),
]


@pytest.mark.parametrize(("name", "parameter", "lamp"), KEYS)
def test_mido_reads_a_lamp(
    name: str, parameter: Parameter, lamp: mido.Message, shipped: Shipped, layout: Layout
) -> None:
    words = ControllerWords(shipped(name), layout)
    (data,) = words.feedback(layout.slots(parameter)[0], 1.0)
    assert mido.Message.from_bytes(data) == lamp

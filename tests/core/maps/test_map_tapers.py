"""Bytes to decibels and back through whole maps: the curves at the values that are in print.

Sources: General MIDI 2, page 8, and General MIDI 1 guidelines, page 9, as retold on midi.org and in
a public table (gain = 40 log10(value / 127)); the piecewise law of open meter programs after
IEC 60268-18 (from memory that it is verbatim the standard's); MIDI 1.0 Detailed Specification 4.2,
table 3. Values without a print are derived.
"""

from __future__ import annotations

import math

import pytest

from bridge.maps.console import ConsoleWords
from bridge.maps.load import parse_map
from bridge.rig.layout import Layout, Parameter
from bridge.units import OFF
from bridge.wire import osc

HEAD = '[map]\nname = "test"\nkind = "console"\n'
VOLUME = (
    '[[midi]]\nparameter = "bus master"\nmessage = "control change"\nnumber = 7\n'
    'midi_channel = { first = 1, per_bus = 1 }\nlaw = "40 log10"\n'
)
FINE = VOLUME.replace("control change", "control change 14") + 'fine_half = "awaited"\n'
METER = '[[osc]]\nparameter = "bus master"\naddress = "/m/{bus}"\ntype = "f"\nlaw = "60268-18"\n'
PEDAL = (
    '[[midi]]\nparameter = "bus mute"\nmessage = "control change"\nnumber = 64\n'
    "midi_channel = { first = 1, per_bus = 1 }\n"
)
KEY = PEDAL.replace("control change", "note")


def words(entry: str, layout: Layout) -> ConsoleWords:
    return ConsoleWords(parse_map(HEAD + entry, "test.toml"), layout)


def heard(console: ConsoleWords, *messages: bytes) -> float:
    (pair,) = [one for data in messages for one in console.decode(data)]
    return pair[1]


# The circulated table cuts one row instead of rounding it, so prints hold to 0.1 dB only.
@pytest.mark.parametrize(
    ("value", "level_db"),
    [(127, 0.0), (64, -11.90), (32, -23.95), (16, -35.99), (100, -4.152), (80, -8.029),
     (1, -84.15)],
)  # fmt: skip
def test_a_volume_message_means_its_level_and_the_level_says_that_message(
    value: int, level_db: float, layout: Layout
) -> None:
    console = words(VOLUME, layout)
    message = bytes((0xB0, 7, value))
    found = heard(console, message)
    assert found == pytest.approx(level_db, abs=0.006)
    assert console.encode(layout.slot(Parameter.BUS_MASTER, bus=0), found) == (message,)


def test_volume_0_is_off_and_off_is_volume_0(layout: Layout) -> None:
    console = words(VOLUME, layout)
    assert heard(console, b"\xb0\x07\x00") == OFF
    assert console.encode(layout.slot(Parameter.BUS_MASTER, bus=0), OFF) == (b"\xb0\x07\x00",)


@pytest.mark.parametrize("value", [93, 127, 128, 8192, 12345, 16383])
def test_14_bits_have_the_same_curve_over_their_own_range(value: int, layout: Layout) -> None:
    # 40 log10(value / 16383): our choice, the guideline knows 7 bits only.
    found = heard(words(FINE, layout), bytes((0xB0, 7, value >> 7)), bytes((0xB0, 39, value & 127)))
    assert found == pytest.approx(40 * math.log10(value / 16383), abs=0.001)


def test_14_bits_end_where_levels_end(layout: Layout) -> None:
    # 40 log10(92 / 16383) is -90.02 dB, below the floor of -90 dB where off begins.
    assert heard(words(FINE, layout), b"\xb0\x07\x00", b"\xb0\x27\x5c") == OFF


@pytest.mark.parametrize(
    ("percent", "level_db"),
    [(2.5, -60), (7.5, -50), (15, -40), (30, -30), (50, -20), (100, 0), (85, -6), (77.5, -9),
     (55, -18), (40, -25), (11.25, -45)],
)  # fmt: skip
def test_a_position_on_the_meter_scale_means_its_level(
    percent: float, level_db: float, layout: Layout
) -> None:
    # One open script has 5 % at -60 dB; all others have 2.5.
    console = words(METER, layout)
    found = heard(console, osc.encode("/m/1", "f", (percent / 100,)))
    assert found == pytest.approx(level_db, abs=0.001)
    (said,) = console.encode(layout.slot(Parameter.BUS_MASTER, bus=0), level_db)
    assert osc.decode(said)[0].args[0] == pytest.approx(percent / 100, abs=1e-5)


def test_below_the_meter_scale_is_off(layout: Layout) -> None:
    console = words(METER, layout)
    assert heard(console, osc.encode("/m/1", "f", (0.0,))) == OFF
    (said,) = console.encode(layout.slot(Parameter.BUS_MASTER, bus=0), -70.1)
    assert osc.decode(said)[0].args == (0.0,)


@pytest.mark.parametrize(("value", "on"), [(0, 0.0), (63, 0.0), (64, 1.0), (127, 1.0)])
def test_a_pedal_is_down_from_64_on(value: int, on: float, layout: Layout) -> None:
    assert heard(words(PEDAL, layout), bytes((0xB0, 64, value))) == on


@pytest.mark.parametrize(
    ("message", "on"), [("90 40 01", 1.0), ("90 40 7F", 1.0), ("90 40 00", 0.0), ("80 40 40", 0.0)]
)
def test_a_key_struck_with_velocity_0_is_let_go(message: str, on: float, layout: Layout) -> None:
    assert heard(words(KEY, layout), bytes.fromhex(message)) == on

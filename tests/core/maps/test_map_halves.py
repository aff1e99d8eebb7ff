"""A 14-bit value in a map is whole at its fine half, at either end and at a controller."""

from __future__ import annotations

import pytest

from bridge.maps.console import ConsoleWords
from bridge.maps.controller import ControllerWords
from bridge.maps.load import parse_map
from bridge.rig.layout import Layout, Parameter

HEAD = '[map]\nname = "test"\nkind = "{kind}"\n'
MASTER = """
[[midi]]
parameter = "bus master"
message = "{message}"
number = {{ first = 5, per_bus = 1 }}
law = {{ from_db = -60, to_db = 10, off_at_bottom = true }}
"""
AWAITED = 'fine_half = "awaited"\n'


def text(kind: str, message: str) -> str:
    return HEAD.format(kind=kind) + MASTER.format(message=message)


@pytest.mark.parametrize("message", ["control change 14", "nrpn", "rpn"])
@pytest.mark.parametrize("ends", [("bridge", "console"), ("console", "bridge")])
def test_either_end_hears_one_value_a_word_and_no_dip(
    ends: tuple[str, str], message: str, layout: Layout
) -> None:
    says, hears = (
        ConsoleWords(parse_map(text("console", message) + AWAITED, "t.toml"), layout, end=end)  # type: ignore[arg-type]
        for end in ends
    )
    slot = layout.slot(Parameter.BUS_MASTER, bus=1)
    for level_db in (-20.0, -19.7, -19.4, -33.0, 10.0, 9.9, float("-inf")):
        heard = [one for data in says.encode(slot, level_db) for one in hears.decode(data)]
        assert heard == [(slot, says.held(slot, level_db))]
    assert hears.unknown == 0


def test_two_values_in_turn_are_two_values(layout: Layout) -> None:
    map_file = parse_map(text("console", "nrpn") + AWAITED, "t.toml")
    bridge, end = ConsoleWords(map_file, layout), ConsoleWords(map_file, layout, end="console")
    slots = [layout.slot(Parameter.BUS_MASTER, bus=bus) for bus in (0, 1, 0)]
    data = [one for slot in slots for one in bridge.encode(slot, -12.3)]
    assert [slot for one in data for slot, _ in end.decode(one)] == slots


@pytest.mark.parametrize("message", ["control change 14", "nrpn"])
def test_a_controller_moves_once_a_word(message: str, layout: Layout) -> None:
    knob = ControllerWords(parse_map(text("controller", message), "t.toml"), layout)
    slot = layout.slot(Parameter.BUS_MASTER, bus=0)
    select = (b"\xb0\x63\x00", b"\xb0\x62\x05") if message == "nrpn" else ()
    msb, lsb = (6, 38) if message == "nrpn" else (5, 37)
    word = (*select, bytes((0xB0, msb, 64)), bytes((0xB0, lsb, 100)))
    moves = [move for data in word for move in knob.decode(data, 0.0)]
    assert [move.slot for move in moves] == [slot]
    assert moves[0].value == pytest.approx(-60 + 70 * (64 * 128 + 100) / 16383, abs=1e-6)


def test_a_controller_that_sends_coarse_halves_only_moves_too(layout: Layout) -> None:
    knob = ControllerWords(parse_map(text("controller", "control change 14"), "t.toml"), layout)
    moves = [len(knob.decode(bytes((0xB0, 5, value)), 0.0)) for value in (60, 61, 62, 63)]
    assert moves[1:] == [1, 1, 1]


@pytest.mark.parametrize("message", ["control change 14", "nrpn", "rpn"])
def test_a_console_of_which_nothing_is_said_is_told_by_way_of_the_coarse_half_below(
    message: str, layout: Layout
) -> None:
    map_file = parse_map(text("console", message), "t.toml")
    slot = layout.slot(Parameter.BUS_MASTER, bus=0)
    told = ConsoleWords(map_file, layout).encode(slot, -20.0)
    reported = ConsoleWords(map_file, layout, end="console").encode(slot, -20.0)
    assert len(told) == len(reported) + 2
    assert told[-2:] == reported[-2:]
    assert told[-4][2] == told[-2][2] - 1


@pytest.mark.parametrize("fine_half", ["zeroed", "awaited"])
def test_a_console_that_zeroes_or_waits_is_told_in_two_halves(
    fine_half: str, layout: Layout
) -> None:
    map_file = parse_map(text("console", "nrpn") + f'fine_half = "{fine_half}"\n', "t.toml")
    assert len(ConsoleWords(map_file, layout).encode(layout.slot(
        Parameter.BUS_MASTER, bus=0), -20.0)) == 4  # fmt: skip


@pytest.mark.parametrize("message", ["control change 14", "nrpn"])
def test_a_controllers_coarse_half_alone_acts_within_30_ms(message: str, layout: Layout) -> None:
    knob = ControllerWords(parse_map(text("controller", message), "t.toml"), layout)
    select = (b"\xb0\x63\x00", b"\xb0\x62\x05") if message == "nrpn" else ()
    for data in (*select, bytes((0xB0, 6 if select else 5, 64))):
        assert knob.decode(data, 1.0) == []
    assert knob.next_wake_s() == pytest.approx(1.03)
    assert knob.advance(1.01) == []
    (move,) = knob.advance(knob.next_wake_s())
    assert move.value == pytest.approx(-60 + 70 * 64 * 128 / 16383, abs=1e-6)
    assert (knob.next_wake_s(), knob.advance(2.0)) == (float("inf"), [])


def test_a_fine_half_in_time_ends_the_waiting(layout: Layout) -> None:
    knob = ControllerWords(parse_map(text("controller", "control change 14"), "t.toml"), layout)
    knob.decode(b"\xb0\x05\x40", 1.0)
    assert len(knob.decode(b"\xb0\x25\x01", 1.001)) == 1
    assert (knob.next_wake_s(), knob.advance(2.0)) == (float("inf"), [])

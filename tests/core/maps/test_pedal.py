"""A pedal with dead ends: they count as the ends, and all between them is the travel. Pure."""

from __future__ import annotations

import math

import pytest

from bridge.maps.controller import ControllerWords
from bridge.maps.laws import straight_law
from bridge.maps.load import parse_map
from bridge.maps.pedal import PedalScale, within
from bridge.rig.layout import Layout, Parameter
from bridge.units import OFF

PEDAL = """
[map]
name = "Pedal"
kind = "controller"
[[midi]]
parameter = "bus master"
bus = 1
message = "control change"
number = 11
law = { from_db = -40, to_db = 0 }
dead_zone = 0.1
use = ["move", "show"]
"""


def pedal(text: str, layout: Layout) -> ControllerWords:
    return ControllerWords(parse_map(text, "pedal.toml"), layout)


@pytest.mark.parametrize(
    ("position", "counts"),
    [(0.0, 0.0), (0.1, 0.0), (0.3, 0.25), (0.5, 0.5), (0.7, 0.75), (0.9, 1.0), (1.0, 1.0)],
)
def test_the_outer_travel_counts_as_the_end_and_the_rest_is_straight(
    position: float, counts: float
) -> None:
    # by hand: (position - 0.1) / 0.8 between 0.1 and 0.9
    assert within(position, 0.1) == pytest.approx(counts, abs=1e-12)


def test_no_number_is_no_position() -> None:
    assert math.isnan(within(math.nan, 0.1))


def test_a_pedal_that_stops_short_of_its_ends_still_reaches_them(layout: Layout) -> None:
    words = pedal(PEDAL, layout)
    said = {value: words.decode(bytes((0xB0, 11, value)), 0.0)[0] for value in range(128)}
    low, high = [said[value] for value in range(13)], [said[value] for value in range(115, 128)]
    assert all((move.value, move.position) == (-40.0, 0.0) for move in low)  # 12/127 < 0.1
    assert all((move.value, move.position) == (0.0, 1.0) for move in high)  # 115/127 > 0.9
    inner = [said[value].value for value in range(12, 116)]
    assert inner == sorted(inner)
    assert len(set(inner)) == len(inner), "two places of the travel that mean the same"


def test_without_the_key_every_place_of_the_travel_counts(layout: Layout) -> None:
    words = pedal(PEDAL.replace("dead_zone = 0.1\n", ""), layout)
    values = [words.decode(bytes((0xB0, 11, value)), 0.0)[0].value for value in range(128)]
    assert len(set(values)) == 128


def test_a_level_is_shown_where_the_pedal_would_have_to_stand(layout: Layout) -> None:
    words = pedal(PEDAL, layout)
    master = layout.slot(Parameter.BUS_MASTER, bus=0)
    assert words.feedback(master, 0.0) == (b"\xb0\x0b\x7f",)
    assert words.feedback(master, OFF) == (b"\xb0\x0b\x00",)
    for value in range(14, 114):
        (move,) = words.decode(bytes((0xB0, 11, value)), 0.0)
        assert words.feedback(master, move.value + 1e-9) == (bytes((0xB0, 11, value)),)


def test_an_off_number_beside_the_travel_stays_off() -> None:
    scale = PedalScale(straight_law(-40.0, 0.0, False), (1, 127), 0.1, whole=True, off=0)
    assert scale.value(0) == OFF
    assert scale.value(1) == -40.0
    assert scale.raw(OFF) == 0


def test_a_pedal_that_runs_backwards_has_its_dead_ends_too() -> None:
    scale = PedalScale(straight_law(-40.0, 0.0, False), (127, 0), 0.1, whole=True)
    assert [scale.value(raw) for raw in (127, 116, 11, 0)] == [-40.0, -40.0, 0.0, 0.0]
    assert scale.position(127) == 0.0
    assert scale.position(0) == 1.0

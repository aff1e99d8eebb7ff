"""A sound level meter speaks through an address map like every other controller."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.errors import MapError
from bridge.maps.controller import ControllerWords
from bridge.maps.load import parse_map
from bridge.rig.layout import Layout, Parameter
from bridge.wire import osc

LAYOUT = Layout(("voice",), ("front", "ears"), ("maud", "ines"))
METER = """
[map]
name = "meter"
kind = "controller"
[[osc]]
parameter = "sound level"
address = "/ear/{performer}/laeq"
type = "f"
"""


MAPPINGS = Path(__file__).parents[3] / "mappings"


def said(text: str, data: bytes) -> list[tuple[int, float]]:
    words = ControllerWords(parse_map(text, "meter.toml"), LAYOUT)
    return [(move.slot, move.value) for move in words.decode(data, 0.0)]


def test_a_number_is_the_level_at_that_performers_ear() -> None:
    heard = said(METER, osc.encode("/ear/2/laeq", "f", (93.5,)))
    assert heard == [(LAYOUT.slot(Parameter.SOUND_LEVEL, 1), 93.5)]


@pytest.mark.parametrize("level", [-1.0, 160.5, float("inf")])
def test_what_no_meter_says_is_not_believed(level: float) -> None:
    assert said(METER, osc.encode("/ear/2/laeq", "f", (level,))) == []


def test_a_map_may_believe_less() -> None:
    narrow = METER + "range = [30, 130]\n"
    assert said(narrow, osc.encode("/ear/1/laeq", "f", (20.0,))) == []
    assert said(narrow, osc.encode("/ear/1/laeq", "f", (131.0,))) == []
    assert len(said(narrow, osc.encode("/ear/1/laeq", "f", (90.0,)))) == 1


@pytest.mark.parametrize(
    "line",
    ["range = [90, 30]", "range = [30, 200]", 'law = "up"', "unit_db = 1.0", 'action = "toggle"'],
)
def test_keys_that_make_no_meter_are_refused(line: str) -> None:
    with pytest.raises(MapError):
        ControllerWords(parse_map(METER + line + "\n", "meter.toml"), LAYOUT)


def test_a_console_has_no_ear() -> None:
    with pytest.raises(MapError, match="sound level"):
        parse_map(METER.replace('"controller"', '"console"'), "meter.toml")


def test_a_midi_number_is_the_level_too() -> None:
    text = """
[map]
name = "meter"
kind = "controller"
[[midi]]
parameter = "sound level"
performer = 1
message = "control change"
midi_channel = 1
number = 20
"""
    assert said(text, b"\xb0\x14\x5a") == [(LAYOUT.slot(Parameter.SOUND_LEVEL, 0), 90.0)]


def test_the_shipped_map_of_a_meter_says_a_level() -> None:
    text = (MAPPINGS / "sound-meter.toml").read_text()
    heard = said(text, osc.encode("/ear/1/laeq", "f", (88.0,)))
    assert heard == [(LAYOUT.slot(Parameter.SOUND_LEVEL, 0), 88.0)]
    assert said(text, osc.encode("/ear/1/laeq", "f", (3.0,))) == []

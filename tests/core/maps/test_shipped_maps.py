"""Every shipped map: loads, contradicts nothing, and is understood at both ends. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from bridge.maps.console import ConsoleNames, ConsoleWords
from bridge.maps.controller import ControllerWords
from bridge.maps.load import parse_map
from bridge.maps.model import MapFile
from bridge.maps.reach import find_conflicts
from bridge.rig.layout import KINDS, Kind, Layout, Parameter

MAPPINGS = Path(__file__).parents[3] / "mappings"
CONSOLES = (
    "console-osc-position",
    "console-osc-names",
    "console-osc-cross",
    "console-midi-7bit",
    "console-midi-nrpn",
    "console-midi-sysex",
)
CONTROLLERS = (
    "foot-board",
    "foot-board-turns",
    "tablet",
    "knob-box",
    "key-pad",
    "engineer-panel",
    "sound-meter",
)
VALUES: dict[Kind, tuple[float, ...]] = {
    Kind.LEVEL: (-math.inf, -90.0, -71.3, -40.0, -23.37, -6.1, -6.0, 0.0, 3.3, 10.0),
    Kind.SWITCH: (0.0, 1.0),
    Kind.TAP: (0.0, 1.0),
    Kind.PAN: (-1.0, -0.4, 0.0, 0.33, 1.0),
    Kind.SOUND: (20.0, 88.4),
}
Shipped = Callable[[str], MapFile]


def said(layout: Layout, slots: frozenset[int]) -> Iterator[tuple[int, float]]:
    for slot in sorted(slots):
        for value in VALUES[KINDS[layout.place(slot).parameter][0]]:
            yield slot, value


def heard(words: ConsoleWords, messages: tuple[bytes, ...]) -> tuple[int, float]:
    """The last word counts: of a value in two halves the first is only nearly right."""
    return [one for data in messages for one in words.decode(data)][-1]


def test_no_shipped_map_is_without_a_test() -> None:
    assert {path.stem for path in MAPPINGS.glob("*.toml")} == {*CONSOLES, *CONTROLLERS}


def test_the_readme_names_every_map_and_its_example_loads() -> None:
    text = (MAPPINGS / "README.md").read_text("utf-8")
    assert all(f"`{name}.toml`" in text for name in (*CONSOLES, *CONTROLLERS))
    examples = [block.split("```")[0] for block in text.split("```toml\n")[1:]]
    (example,) = [block for block in examples if block.startswith("[map]")]
    assert parse_map(example, "README.md").map.name == "My desk"


@pytest.mark.parametrize("name", CONSOLES)
def test_a_console_map_contradicts_nothing(name: str, shipped: Shipped, layout: Layout) -> None:
    map_file = shipped(name)
    assert find_conflicts(map_file, ConsoleWords(map_file, layout), layout) == []


@pytest.mark.parametrize("name", CONTROLLERS)
def test_a_controller_map_contradicts_nothing(name: str, shipped: Shipped, layout: Layout) -> None:
    map_file = shipped(name)
    assert find_conflicts(map_file, ControllerWords(map_file, layout), layout) == []


@pytest.mark.parametrize("name", CONSOLES)
def test_the_console_understands_what_the_bridge_holds(
    name: str, shipped: Shipped, layout: Layout
) -> None:
    bridge = ConsoleWords(shipped(name), layout)
    console = ConsoleWords(shipped(name), layout, end="console")
    for slot, value in said(layout, bridge.can_set):
        got = heard(console, bridge.encode(slot, value))
        assert got == (slot, bridge.held(slot, value))
        if KINDS[layout.place(slot).parameter][0] is Kind.LEVEL:
            assert got[1] <= max(value, bridge.held(slot, -math.inf))
    assert console.unknown == 0


@pytest.mark.parametrize("name", CONSOLES)
def test_the_bridge_understands_what_the_console_holds(
    name: str, shipped: Shipped, layout: Layout
) -> None:
    bridge = ConsoleWords(shipped(name), layout)
    console = ConsoleWords(shipped(name), layout, end="console")
    for slot, value in said(layout, bridge.can_read):
        assert heard(bridge, console.encode(slot, value)) == (slot, console.held(slot, value))
    assert bridge.unknown == 0


@pytest.mark.parametrize("name", CONSOLES)
def test_no_half_of_a_message_is_louder_than_the_whole(
    name: str, shipped: Shipped, layout: Layout
) -> None:
    bridge = ConsoleWords(shipped(name), layout)
    console = ConsoleWords(shipped(name), layout, end="console")
    for slot, value in said(layout, bridge.can_set):
        if KINDS[layout.place(slot).parameter][0] is not Kind.LEVEL:
            continue
        for data in bridge.encode(slot, value):
            for _, level_db in console.decode(data):
                assert level_db <= max(value, bridge.held(slot, -math.inf))


@pytest.mark.parametrize("name", CONSOLES)
def test_what_is_held_is_said_again_alike(name: str, shipped: Shipped, layout: Layout) -> None:
    bridge = ConsoleWords(shipped(name), layout)
    for slot, value in said(layout, bridge.can_set):
        assert bridge.encode(slot, bridge.held(slot, value)) == bridge.encode(slot, value)


@pytest.mark.parametrize("name", CONSOLES)
def test_every_level_can_be_turned_off(name: str, shipped: Shipped, layout: Layout) -> None:
    bridge = ConsoleWords(shipped(name), layout)
    for slot in bridge.can_set:
        if KINDS[layout.place(slot).parameter][0] is Kind.LEVEL:
            assert bridge.held(slot, -math.inf) == -math.inf


@pytest.mark.parametrize("name", CONSOLES)
def test_every_question_is_understood(name: str, shipped: Shipped, layout: Layout) -> None:
    bridge = ConsoleWords(shipped(name), layout)
    console = ConsoleWords(shipped(name), layout, end="console")
    for slot in bridge.can_read:
        for data in bridge.ask(slot):
            assert console.decode(data) == ((-2 - slot, 0.0),)
    for data in (*bridge.ask_all[:1], *bridge.renew, *bridge.probe):
        assert len(console.decode(data)) == 1
    for data in console.alive:
        assert bridge.decode(data) == ((-1, 0.0),)
    assert (console.unknown, bridge.unknown) == (0, 0)


def test_a_console_by_names_takes_names(shipped: Shipped, layout: Layout) -> None:
    names = ConsoleNames(("drums", "accordion", "lead", "bass"), ("kit", "keys", "front"))
    words = ConsoleWords(shipped("console-osc-names"), layout, names)
    (data,) = words.encode(layout.slot(Parameter.SEND_LEVEL, 2, 0), -6.0)
    assert data == b"/mix/kit/lead\0\0\0,fs\0\xc0\xc0\0\0dB\0\0"


def test_a_console_that_says_nothing_can_be_told_only(shipped: Shipped, layout: Layout) -> None:
    words = ConsoleWords(shipped("console-midi-7bit"), layout)
    assert words.can_set
    assert not words.can_read

"""Templates, buttons, places and conflicts, each alone. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from bridge.errors import MapError
from bridge.limits import ENTRIES_MAX
from bridge.maps import places
from bridge.maps.console import ConsoleNames, ConsoleWords
from bridge.maps.controller import ControllerWords
from bridge.maps.load import parse_map
from bridge.maps.model import MapFile
from bridge.maps.move import FLIP, SET, Move
from bridge.maps.press import Button, Presses
from bridge.maps.reach import CONFLICTS_MAX, find_conflicts, reach
from bridge.maps.template import Template, address_flaw
from bridge.rig.layout import Layout, Parameter
from bridge.wire import osc

Shipped = Callable[[str], MapFile]


@pytest.mark.parametrize(
    ("text", "filled"),
    [
        ("/a", "/a"),
        ("/{bus}", "/7"),
        ("/{bus:03}/x{channel:2}", "/007/x12"),
        ("/{bus-7}", "/0"),
        ("/{bus+40:03}", "/047"),
        ("/{group:tones}/b", "/lead/b"),
        ("/{bus-5:tones}", "/mid"),
        ("/{bus-4:tones}", "/high"),
    ],
)
def test_a_template_is_filled(text: str, filled: str) -> None:
    template = Template(text, {"tones": ["low", "mid", "high"]})
    assert template.fill({"bus": 7, "channel": 12, "group": "lead"}) == filled


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{bus-8}", "bus 7 gives -1, expected 0 or more"),
        ("{bus:tones}", "bus 7 is beyond the list's 3 names"),
        ("{bus-7:tones}", "bus 7 is beyond the list's 3 names"),
    ],
)
def test_a_place_without_a_name_is_told(text: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        Template(text, {"tones": ["low", "mid", "high"]}).fill({"bus": 7})


SHORT, LONG, UP = Move(3, 10, FLIP, 0.0), Move(3, 11, SET, 1.0), Move(3, 10, SET, 0.0)


def test_a_release_without_a_press_says_nothing() -> None:
    presses = Presses()
    assert presses.hear(Button(SHORT, UP, None, 0.0, True), False, 1.0) == []
    assert presses.hear(Button(SHORT, None, LONG, 0.5, True), False, 1.0) == []


def test_two_buttons_wait_each_for_their_own() -> None:
    presses = Presses()
    other = Move(4, 12, FLIP, 0.0)
    presses.hear(Button(SHORT, None, LONG, 0.5, True), True, 1.0)
    presses.hear(Button(other, None, other, 2.0, True), True, 1.1)
    assert presses.next_wake_s() == 1.5
    assert presses.advance(1.49) == []
    assert presses.advance(1.5) == [LONG]
    assert presses.next_wake_s() == pytest.approx(3.1)
    assert presses.advance(10.0) == [other]
    assert presses.next_wake_s() == math.inf


HEAD = '[map]\nname = "test"\nkind = "controller"\n'
FADER = """
[[midi]]
label = "{label}"
parameter = "bus master"
bus = {bus}
message = "control change"
number = {number}
law = "40 log10"
takeover = "{takeover}"
"""


def fader(label: str, bus: int, number: int, takeover: str = "pickup") -> str:
    return FADER.format(label=label, bus=bus, number=number, takeover=takeover)


def conflicts(text: str, layout: Layout) -> list[str]:
    map_file = parse_map(text, "test.toml")
    make = ControllerWords if map_file.map.kind == "controller" else ConsoleWords
    return find_conflicts(map_file, make(map_file, layout), layout)


def test_clashing_takeovers_are_told(layout: Layout) -> None:
    text = HEAD + fader("one", 1, 7) + fader("two", 1, 8, "jump") + fader("three", 2, 9, "jump")
    assert conflicts(text, layout) == [
        "test: bus master of kit is taken over in different ways: one (pickup), two (jump)"
    ]


def test_a_midi_control_with_two_meanings_is_told(layout: Layout) -> None:
    text = HEAD + fader("one", 1, 7) + fader("two", 2, 7)
    assert conflicts(text, layout) == [
        "test: control change 7 on MIDI channel 1 means bus master of kit and bus master of keys"
    ]


CONSOLE = '[map]\nname = "test"\nkind = "console"\n'
LEVEL = '[[osc]]\nparameter = "send level"\naddress = "/x{bus}{channel}"\n'


def test_addresses_that_run_into_one_another_are_told() -> None:
    wide = Layout(tuple(f"in{number}" for number in range(12)), tuple("abcdefghijklm"))
    found = conflicts(CONSOLE + LEVEL, wide)
    assert found == [
        "test: /x111 means send level of in0 in k and send level of in10 in a",
        "test: /x112 means send level of in1 in k and send level of in11 in a",
    ]


def test_the_same_address_with_other_arguments_is_no_conflict(layout: Layout) -> None:
    text = CONSOLE + LEVEL.replace("/x{bus}{channel}", "/x") + 'before = ["{bus}", "{channel}"]\n'
    assert conflicts(text, layout) == []


def test_a_parameter_that_is_set_twice_is_told(layout: Layout) -> None:
    mute = '[[osc]]\nparameter = "bus mute"\nbus = 2\nuse = ["set"]\naddress = "/{}"\n'
    text = CONSOLE + mute.format("a") + mute.format("b")
    assert conflicts(text, layout) == [
        "test: bus mute of keys is set by several entries; the first one is used"
    ]


def test_endless_conflicts_are_cut(layout: Layout) -> None:
    doubled = "".join(fader(f"no {number}", 1 + number % 2, number // 2) for number in range(160))
    found = conflicts(HEAD + doubled, layout)
    assert len(found) == CONFLICTS_MAX + 1
    assert found[-1] == "test: and 30 more"


def test_reach_says_who_can_do_what(shipped: Shipped, layout: Layout) -> None:
    console = ConsoleWords(shipped("console-osc-names"), layout)
    controllers = {
        name: ControllerWords(shipped(name), layout) for name in ("tablet", "knob-box", "key-pad")
    }
    found = {one.name: one for one in reach(layout, console, controllers)}
    level = found["send level of voice in kit"]
    assert (level.set, level.read, level.ask) == (True, True, True)
    assert (level.movers, level.shown) == (("tablet", "knob-box"), ("tablet", "knob-box"))
    silence = found["silence all"]
    assert (silence.set, silence.read, silence.ask) == (False, False, False)
    assert silence.movers == ("key-pad",)
    assert "send level of voice in front" in found
    assert found["send level of voice in front"].movers == ()
    assert "group of band" in found


def test_a_freeze_may_be_each_performers_own(layout: Layout) -> None:
    text = HEAD + (
        '[[osc]]\nparameter = "freeze"\naddress = "/hold/{performer}"\ntype = "i"\n'
        '[[osc]]\nparameter = "freeze"\nperformer = "tomas"\naddress = "/him"\ntype = "i"\n'
        '[[osc]]\nparameter = "freeze"\naddress = "/hold"\ntype = "i"\n'
    )
    words = ControllerWords(parse_map(text, "test.toml"), layout)
    slots = [
        move.slot
        for address in ("/hold/1", "/hold/2", "/him", "/hold")
        for move in words.decode(osc.encode(address, "i", (1,)), 0.0)
    ]
    freeze = [layout.slot(Parameter.FREEZE, performer) for performer in (0, 1, 1, -1)]
    assert slots == freeze


def test_a_map_may_not_be_compiled_to_endless_places(
    shipped: Shipped, layout: Layout, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(places, "SPOTS_MAX", 20)
    with pytest.raises(MapError, match="found too many places, expected 20 at most"):
        ConsoleWords(shipped("console-osc-position"), layout)


def test_a_map_may_not_have_endless_entries() -> None:
    one = '[[osc]]\nparameter = "bus mute"\nbus = 1\naddress = "/a"\n'
    with pytest.raises(MapError, match=r"osc: found .* expected at most 1024"):
        parse_map(CONSOLE + one * (ENTRIES_MAX + 1), "test.toml")


def test_own_buses_are_counted_from_one(layout: Layout) -> None:
    assert ConsoleNames.own(layout, (2, 0)) == ConsoleNames((1, 2, 3, 4), (2, None, 1))


def test_every_key_of_a_map_is_described() -> None:
    schema = MapFile.model_json_schema()
    tables = [schema, *schema["$defs"].values()]
    bare = [
        (table["title"], key)
        for table in tables
        for key, field in table.get("properties", {}).items()
        if "description" not in field and "$ref" not in field
    ]
    assert bare == []


# The characters that no part of an address may have: OSC 1.0, "OSC Address Spaces".
@pytest.mark.parametrize("code", range(256))
def test_an_address_has_only_characters_that_osc_allows(code: int) -> None:
    allowed = 32 < code < 127 and chr(code) not in "#*,?[]{}"
    assert (address_flaw(f"/a{chr(code)}b") == "") == allowed

"""What one address means where it means several things, in several words or not everything."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from support.proposal import faults
from support.queried import RIG, house_of, maps_of, queried_rig

from bridge.house import House
from bridge.maps.load import parse_map
from bridge.oscquery.methods import message
from bridge.oscquery.space import Space
from bridge.rig.layout import Parameter
from bridge.units import OFF
from bridge.wire import osc

HEAD = '[map]\nname = "One of a kind"\nkind = "controller"\n'
TURNS = '[[turn]]\nid = "levels"\nlabel = "Levels"\n[[turn]]\nid = "sends"\n'
TO_SENDS = 'bus = 1\nin_turn = "sends"\n'


def told(entries: str, *, hands: str = "engineer") -> tuple[House, Space, dict[str, Any]]:
    """A house whose one controller has these entries; what it is told, by path."""
    text = RIG.replace('hands = "ines"\nmap = "', f'hands = "{hands}"\nmap = "own.toml" #')
    text += '[[group]]\nid = "all"\nbus = "kit"\nchannels = ["kick", "accordion"]\n'
    rig = queried_rig(text=text)
    maps = maps_of(rig, own=HEAD + entries)
    house = house_of(rig, maps)
    space = Space(house, rig, 0, maps["own.toml"])
    return house, space, paths(space)


def paths(space: Space) -> dict[str, Any]:
    """Every node by its path, as JSON."""
    root = json.loads("".join(space.tree.text(space.tree.nodes["/"].branch, space.read)))
    assert faults(root) == []
    found, waiting = {}, [root]
    while waiting:
        node = waiting.pop()
        waiting += node.pop("CONTENTS", {}).values()
        found[node["FULL_PATH"]] = node
    return found


def osc_entry(parameter: str, address: str, more: str = "") -> str:
    return f'[[osc]]\nparameter = "{parameter}"\naddress = "{address}"\n{more}\n'


# -- several meanings ---------------------------------------------------------------------------


def test_constants_that_tell_places_apart_are_listed_and_leave_no_one_value() -> None:
    _, _, nodes = told(
        osc_entry("send pan", "/pan", 'before = ["{bus}", "{channel}"]\nafter = ["x"]')
    )
    node = nodes["/pan"]
    assert (node["TYPE"], node["ACCESS"]) == ("iifs", 2) and "VALUE" not in node
    assert node["RANGE"] == [
        {"VALS": [1, 2]}, {"VALS": [1, 2]}, {"MIN": -1.0, "MAX": 1.0}, {"VALS": ["x"]},
    ]  # fmt: skip


def test_constants_of_one_place_stand_in_its_value() -> None:
    more = 'channel = 2\nbus = 1\nbefore = ["{channel}"]\ntype = "i"'
    _, _, nodes = told(osc_entry("send on", "/on", more))
    assert nodes["/on"]["VALUE"] == [2, 1]
    assert nodes["/on"]["RANGE"] == [{"VALS": [2]}, {"VALS": [0, 1]}]


def test_other_types_at_one_address_are_overloads() -> None:
    _, _, nodes = told(
        osc_entry("bus dim", "/one", 'bus = 1\ntype = "none"\naction = "toggle"')
        + osc_entry("bus master", "/one", 'bus = 1\nrange = [-60, 0]\nuse = ["move", "show"]')
    )
    assert (nodes["/one"]["TYPE"], nodes["/one"]["ACCESS"]) == ("f", 3)
    (other,) = nodes["/one"]["OVERLOADS"]
    assert (other["TYPE"], other["ACCESS"]) == ("", 2)


def test_an_address_may_be_a_container_too() -> None:
    _, _, nodes = told(
        osc_entry("bus master", "/mix/{bus}", "range = [-60, 0]")
        + osc_entry("bus dim", "/mix/{bus}/dim", 'type = "i"')
    )
    assert nodes["/mix/1"]["TYPE"] == "f" and nodes["/mix/1/dim"]["TYPE"] == "i"


def test_the_root_may_be_a_method() -> None:
    _, space, nodes = told(osc_entry("silence all", "/", 'type = "i"'))
    assert nodes["/"]["TYPE"] == "i" and space.tree.nodes["/"].contents is None


def test_what_an_address_is_in_one_turn_only_has_the_value_of_that_turn() -> None:
    house, space, nodes = told(
        TURNS
        + osc_entry("bus master", "/knob", 'bus = 1\nin_turn = "levels"\nrange = [-60, 0]')
        + osc_entry("send level", "/knob", "channel = 2\n" + TO_SENDS + "range = [-70, 10]")
        + osc_entry("bus master", "/late", TO_SENDS + "range = [-60, 0]")
        + '[[osc]]\naddress = "/turn"\ntype = "none"\naction = "next turn"\n'
    )
    assert nodes["/knob"]["VALUE"] == [-30.0]
    assert nodes["/knob"]["RANGE"] == [{"MIN": -70.0, "MAX": 3.0}]
    assert "(in turn Levels)" in nodes["/knob"]["DESCRIPTION"]
    assert nodes["/turn"]["ACCESS"] == 2 and nodes["/turn"]["DESCRIPTION"] == "to the next turn"
    assert nodes["/late"]["ACCESS"] == 3 and "VALUE" not in nodes["/late"]
    house.controllers.all[0].words.decode(osc.encode("/turn"), 0.0)
    assert paths(space)["/knob"]["VALUE"] == [-20.0]
    assert paths(space)["/late"]["VALUE"] == [-30.0]


# -- words and numbers --------------------------------------------------------------------------


def test_a_truth_is_told_with_both_of_its_tags() -> None:
    _, _, nodes = told(osc_entry("bus dim", "/dim", 'bus = 1\ntype = "T"'))
    assert (nodes["/dim"]["TYPE"], nodes["/dim"]["VALUE"]) == ("T", [False])
    assert [one["TYPE"] for one in nodes["/dim"]["OVERLOADS"]] == ["F"]


@pytest.mark.parametrize(("hands", "words"), [("engineer", [0, 1]), ("ines", [1])])
def test_anybody_may_make_it_quiet_and_only_the_engineer_lets_it_sound(
    hands: str, words: list[int]
) -> None:
    entries = osc_entry("silence all", "/quiet", 'type = "i"')
    entries += osc_entry("silence all", "/hush", 'type = "T"')
    entries += osc_entry("silence all", "/loud", 'type = "none"\naction = "set"\nto = 0')
    _, _, nodes = told(entries, hands=hands)
    assert nodes["/quiet"]["RANGE"] == [{"VALS": words}]
    assert ("OVERLOADS" in nodes["/hush"]) == (hands == "engineer")
    assert ("/loud" in nodes) == (hands == "engineer")


def test_a_button_that_only_says_that_it_is_pressed_has_one_word() -> None:
    more = 'bus = 1\ntype = "i"\naction = "toggle"\nreleases = false'
    _, _, nodes = told(osc_entry("bus dim", "/dim", more))
    assert nodes["/dim"]["RANGE"] == [{"VALS": [1]}] and nodes["/dim"]["ACCESS"] == 2


LEVELS = (
    ("range = [-60, 5]", {"MIN": -60.0, "MAX": 0.0}, "gain.db"),
    ("range = [-60, -10]", {"MIN": -60.0, "MAX": -10.0}, "gain.db"),
    ("off = -inf", {"MIN": -90.0, "MAX": 0.0}, "gain.db"),
    ("range = [-60, 5]\noff = -90", {"MIN": -90.0, "MAX": 0.0}, "gain.db"),
    ("range = [-60, 5]\noff = 99", {"MIN": -60.0, "MAX": 0.0}, "gain.db"),
    ('type = "i"\nunit_db = 1\nrange = [-60, 10]', {"MIN": -60, "MAX": 0}, "gain.db"),
    ('type = "i"\nunit_db = 0.5\nzero = 100\nrange = [0, 120]', {"MIN": 0, "MAX": 100}, None),
    ('type = "i"\nunit_db = -0.5\nrange = [120, -20]', {"MIN": 0, "MAX": 120}, None),
    ('law = { from_db = -40, to_db = 40 }', {"MIN": 0.0, "MAX": 0.5}, None),
    ('law = { from_db = -40, to_db = 40 }\nrange = [1, 0]', {"MIN": 0.5, "MAX": 1.0}, None),
    ('law = { from_db = 10, to_db = 40 }', {"MIN": 0.0, "MAX": 0.0}, None),
    ('law = { from_db = -40, to_db = 40 }\nrange = [10, 90]\ntype = "i"\noff = 127',
     {"MIN": 10, "MAX": 50}, None),
)  # fmt: skip


@pytest.mark.parametrize(("more", "item", "unit"), LEVELS)
def test_the_range_of_a_master_ends_at_its_ceiling_of_0_db(
    more: str, item: dict[str, float], unit: str | None
) -> None:
    _, _, nodes = told(osc_entry("bus master", "/m", f"bus = 1\n{more}"))
    assert nodes["/m"]["RANGE"] == [pytest.approx(item, abs=1e-6)]
    assert nodes["/m"].get("UNIT") == (None if unit is None else [unit])


def test_off_has_a_number_in_json_and_is_off_in_osc() -> None:
    house, space, _ = told(osc_entry("bus master", "/m", "bus = 1\noff = -inf"))
    master = house.rig.layout.slot(Parameter.BUS_MASTER, bus=0)
    house.engine.matrix.asked[master] = OFF
    assert paths(space)["/m"]["VALUE"] == [-90.0]
    method = space.tree.nodes["/m"].method
    now = None if method is None else space.read(method)
    assert now is not None and osc.decode(message(now))[0].args == (-math.inf,)


def test_what_the_console_has_not_said_yet_has_no_value() -> None:
    _, _, nodes = told(osc_entry("channel fader", "/f/{channel}", "range = [-60, 10]"))
    assert nodes["/f/1"]["ACCESS"] == 3 and "VALUE" not in nodes["/f/1"]


def test_a_group_is_as_loud_as_its_loudest_and_as_high_as_the_highest_ceiling() -> None:
    _, _, nodes = told(osc_entry("group", "/g/{group}", "range = [-60, 10]"))
    assert nodes["/g/1"]["VALUE"] == [-20.0]
    assert nodes["/g/1"]["RANGE"] == [{"MIN": -60.0, "MAX": 3.0}]


def test_a_performers_range_ends_at_the_own_ceiling() -> None:
    entries = osc_entry("send level", "/s/{channel}", "bus = 1\nrange = [-60, 10]")
    assert told(entries)[2]["/s/1"]["RANGE"] == [{"MIN": -60.0, "MAX": 3.0}]
    assert told(entries, hands="ines")[2]["/s/1"]["RANGE"] == [{"MIN": -60.0, "MAX": -3.0}]


def test_a_ceiling_set_live_changes_no_range() -> None:
    entry = osc_entry("bus master", "/m", "bus = 1\nrange = [-60, 10]")
    house, space, nodes = told(entry)
    house.engine.people.set_ceiling(-1, house.rig.layout.slot(Parameter.BUS_MASTER, bus=0), -40.0)
    assert paths(space)["/m"]["RANGE"] == nodes["/m"]["RANGE"]
    map_file = parse_map(HEAD + entry, "own.toml")
    assert paths(Space(house, house.rig, 0, map_file))["/m"]["RANGE"] == nodes["/m"]["RANGE"]


WORDS = (
    ("bus master", "range = [-60, 0]", "bus master of Ines, once it has met the level"),
    ("bus master", 'range = [-60, 0]\ntakeover = "jump"', "bus master of Ines"),
    ("bus master", 'range = [-60, 0]\nuse = ["show"]', "bus master of Ines"),
    ("bus master", 'type = "i"\naction = "relative"\nstep_db = 0.5',
     "bus master of Ines, +0.5 dB a click"),
    ("bus master", 'type = "none"\naction = "step"\nstep_db = -2',
     "bus master of Ines, -2 dB a press"),
    ("bus master", 'type = "none"\naction = "set"\nto = -inf', "bus master of Ines, to off"),
    ("bus dim", 'type = "i"\naction = "momentary"', "bus dim of Ines, while pressed"),
    ("bus dim", 'type = "i"\naction = "set"\nto = 0', "bus dim of Ines, to off"),
    ("bus dim", 'type = "i"\naction = "toggle"\nlong_press = { parameter = "bus mute" }',
     "bus dim of Ines, the other way with each press; "
     "held or pressed twice it means something else"),
    ("bus dim", 'type = "i"\nlabel = "hush"', "hush: bus dim of Ines"),
)  # fmt: skip


@pytest.mark.parametrize(("parameter", "more", "words"), WORDS)
def test_a_person_reads_what_an_address_does(parameter: str, more: str, words: str) -> None:
    _, _, nodes = told(osc_entry(parameter, "/x", f"bus = 1\n{more}"))
    assert nodes["/x"]["DESCRIPTION"] == words


def test_the_root_says_whose_hands_these_are() -> None:
    _, _, nodes = told(osc_entry("bus dim", "/x", 'bus = 1\ntype = "i"'), hands="ines")
    assert "in the hands of Ines" in nodes["/"]["DESCRIPTION"]


def test_hands_that_may_do_nothing_here_are_told_an_empty_container() -> None:
    _, _, nodes = told(osc_entry("bus open", "/open/{bus}", 'type = "i"'), hands="ines")
    assert list(nodes) == ["/"]

"""OSCQuery's own examples and rules, on a map that says the same as they do.

Source: github.com/Vidvox/OSCQueryProposal, README, sections "Core Functionality", "Optional
Attributes" and "Examples".
"""

from __future__ import annotations

import json
from typing import Any

import pytest
from support.proposal import EXAMPLE, HOST, faults
from support.queried import RIG, queried_rig, space_of

from bridge.links.address import SocketAddress
from bridge.oscquery.answers import answer, host_info
from bridge.oscquery.space import Space
from bridge.rig.layout import Parameter

MAP = """
[map]
name = "The proposal's example"
kind = "controller"
[[osc]]
label = "foo"
parameter = "send pan"
channel = 1
bus = 1
address = "/foo"
range = [0, 100]
use = ["show"]
[[osc]]
label = "bar"
parameter = "send pan"
channel = 1
bus = 1
address = "/bar"
before = [4]
type = "i"
range = [51, 100]
use = ["move", "show"]
[[osc]]
label = "qux"
parameter = "send on"
channel = 1
bus = 1
address = "/baz/qux"
type = "s"
off = "empty"
on = "full"
use = ["move", "show"]
"""


def ask(space: Space, path: str, query: str = "") -> tuple[int, Any]:
    """A question as HTTP would put it, and its JSON."""
    host = host_info("My Special Server", SocketAddress("udp", "", 9311))
    found = answer(space.tree, host, path, query, space.read)
    text = "".join(found.text)
    return found.status, json.loads(text) if found.status == 200 else text


@pytest.fixture(name="space")
def example() -> Space:
    text = RIG.replace('hands = "ines"\nmap = "', 'hands = "ines"\nmap = "example.toml" #')
    rig = queried_rig(text=text)
    house, space = space_of(rig, 0, example=MAP)
    pan = rig.layout.slot(Parameter.SEND_PAN, 0, 0)
    house.engine.matrix.asked[pan] = -0.99  # half a hundredth of the way from left to right
    return space


# -- the oracle itself --------------------------------------------------------------------------


def test_the_proposals_example_passes_what_the_tests_hold_against_it() -> None:
    assert faults(EXAMPLE) == []


BROKEN = (
    ("FULL_PATH", "/fo", "FULL_PATH"),
    ("ACCESS", 4, "ACCESS"),
    ("VALUE", 0.5, "VALUE"),
    ("VALUE", [0.5, 0.5], "VALUE"),
    ("RANGE", [{"LOW": 1}], "RANGE"),
    ("TYPE", None, "TYPE"),
    ("VALUE", ["half"], "VALUE"),
    ("ACCESS", 2, "VALUE"),
)


@pytest.mark.parametrize(("key", "value", "named"), BROKEN)
def test_an_example_that_is_broken_does_not_pass(key: str, value: object, named: str) -> None:
    spoilt = json.loads(json.dumps(EXAMPLE))
    spoilt["CONTENTS"]["foo"][key] = value
    assert any(named in fault for fault in faults(spoilt))


# -- our answers --------------------------------------------------------------------------------


def test_the_root_is_told_with_everything_below_it(space: Space) -> None:
    status, root = ask(space, "/")
    assert status == 200 and faults(root) == []
    assert root["FULL_PATH"] == "/" and root["ACCESS"] == 0
    assert root["CONTENTS"]["foo"].pop("VALUE") == pytest.approx([0.5], abs=1e-4)
    assert root["CONTENTS"]["foo"] == {
        "FULL_PATH": "/foo", "ACCESS": 1, "TYPE": "f",
        "RANGE": [{"MIN": 0.0, "MAX": 100.0}], "DESCRIPTION": "foo: send pan of kick in Ines",
    }  # fmt: skip
    bar = root["CONTENTS"]["bar"]
    assert (bar["TYPE"], bar["ACCESS"], bar["VALUE"][0]) == ("ii", 3, 4)
    assert bar["RANGE"] == [{"VALS": [4]}, {"MIN": 51, "MAX": 100}]
    qux = root["CONTENTS"]["baz"]["CONTENTS"]["qux"]
    assert (qux["FULL_PATH"], qux["TYPE"], qux["VALUE"]) == ("/baz/qux", "s", ["full"])
    assert qux["RANGE"] == [{"VALS": ["empty", "full"]}]


def test_a_branch_is_told_as_it_stands_in_the_whole(space: Space) -> None:
    whole = ask(space, "/")[1]
    assert ask(space, "/baz") == (200, whole["CONTENTS"]["baz"])
    assert ask(space, "/baz/qux") == (200, whole["CONTENTS"]["baz"]["CONTENTS"]["qux"])


QUESTIONS = (
    ("/baz/qux", "VALUE", 200, {"VALUE": ["full"]}),
    ("/baz/qux", "RANGE", 200, {"RANGE": [{"VALS": ["empty", "full"]}]}),
    ("/baz", "TYPE", 200, {}),
    ("/bazzzzz", "TYPE", 404, None),
    ("/baz", "VALUE", 204, None),
    ("/foo", "GABBAGABBAHEY", 400, None),
    ("/foo", "VALUE&RANGE", 400, None),
    ("/foo", "TAGS", 400, None),
    ("/foo", "HTML", 400, None),
    ("/foo", "ACCESS", 200, {"ACCESS": 1}),
    ("/foo", "ACCESS=", 200, {"ACCESS": 1}),
    ("/foo", "UNIT", 200, {}),
    ("/foo", "CONTENTS", 200, {}),
    ("/foo/", "", 404, None),
    ("foo", "", 404, None),
    ("", "", 404, None),
)


@pytest.mark.parametrize(("path", "query", "status", "said"), QUESTIONS)
def test_one_attribute_is_told_alone_and_what_is_not_there_is_an_error(
    space: Space, path: str, query: str, status: int, said: Any
) -> None:
    found, answered = ask(space, path, query)
    assert found == status
    assert said is None or answered == said


def test_the_contents_alone_are_those_of_the_node(space: Space) -> None:
    whole = ask(space, "/baz")[1]
    assert ask(space, "/baz", "CONTENTS") == (200, {"CONTENTS": whole["CONTENTS"]})


@pytest.mark.parametrize("path", ["/", "/foo", "/is/nowhere"])
def test_the_host_says_the_same_of_itself_on_every_path(space: Space, path: str) -> None:
    status, host = ask(space, path, "HOST_INFO")
    assert status == 200 and host["NAME"] == HOST["NAME"]
    assert set(HOST["EXTENSIONS"]) <= set(host["EXTENSIONS"])
    assert (host["OSC_PORT"], host["OSC_TRANSPORT"]) == (9311, "UDP")
    assert "OSC_IP" not in host and "WS_PORT" not in host


def test_what_the_host_claims_of_its_answers_is_what_they_have(space: Space) -> None:
    claimed = {k for k, true in ask(space, "/", "HOST_INFO")[1]["EXTENSIONS"].items() if true}
    told: set[str] = set()
    waiting = [ask(space, "/")[1]]
    while waiting:
        node = waiting.pop()
        told |= node.keys()
        waiting += node.get("CONTENTS", {}).values()
    assert told - {"FULL_PATH", "CONTENTS", "TYPE"} <= claimed
    for attribute in claimed - {"LISTEN"}:
        assert ask(space, "/foo", attribute)[0] == 200
    for attribute in ask(space, "/", "HOST_INFO")[1]["EXTENSIONS"].keys() - claimed:
        assert ask(space, "/foo", attribute)[0] == 400


def test_where_osc_goes_is_told_where_it_is_not_where_http_is() -> None:
    assert host_info("x", SocketAddress("tcp", "192.0.2.5", 9310, "slip"))["OSC_IP"] == "192.0.2.5"
    assert host_info("x", SocketAddress("tcp", "", 9310))["OSC_TRANSPORT"] == "TCP"
    assert "OSC_IP" not in host_info("x", SocketAddress("udp", "0.0.0.0", 9310))
    assert "OSC_IP" not in host_info("x", SocketAddress("udp", "stage.example", 9310))

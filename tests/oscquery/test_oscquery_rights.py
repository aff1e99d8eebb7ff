"""What is told is what the hands may do: no address more, no address less, no number too high."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.any_rig import addresses, gestures, maps, rigs
from support.proposal import faults
from support.queried import CONSOLE, house_of

from bridge.house import House
from bridge.maps.load import parse_map
from bridge.maps.move import Move
from bridge.mix.gesture import REFUSED, Verdict
from bridge.oscquery.methods import READ, WRITE, message
from bridge.oscquery.space import Space
from bridge.rig.layout import KINDS, Kind, Parameter
from bridge.rig.rig import Rig, parse_rig
from bridge.units import OFF
from bridge.wire import osc

RIGHTS = ("not yours", "engineer only")
"""The rules that refuse for rights (the other refusals depend on the moment)."""

CONSOLE_TEXT = Path(CONSOLE).read_text(encoding="utf-8")


def told_of(rig_text: str, map_text: str) -> tuple[Rig, House, Space]:
    rig = parse_rig(rig_text, "house.toml")
    maps = {"any.toml": parse_map(map_text, "any.toml"),
            "console.toml": parse_map(CONSOLE_TEXT, "console.toml")}  # fmt: skip
    house = house_of(rig, maps)
    return rig, house, Space(house, rig, 0, maps["any.toml"])


def nodes(node: dict[str, Any]) -> Iterator[dict[str, Any]]:
    yield node
    for child in node.get("CONTENTS", {}).values():
        yield from nodes(child)


def root_of(space: Space) -> dict[str, Any]:
    return dict(json.loads("".join(space.tree.text(space.tree.nodes["/"].branch, space.read))))


def meant(house: House, address: str) -> list[Move]:
    """Every move that hands come to at an address: at once, held long, and twice."""
    words = house.controllers.all[0].words
    moves: list[Move] = []
    now_s = 0.0
    for gesture in gestures(address):
        for data in gesture:
            moves += words.decode(data, now_s)
            now_s += 0.05
        now_s += 20.0
        moves += words.advance(now_s)
        words.clear()
    return moves


def wish(house: House, move: Move) -> Verdict:
    who = house.controllers.all[0].who
    return house.engine.wish(who, move.slot, move.action, move.value, 0.0)


def comes_through(house: House, moves: list[Move]) -> bool:
    """Whether any of the moves is not refused for rights while all is as at the start."""
    m = house.engine.matrix
    rules = []
    for move in moves:
        m.asked[m.silence] = 0.0  # else a toggle would mean to let it sound again
        rules.append(wish(house, move).rule)
    return any(rule not in RIGHTS for rule in rules)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(rig_text=rigs(), map_text=maps())
def test_the_tree_names_exactly_what_these_hands_may_say(rig_text: str, map_text: str) -> None:
    _, house, space = told_of(rig_text, map_text)
    root = root_of(space)
    assert faults(root) == []
    methods = {one["FULL_PATH"]: one["ACCESS"] for one in nodes(root) if "TYPE" in one}
    written = {path for path, access in methods.items() if access & WRITE}
    assert written == {
        one for one in addresses(map_text) if comes_through(house, meant(house, one))
    }


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(rig_text=rigs(), map_text=maps())
def test_nothing_is_read_that_these_hands_may_not_touch(rig_text: str, map_text: str) -> None:
    rig, house, space = told_of(rig_text, map_text)
    who = house.controllers.all[0].who
    for node in space.tree.nodes.values():
        now = None if node.method is None else space.read(node.method)
        if now is not None:
            assert node.method is not None and node.method.access & READ
            on = house.engine.guard.refusal(who, now.spot.slot, 1.0)
            assert on not in RIGHTS, rig.layout.name(now.spot.slot)


LEVELS = (Parameter.SEND_LEVEL, Parameter.BUS_MASTER, Parameter.CHANNEL_FADER)


def _ends(method: Any) -> tuple[float, float] | None:
    item = method.static["RANGE"][0]
    return None if "VALS" in item else (item["MIN"], item["MAX"])


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(rig_text=rigs(), map_text=maps())
def test_the_range_of_a_level_ends_where_the_ceiling_is(rig_text: str, map_text: str) -> None:
    _, house, space = told_of(rig_text, map_text)
    words = house.controllers.all[0].words
    for node in space.tree.nodes.values():
        spot = None if node.method is None else node.method.spots[0]
        if spot is None or spot.entry.parameter not in LEVELS or not spot.moves:
            continue
        if spot.entry.action != "absolute":
            continue
        low, high = _ends(node.method) or (0.0, 0.0)
        top, step = (low, -1) if (spot.entry.range or (0, 1))[0] == 1 else (high, 1)
        kind = spot.entry.type
        for number, beyond in ((top, False), (top + step * (1 if kind == "i" else 0.001), True)):
            number = int(number) if kind == "i" else number
            for move in words.decode(osc.encode(node.method.address, kind, (number,)), 0.0):
                verdict = wish(house, move)
                if verdict.outcome != REFUSED:
                    limited = verdict.rule in ("rig ceiling", "bus ceiling", "own ceiling")
                    assert limited == beyond, (node.method.static, number, verdict)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(rig_text=rigs(), map_text=maps(), level_db=st.sampled_from((-200.0, -70.0, -12.3, 0.0, 6.0)))
def test_a_value_in_json_is_what_the_controller_would_be_shown(
    rig_text: str, map_text: str, level_db: float
) -> None:
    rig, house, space = told_of(rig_text, map_text)
    asked, words = house.engine.matrix.asked, house.controllers.all[0].words
    for slot in rig.layout:
        level = KINDS[rig.layout.place(slot).parameter][0] is Kind.LEVEL
        asked[slot] = (level_db if level_db > -200 else OFF) if level else 1.0
    root = root_of(space)
    assert faults(root) == []
    for one in nodes(root):
        if one["ACCESS"] & READ and "VALUE" in one:
            (value,) = one["VALUE"]
            tags = "F" if value is False else one["TYPE"]
            method = space.tree.nodes[one["FULL_PATH"]].method
            now = None if method is None else space.read(method)
            assert now is not None
            assert said_alike(osc.encode(one["FULL_PATH"], tags, [value]), message(now))
            assert now.spot.slot in words.shows or "show" not in (now.spot.entry.use or ())


def said_alike(one: bytes, other: bytes) -> bool:
    """Whether two messages say the same, with numbers as near as 32 bits are."""
    (first,), (second,) = osc.decode(one), osc.decode(other)
    return first.tags == second.tags and first.args == pytest.approx(second.args)

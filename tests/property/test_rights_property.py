"""Nobody ever changes what the rig does not give them, by whatever road their wish comes.

Random rigs, random gestures by anyone: OSC datagrams and MIDI messages through a map of everything,
wishes of a page, calls for a preset, presses of a group. An oracle of its own reads the rig file.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bridge.house import House, Roads
from bridge.maps.load import parse_map
from bridge.presets.recall import Recall, Report, wish_for
from bridge.presets.values import Target
from bridge.rig.layout import KINDS, Parameter, Scope
from bridge.rig.rig import ENGINEER, Rig, parse_rig
from bridge.wire import osc

CHANNELS, BUSES = ("kick", "voice", "bass"), ("kit", "front")
GIVABLE = ("send level", "send on", "send pan", "bus master", "bus mute", "bus dim", "group")
OFF = -math.inf

DESK = """
[map]
name = "A desk that has all"
kind = "console"
[law.even]
points = [[0, -90], [1, 10]]
off_at_bottom = true
"""
ALL_OSC = """
[map]
name = "Everything by OSC"
kind = "controller"
[law.even]
points = [[0, -60], [1, 10]]
off_at_bottom = true
"""
ALL_MIDI = """
[map]
name = "Everything by MIDI"
kind = "controller"
"""
CELLS = ("send level", "send on", "send tap", "send pan")
OF_BUS = ("bus master", "bus mute", "bus open", "bus dim", "bus hold")
FORM = {
    "send level": 'law = "even"\n',
    "bus master": 'law = "even"\n',
    "channel fader": 'law = "even"\n',
}
for parameter in (*CELLS, "bus master", "bus mute", "channel fader", "channel mute"):
    fields = {"s": "/{channel}/{bus}", "b": "/{bus}", "c": "/{channel}"}[parameter[0]]
    address = "/" + parameter.replace(" ", "-") + fields
    kind = '"f"' if parameter in FORM or "pan" in parameter else '"i"'
    DESK += f'[[osc]]\nparameter = "{parameter}"\naddress = "{address}"\ntype = {kind}\n'
    DESK += FORM.get(parameter, "")
HANDS = (*CELLS, *OF_BUS, "channel fader", "channel mute", "group", "silence all", "freeze")
for parameter in HANDS:
    scope = KINDS[Parameter(parameter)][1]
    fields = {
        Scope.CELL: "/{channel}/{bus}", Scope.BUS: "/{bus}", Scope.CHANNEL: "/{channel}",
        Scope.GROUP: "/{group}", Scope.PERFORMER: "/{performer}",
    }.get(scope, "")  # fmt: skip
    level = parameter in (*FORM, "group")
    ALL_OSC += (
        f'[[osc]]\nparameter = "{parameter}"\naddress = "/{parameter.replace(" ", "-")}{fields}"\n'
    )
    ALL_OSC += 'type = "f"\nlaw = "even"\ntakeover = "jump"\n' if level else (
        'type = "f"\n' if "pan" in parameter else 'type = "i"\n'
    )  # fmt: skip
for number, (parameter, bus, channel) in enumerate(
    [("send level", 1, c) for c in (1, 2, 3)] + [("bus master", 1, 0), ("bus mute", 1, 0)]
):
    ALL_MIDI += (
        f'[[midi]]\nparameter = "{parameter}"\nbus = {bus}\n'
        + (f"channel = {channel}\n" if channel else "")
        + f'message = "control change"\nmidi_channel = 1\nnumber = {20 + number}\n'
        + ('action = "toggle"\n' if "mute" in parameter else
           "law = { from_db = -60, to_db = 10 }\ntakeover = \"jump\"\n")
    )  # fmt: skip


@st.composite
def rigs(draw: st.DrawFn) -> Rig:
    """A rig with two performers who are given something of chance."""
    people = ""
    for name in ("ines", "maud"):
        buses = draw(st.lists(st.sampled_from(BUSES), min_size=1, max_size=2, unique=True))
        may = draw(st.lists(st.sampled_from(GIVABLE), unique=True))
        people += f'[[performer]]\nid = "{name}"\nbuses = {buses}\nmay_touch = {may}\n'
        for key in ("send_ceiling_db", "master_ceiling_db"):
            if draw(st.booleans()):
                people += f"{key} = {draw(st.integers(-30, 0))}\n"
        if draw(st.booleans()):
            people += f"window_db = {draw(st.integers(1, 10))}\n"
        if draw(st.booleans()):
            people += f"send_ceilings_db = {{ voice = {draw(st.integers(-40, 0))} }}\n"
    text = '[rig]\nname = "Any room"\n[limits]\nsend_ceiling_db = 6\n'
    for key, names in (("channel", CHANNELS), ("bus", BUSES)):
        for place, name in enumerate(names, start=1):
            text += f'[[{key}]]\nid = "{name}"\nconsole = {place}\n'
            if key == "bus":
                text += f"start_mix = {{ kick = {draw(st.integers(-30, -10))} }}\n"
    text += people
    text += '[[group]]\nid = "all"\nbus = "kit"\nchannels = ["kick", "voice"]\nagainst = ["bass"]\n'
    for number, (hands, file) in enumerate(
        (h, f) for h in ("ines", "maud", "engineer") for f in ("osc.toml", "midi.toml")
    ):
        road = 'midi = "Box*"' if file[0] == "m" else (
            f'listen = "udp://:9{number:03}"\nsource = "192.0.2.{number + 1}"')  # fmt: skip
        text += f'[[controller]]\nid = "c{number}"\nhands = "{hands}"\nmap = "{file}"\n{road}\n'
    text += '[console]\nmap = "desk.toml"\nsend = "udp://192.0.2.10:9000"\nreadback = false\n'
    return parse_rig(text, "any.toml")


MAPS = {
    "osc.toml": parse_map(ALL_OSC, "osc.toml"),
    "midi.toml": parse_map(ALL_MIDI, "midi.toml"),
    "desk.toml": parse_map(DESK, "desk.toml"),
}
Act = Callable[[House, float], int]
number = st.one_of(st.floats(-80, 20), st.sampled_from((0.0, 1.0, OFF, math.nan, 1e9)))


@st.composite
def acts(draw: st.DrawFn) -> tuple[str, int, Any]:
    """A gesture by a road: the road, whose hands, and what."""
    who = draw(st.sampled_from((0, 1, ENGINEER)))
    road = draw(st.sampled_from(("osc", "midi", "page", "preset")))
    if road == "osc":
        parameter = draw(st.sampled_from(HANDS))
        places = draw(st.lists(st.sampled_from(("1", "2", "3", "*", "kit")), max_size=2))
        address = "/" + "/".join([parameter.replace(" ", "-"), *places])
        value = draw(st.floats(-2, 2, width=32))
        tag = draw(st.sampled_from("if"))
        return road, who, osc.encode(address, tag, [round(value) if tag == "i" else value])
    if road == "midi":
        return road, who, bytes((0xB0, draw(st.integers(20, 26)), draw(st.integers(0, 127))))
    return road, who, (draw(st.integers(0, 400)), draw(st.sampled_from((0, 1, 2))), draw(number))


def perform(house: House, act: tuple[str, int, Any], now_s: float) -> None:
    """Carry a gesture out by its road."""
    road, who, what = act
    first = {0: 0, 1: 2, ENGINEER: 4}[who]
    if road in ("osc", "midi"):
        house.from_controller(first + (road == "midi"), [what], now_s, 1e9 + now_s)
    elif road == "page":
        house.controllers.wish("page", who, *what, now_s)
    else:
        slot, _, value = what
        wanted: list[Target] = [(slot % house.engine.matrix.group, value)]
        wish = wish_for(house.controllers.wish, who, lambda: now_s)
        recall = Recall(house.engine, wish, wanted, safe=frozenset(), report=Report("any", who))
        while recall.step(10):
            pass
    house.settle(now_s)


class Oracle:
    """What a rig file gives each performer, read apart from the rules."""

    def __init__(self, rig: Rig) -> None:
        self.rig, self.layout = rig, rig.layout

    def breach(self, who: int, slot: int, before: float, after: float, anchor: float) -> str:
        """Why a change is not theirs to make; empty when it is."""
        place, one = self.layout.place(slot), self.rig.file.performer[who]
        name = str(place.parameter)
        if name in ("silence all", "ask") or name.startswith("preset"):
            return ""
        if place.parameter is Parameter.FREEZE:
            return "freeze"
        bus = "" if place.bus < 0 else self.layout.buses[place.bus]
        moved_by_group = "group" in one.may_touch and name == "send level" and bus == "kit"
        if name == "group":
            bus = "kit"
        if bus not in one.buses:
            return f"{name} of {bus}"
        if name not in one.may_touch and not moved_by_group and name != "group":
            return f"{name} is not given"
        if name in ("send level", "bus master"):
            return self._too_far(who, slot, before, after, anchor)
        return ""

    def _too_far(self, who: int, slot: int, before: float, after: float, anchor: float) -> str:
        place, one = self.layout.place(slot), self.rig.file.performer[who]
        tops = [one.master_ceiling_db]
        if place.parameter is Parameter.SEND_LEVEL:
            channel = self.layout.channels[place.channel]
            tops = [one.send_ceiling_db, one.send_ceilings_db.get(channel)]
        top = min([db for db in tops if db is not None], default=math.inf)
        if after > max(before, top) + 1e-9:
            return f"{after} dB past {top}"
        if one.window_db is not None and after > max(before, anchor + one.window_db) + 1e-9:
            return f"{after} dB past the window around {anchor}"
        return ""


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(rigs(), st.lists(acts(), min_size=1, max_size=25))
def test_nobody_changes_what_the_rig_does_not_give_them(
    rig: Rig, gestures: list[tuple[str, int, Any]]
) -> None:
    roads = Roads(lambda data: True, [lambda data: True] * 6, reliable=True)
    house = House(rig, MAPS, roads)
    house.engine.begin({}, 0.0)
    oracle, asked = Oracle(rig), house.engine.matrix.asked
    anchors = list(asked)
    for turn, act in enumerate(gestures):
        before = list(asked)
        perform(house, act, 1.0 + turn)
        for slot, (old, new) in enumerate(zip(before, asked, strict=True)):
            if old == new or (old != old and new != new):
                continue
            if act[1] == ENGINEER:
                anchors[slot] = new
            else:
                breach = oracle.breach(act[1], slot, old, new, anchors[slot])
                assert not breach, f"{act}: {rig.name(slot)} {old} -> {new}: {breach}"


def test_the_oracle_knows_a_breach_when_it_sees_one() -> None:
    rig = parse_rig(
        '[rig]\nname = "R"\n[[channel]]\nid = "voice"\nconsole = 1\n[[bus]]\nid = "kit"\n'
        'console = 1\n[[bus]]\nid = "front"\nconsole = 2\n[[performer]]\nid = "ines"\n'
        'buses = ["kit"]\nmay_touch = ["send level"]\nsend_ceiling_db = -6\nwindow_db = 3\n'
        '[console]\nmap = "desk.toml"\nsend = "udp://192.0.2.10:9000"\n', "r.toml")  # fmt: skip
    oracle, layout = Oracle(rig), rig.layout
    own, foreign = (layout.slot(Parameter.SEND_LEVEL, 0, bus) for bus in (0, 1))
    assert oracle.breach(0, foreign, -20, -30, -20)
    assert oracle.breach(0, layout.slot(Parameter.BUS_MASTER, -1, 0), -20, -30, -20)
    assert oracle.breach(0, own, -20, -5, -20) and oracle.breach(0, own, -20, -16, -20)
    assert oracle.breach(0, own, -20, -17, -20) == ""

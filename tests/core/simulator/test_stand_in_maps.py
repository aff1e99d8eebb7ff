"""The stand-in and the witness's header with every shipped console map."""

from __future__ import annotations

import math
from bisect import bisect_right
from pathlib import Path

import pytest

from bridge.maps.console import ConsoleNames, ConsoleWords
from bridge.maps.load import parse_map
from bridge.rig.layout import KINDS, Kind, Parameter
from bridge.rig.rig import Rig, parse_rig
from bridge.simulator.facts import LEVELS, Road, facts_from
from bridge.simulator.recording import facts_of, header_of, lines_of, text_of
from bridge.simulator.scales import scales, widest_step
from bridge.simulator.stand_in import StandIn, random_levels
from bridge.simulator.witness import Witness

MAPPINGS = Path(__file__).parents[3] / "mappings"
CONSOLES = sorted(path.stem for path in MAPPINGS.glob("console-*.toml"))
RIG = """
[rig]
name = "Ferry Lane, room 2"
[limits]
send_ceiling_db = 0
rise_db_per_s = 8
[[channel]]
id = "drums"
console = 1
[[channel]]
id = "accordion"
console = 2
[[bus]]
id = "kit"
console = 1
auto_open = true
send_ceiling_db = -3
rise_db_per_s = 4
[[bus]]
id = "wedge"
console = 2
master_ceiling_db = -6
[console]
map = "any.toml"
send = "udp://192.0.2.10:9000"
listen = "udp://:9001"
channel_mute_cuts = ["pre", "post"]
messages_per_s = 200
"""


@pytest.fixture(name="rig")
def _rig() -> Rig:
    return parse_rig(RIG, "ferry.toml")


def _both_ends(name: str, rig: Rig) -> tuple[ConsoleWords, ConsoleWords]:
    map_file = parse_map((MAPPINGS / f"{name}.toml").read_text(encoding="utf-8"), name)
    names = ConsoleNames.counted(rig.layout)
    bridge = ConsoleWords(map_file, rig.layout, names)
    return bridge, ConsoleWords(map_file, rig.layout, names, end="console")


@pytest.mark.parametrize("name", CONSOLES)
def test_what_the_bridge_says_is_what_the_stand_in_holds(name: str, rig: Rig) -> None:
    bridge, console_end = _both_ends(name, rig)
    console = StandIn(console_end, rig.layout, lambda line: None)
    for slot, value in random_levels(rig.layout, bridge.can_set, 11).items():
        for data in bridge.encode(slot, value):
            console.receive(data, 1.0)
        assert console.values[slot] == bridge.held(slot, value), rig.layout.name(slot)


@pytest.mark.parametrize("name", CONSOLES)
def test_what_the_stand_in_tells_is_what_it_holds(name: str, rig: Rig) -> None:
    bridge, console_end = _both_ends(name, rig)
    left = random_levels(rig.layout, console_end.can_read, 12)
    console = StandIn(console_end, rig.layout, lambda line: None, power_on=left)
    told: dict[int, float] = {}
    asked = [data for slot in sorted(bridge.can_read) for data in bridge.ask(slot)]
    for data in [*bridge.ask_all, *asked]:
        for answer in console.receive(data, 1.0):
            told.update(one for one in bridge.decode(answer) if one[0] >= 0)
    for slot, value in told.items():
        assert value == pytest.approx(console.values[slot], abs=1e-4), rig.layout.name(slot)
    assert set(told) == (bridge.can_read if bridge.ask_all or asked else set())


@pytest.mark.parametrize("name", CONSOLES)
def test_a_probe_is_answered_where_the_map_has_one(name: str, rig: Rig) -> None:
    bridge, console_end = _both_ends(name, rig)
    console = StandIn(console_end, rig.layout, lambda line: None)
    answers = [answer for data in bridge.probe for answer in console.receive(data, 1.0)]
    lives = [one for answer in answers for one in bridge.decode(answer)]
    assert bool(lives) == bool(bridge.probe)


@pytest.mark.parametrize("name", CONSOLES)
def test_the_witness_knows_every_step_of_a_coarse_control(name: str, rig: Rig) -> None:
    """A step up from any level that the console can hold is on the scale, to the next one."""
    bridge, _ = _both_ends(name, rig)
    levels = [slot for parameter in LEVELS for slot in rig.layout.slots(parameter)
              if slot in bridge.can_set]  # fmt: skip
    known, scale_of = scales(bridge.held, levels, floor_db=-60.0, top_db=10.0)
    for slot in levels:
        top_db = bridge.held(slot, 10.0)
        for tenth in range(-599, int(top_db * 10), 3):
            held = bridge.held(slot, tenth / 10)
            if slot not in scale_of:
                assert tenth / 10 - held <= 0.01, rig.layout.name(slot)
            elif held > -60.0:
                scale = known[scale_of[slot]]
                assert scale[bisect_right(scale, held + 1e-6) - 1] == pytest.approx(held, abs=1e-6)
                assert widest_step(scale, held, tenth / 10) == 0.0


def test_a_fine_control_that_ends_below_the_top_is_not_coarse() -> None:
    assert scales(lambda slot, level: min(level, 6.0), [1], floor_db=-60.0, top_db=10.0) == ((), {})


def test_a_seven_bit_control_is_coarse_and_a_float_is_not(rig: Rig) -> None:
    for name, coarse in (("console-midi-7bit", True), ("console-osc-position", False)):
        assert bool(facts_from(rig, _both_ends(name, rig)[0], [0.0] * rig.layout.size).scales) is (
            coarse
        )


@pytest.mark.parametrize("name", CONSOLES)
def test_the_header_says_what_the_rig_declares(name: str, rig: Rig) -> None:
    bridge, console_end = _both_ends(name, rig)
    console = StandIn(console_end, rig.layout, lambda line: None)
    facts = facts_from(rig, bridge, console.values, Road(delay_s=0.05, news_s=0.01))
    assert facts.send_ceiling_db == (-3.0, 0.0)
    assert facts.master_ceiling_db == (0.0, -6.0)
    assert facts.rise_db_per_s == (4.0, 8.0)
    assert facts.auto_open == (True, False)
    assert facts.mute_cuts == {"pre", "post"}
    assert (facts.delay_s, facts.news_s) == (0.05, 0.05)
    assert (facts.messages_per_s, facts.bytes_per_s) == (200.0, bridge.bytes_per_s)
    assert facts_of(next(lines_of([text_of(header_of(facts))]))) == facts


@pytest.mark.parametrize("name", CONSOLES)
def test_a_bridge_at_the_permitted_speed_is_green_and_at_double_speed_red(
    name: str, rig: Rig
) -> None:
    """The words are rounded by the map; a coarse control is told when its next step is due."""
    for speed, red in ((1.0, False), (2.0, True)):
        bridge, console_end = _both_ends(name, rig)
        master = next(slot for slot in rig.layout.slots(Parameter.BUS_MASTER))
        console = StandIn(console_end, rig.layout, lambda line: None)
        facts = facts_from(rig, bridge, console.values, cold=False)
        witness = Witness(header_of(facts))
        console = StandIn(console_end, rig.layout, witness.feed)
        for tick in range(600):
            level_db = min(-10.0, -60.0 + 4.0 * speed * 0.02 * tick)
            for data in bridge.encode(master, level_db):
                console.receive(data, tick * 0.02)
        findings = witness.findings()
        assert bool(findings.counts.get("slew")) is red, findings.text()
        assert set(findings.counts) <= {"slew"}, findings.text()


def test_every_level_of_a_stand_in_that_is_left_alone_is_off(rig: Rig) -> None:
    _, console_end = _both_ends("console-osc-position", rig)
    console = StandIn(console_end, rig.layout, lambda line: None)
    for parameter, (kind, _) in KINDS.items():
        if kind is Kind.LEVEL:
            assert all(console.values[slot] == -math.inf for slot in rig.layout.slots(parameter))

"""The stand-in's air: its own paths, against the survey's couplings, and what rings."""

from __future__ import annotations

import math

import numpy as np
import pytest

from bridge.rig.rig import Rig, parse_rig
from bridge.simulator.air import Air, pan_gain, shuffled
from bridge.simulator.boxes import loads
from bridge.simulator.facts import stage_from
from bridge.simulator.paths import BOTH, LEFT, RIGHT, coupling, paths
from bridge.simulator.stages import random_mix, random_stage
from bridge.stage.survey import survey

FULL = """
[rig]
name = "Ferry Lane, everything declared"
[stage]
nominal_dbu = 4
temperature_c = 31
[[channel]]
id = "click"
console = 1
[[channel]]
id = "voice"
console = 2
[[channel]]
id = "bass"
console = 3
[[bus]]
id = "wide"
console = 1
width = "stereo"
[[bus]]
id = "floor"
console = 2
tap = "post"
[[bus]]
id = "ears"
console = 3
[[performer]]
id = "maud"
buses = ["wide"]
[[performer]]
id = "ines"
buses = ["ears"]
[[microphone]]
channel = "bass"
a = 0.4
at = [1, 2, 0.6]
aim_at = [1, 3, 0.9]
nominal_spl_db = 101
[[microphone]]
channel = "voice"
pattern = "supercardioid"
at = [0, 0, 1.6]
aim_deg = [10, -5]
nominal_spl_db = 96
[[loudspeaker]]
id = "l"
bus = "wide"
side = "left"
active = true
at = [1.4, -1, 0.2]
aim_at = [0, 0.4, 1.6]
spl_1m_db = 97
max_spl_db = 118
[[loudspeaker]]
id = "r"
bus = "wide"
side = "right"
active = true
at = [-1.3, -1.1, 0.2]
aim_at = [0, 0.4, 1.6]
spl_1m_db = 98
coverage_deg = 60
[[loudspeaker]]
id = "middle"
bus = "wide"
active = true
at = [0, -3, 2.4]
aim_deg = [0, -20]
spl_1m_db = 90
[[loudspeaker]]
id = "first"
bus = "floor"
active = false
at = [2, 1, 0.2]
aim_at = [1, 2.5, 1.5]
sensitivity_db = 94
impedance_ohm = 8
power_w = 250
rear_db = -8
[[loudspeaker]]
id = "second"
bus = "floor"
active = false
at = [3, 1, 0.2]
aim_at = [1, 2.5, 1.5]
sensitivity_db = 96
impedance_ohm = 8
max_spl_db = 121
[[loudspeaker]]
id = "unknown"
bus = "floor"
active = false
at = [4, 1, 0.2]
aim_at = [1, 2.5, 1.5]
sensitivity_db = 96
[[ear]]
performer = "maud"
at = [0, 0.2, 1.65]
most_db = 96
[[ear]]
performer = "ines"
at = [1.2, 2.9, 1.3]
most_db = 94
in_ears = { bus = "ears", nominal_spl_db = 92, seal_db = 14 }
[[amplifier]]
id = "amp"
power_8_ohm_w = 400
power_4_ohm_w = 650
least_ohm = 4
gain_db = 31
[[line]]
from = { bus = "floor" }
to = { amplifier = "amp", input = 2 }
cable = "signal"
length_m = 12
[[line]]
from = { amplifier = "amp", output = 2 }
to = { loudspeaker = "first" }
cable = "loudspeaker"
length_m = 10
mm2 = 2.5
[[line]]
from = { loudspeaker = "first" }
to = { loudspeaker = "second" }
cable = "loudspeaker"
length_m = 3
mm2 = 2.5
[console]
map = "console.toml"
send = "udp://192.0.2.10:9000"
"""


def full() -> Rig:
    return parse_rig(FULL, "full.toml")


RIGS = [full(), *(random_stage(seed) for seed in range(25))]


@pytest.mark.parametrize("rig", RIGS, ids=lambda rig: rig.file.rig.name)
def test_the_witness_and_the_bridge_work_out_the_same_stage_in_different_code(rig: Rig) -> None:
    found, shape = survey(rig), (len(rig.file.channel), len(rig.file.bus))
    for amplitudes, theirs in ((False, found.powers), (True, found.amplitudes)):
        ours = np.array(coupling(paths(rig), shape, amplitudes=amplitudes))
        np.testing.assert_allclose(ours, theirs, rtol=1e-9)
    own = list(loads(rig))
    assert [(one.rule, one.what) for one in own] == [(b.rule, b.what) for b in found.burdens]
    for one, burden in zip(own, found.burdens, strict=True):
        np.testing.assert_allclose(one.weights, burden.weights, rtol=1e-9)
        assert one.most == pytest.approx(burden.most, rel=1e-9)


def test_a_loudspeaker_of_unknown_level_has_no_path_and_a_line_input_no_row() -> None:
    ways = paths(full())
    assert len(ways) == 2 * 5
    assert {way.channel for way in ways} == {1, 2}
    assert coupling(ways, (3, 3), amplitudes=True)[0] == (0.0, 0.0, 0.0)


def test_ring_marks_replace_what_was_computed_and_the_lowest_counts() -> None:
    stage = stage_from(full(), [(1, 0, -3.0), (1, 0, -5.0), (1, 0, -4.0)])
    assert stage is not None
    assert stage.coupling[1][0] == pytest.approx(10.0**0.5)
    assert stage.post == (False, True, False)


def test_a_mix_rings_just_above_its_reserve_and_not_just_below() -> None:
    for seed in range(12):
        rig = random_stage(seed)
        air, mix = Air(rig, seed), np.array(random_mix(rig, seed))
        reserve_db, hz = air.reserve_db(mix)
        assert air.ringing(mix + reserve_db - 0.01) == []
        found = air.ringing(mix + reserve_db + 0.01)
        assert found and found[0][2] == pytest.approx(hz, abs=0.01)


def test_the_loop_that_rings_is_named() -> None:
    rig = random_stage(3)
    air = Air(rig)
    levels = np.full(air.shape, -math.inf)
    levels[2, 1] = air.ring_level_db(2, 1)[0] + 0.1
    found = air.ringing(levels)
    assert [(channel, bus) for channel, bus, _ in found] == [(2, 1)]
    assert found[0][2] == pytest.approx(air.ring_level_db(2, 1)[1], rel=0.01)


def test_what_no_microphone_hears_never_rings() -> None:
    air = Air(full())
    assert air.ring_level_db(0, 0)[0] == math.inf and math.isnan(air.ring_level_db(0, 0)[1])
    assert air.ring_level_db(1, 2)[0] == math.inf
    levels = np.full((3, 3), -math.inf)
    levels[0], levels[:, 2] = 60.0, 60.0
    assert air.ringing(levels) == []


def test_without_a_stage_nothing_rings() -> None:
    text = FULL.split("[stage]")[0] + FULL[FULL.index("[console]") :]
    text += '[[channel]]\nid = "a"\nconsole = 1\n[[bus]]\nid = "b"\nconsole = 1\n'
    air = Air(parse_rig(text, "none.toml"))
    assert air.ringing([[90.0]]) == []
    assert air.reserve_db([[90.0]])[0] == math.inf


def test_a_pan_moves_a_ring_from_one_side_to_the_other() -> None:
    rig = full()
    ways = [way for way in paths(rig) if way.channel == 1 and way.bus == 0]
    alone = {way.side: -20.0 * math.log10(abs(way.gain)) for way in ways}
    air = Air(rig, ways=[way for way in ways if way.side != BOTH])
    levels, pans = np.full((3, 3), -math.inf), np.zeros((3, 3))
    levels[1, 0] = 0.0
    for pan, side in ((-1.0, LEFT), (1.0, RIGHT)):
        pans[1, 0] = pan
        assert air.reserve_db(levels, pans)[0] == pytest.approx(alone[side], abs=1e-6)


def test_pans_are_of_equal_power() -> None:
    for pan in np.linspace(-1.0, 1.0, 9):
        left, right = float(pan_gain(pan, LEFT)), float(pan_gain(pan, RIGHT))
        assert left**2 + right**2 == pytest.approx(1.0)
    assert 20.0 * math.log10(float(pan_gain(0.0, LEFT))) == pytest.approx(-3.0103, abs=1e-4)
    assert float(pan_gain(-1.0, BOTH)) == 1.0


def test_a_seed_changes_phases_and_never_sizes() -> None:
    ways = paths(full())
    other = shuffled(ways, 7)
    assert other == shuffled(ways, 7) != shuffled(ways, 8)
    assert [abs(way.gain) for way in other] == [abs(way.gain) for way in ways]
    assert all(0.0 <= b.delay_s - a.delay_s <= 0.010 for a, b in zip(ways, other, strict=True))

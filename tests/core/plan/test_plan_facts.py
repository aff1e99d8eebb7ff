"""What a plan says of a rig, against figures worked out by hand."""

from __future__ import annotations

import json
import math

import pytest
from plan_rigs import (
    AMPLIFIERS,
    EARS,
    HEAD,
    LINES,
    LOUDSPEAKERS,
    MICROPHONES,
    STAGE,
    WHOLE,
    rig_of,
)  # fmt: skip

from bridge.plan import mixes
from bridge.plan.facts import Plan, data, plan_of
from bridge.stage import exposure
from bridge.stage import survey as surveys

ONE = """\
[rig]
name = "One voice"
[console]
map = "console.toml"
send = "udp://192.0.2.10:9000"
[[channel]]
id = "voice"
console = 1
[[bus]]
id = "front"
console = 1
start_db = -40
nominal_db = -10
start_mix = { voice = -6 }
[stage]
margin_db = 6
[[microphone]]
channel = "voice"
at = [0, 1, 1]
aim_deg = [0, 0]
a = 0.5
nominal_spl_db = 94
[[loudspeaker]]
id = "wedge"
bus = "front"
at = [0, 0, 1]
aim_deg = [0, 0]
active = true
spl_1m_db = 88
"""
"""A wedge 1 m straight behind a cardioid, aimed at it: nothing but the null (25 dB deep) and the
levels count: coupling 88 - 25 - 94 = -31 dB."""


@pytest.fixture(scope="module")
def whole() -> Plan:
    return plan_of(rig_of())


def mix_of(plan: Plan, name: str) -> mixes.Mix:
    return next(mix for mix in plan.mixes if mix.name == name)


def test_a_wedge_in_the_null_couples_by_levels_and_null_depth_alone() -> None:
    plan = plan_of(rig_of(ONE))
    assert plan.couplings[0][0].level_db == pytest.approx(-31.0, abs=1e-9)
    assert plan.couplings[0][0].worst == "W1"
    worst = plan.scene.microphones[0].worst
    assert worst is not None and worst.distance_m == pytest.approx(1.0)
    assert worst.off_axis_deg == pytest.approx(180.0)


def test_headroom_is_what_one_loop_is_below_zero() -> None:
    plan = plan_of(rig_of(ONE))
    assert mix_of(plan, "start").headroom_db == pytest.approx(31.0 + 6.0 + 40.0, abs=1e-6)
    assert mix_of(plan, "show").headroom_db == pytest.approx(31.0 + 6.0 + 10.0, abs=1e-6)
    assert mix_of(plan, "show").open_microphones == (1.0,)


def test_ceilings_leave_exactly_the_margin() -> None:
    """One loop: send + master = 31 - 6 = 25 dB at the margin."""
    show = mix_of(plan_of(rig_of(ONE)), "show")
    assert show.masters[0].stage_db == pytest.approx(25.0 + 6.0, abs=1e-6)
    assert show.sends[0][0].stage_db == pytest.approx(25.0 + 10.0, abs=1e-6)
    assert show.masters[0].rig_db == show.masters[0].level_db == 0.0
    assert not show.masters[0].stage_binds


def test_amplitudes_count_the_same_for_one_loop_and_cost_twice_for_two() -> None:
    """N equal microphones cost 10 log10 N in powers and 20 log10 N in amplitudes."""
    twin = ONE.replace('[[bus]]', '[[channel]]\nid = "twin"\nconsole = 2\n[[bus]]').replace(
        "{ voice = -6 }", "{ voice = -6, twin = -6 }"
    ) + (
        '[[microphone]]\nchannel = "twin"\nat = [0, 1, 1]\naim_deg = [0, 0]\na = 0.5\n'
        "nominal_spl_db = 94\n"
    )  # fmt: skip
    worst = ("margin_db = 6", 'margin_db = 6\nbound = "amplitude"')
    one = mix_of(plan_of(rig_of(ONE, worst)), "show")
    assert one.headroom_db == pytest.approx(47.0, abs=1e-6)
    assert one.masters[0].stage_db == pytest.approx(31.0, abs=1e-6)
    assert mix_of(plan_of(rig_of(twin)), "show").headroom_db == pytest.approx(47.0 - 3.0103)
    both = mix_of(plan_of(rig_of(twin, worst)), "show")
    assert both.headroom_db == pytest.approx(47.0 - 6.0206, abs=1e-4)
    assert both.open_microphones[0] == pytest.approx(2.0)


def test_a_mix_past_the_margin_is_said_and_nothing_may_rise() -> None:
    loud = ("spl_1m_db = 88", "spl_1m_db = 132")
    plan = plan_of(rig_of(ONE, loud))
    show = mix_of(plan, "show")
    assert show.headroom_db == pytest.approx(3.0, abs=1e-6) and not show.within
    assert show.masters[0].stage_db == pytest.approx(-10.0, abs=1e-6)
    assert mix_of(plan, "start").within
    assert [text for text in plan.warnings if "the show mix has 3.0 dB of headroom" in text]


def test_turning_a_master_to_its_ceiling_brings_the_stage_to_the_margin() -> None:
    """The founder's rule asked again from outside: a new rig with that master, counted anew."""
    plan = plan_of(rig_of())
    ceiling = mix_of(plan, "show").masters[2].stage_db
    assert ceiling is not None and plan.buses[2] == "Tomas and Bela"
    loud = WHOLE.replace("master_ceiling_db = 0", "master_ceiling_db = 20").replace(
        'id = "left"\nlabel = "Tomas and Bela"\nconsole = 3\nstart_db = -20\nnominal_db = -6',
        f'id = "left"\nlabel = "Tomas and Bela"\nconsole = 3\nstart_db = -20\n'
        f"nominal_db = {ceiling!r}",
    )
    assert mix_of(plan_of(rig_of(loud)), "show").headroom_db == pytest.approx(6.0, abs=1e-6)


def test_the_loudest_loop_stands_first_and_is_send_master_and_coupling_together() -> None:
    first, second = mix_of(plan_of(rig_of()), "show").loops[:2]
    assert (first.effective_db + first.coupling_db) == pytest.approx(first.gain_db)
    assert first.gain_db >= second.gain_db


def test_a_channel_without_a_microphone_has_no_row_and_is_named_as_left_out(whole: Plan) -> None:
    assert [mic.name for mic in whole.scene.microphones] == [
        "Bass drum", "Cymbals", "Double bass", "Accordion", "Voice"
    ]  # fmt: skip
    assert any("No [[microphone]] for Click" in text for text in whole.missing)


# -- ears ---------------------------------------------------------------------------------------


def test_a_level_at_an_ear_is_a_sum_of_powers_and_its_time_is_the_standards() -> None:
    """Ear 2 m in front of the wedge: 88 - 6.02 dB on axis, send and master -16 dB."""
    ear = '[[performer]]\nid = "maud"\nname = "Maud"\nbuses = ["front"]\n' \
          '[[ear]]\nperformer = "maud"\nat = [0, 2, 1]\n'  # fmt: skip
    loud = ("spl_1m_db = 88", "spl_1m_db = 116")
    plan = plan_of(rig_of(ONE + ear, loud))
    level = next(level for level in plan.exposed[0].levels if level.mix == "show")
    assert level.level_db == pytest.approx(116.0 - 6.0206 - 16.0, abs=1e-3)
    # NIOSH 98-126: T = 8 h / 2^((L - 85) / 3)
    hours = 8.0 / 2.0 ** ((level.level_db - 85.0) / 3.0)
    assert level.allowed_s == pytest.approx(hours * 3600.0)
    assert level.bus == "front" and level.bus_percent == pytest.approx(100.0)


def test_the_bus_that_adds_most_at_an_ear_is_named(whole: Plan) -> None:
    ines = whole.exposed[0]
    assert ines.name == "Ines" and all(level.bus == "Ines" for level in ines.levels)


def test_levels_at_the_ceilings_are_no_lower_than_those_of_the_show(whole: Plan) -> None:
    for ear in whole.exposed:
        show, most = ear.levels[1], ear.levels[2]
        assert (show.mix, most.mix) == ("show", "most")
        assert most.level_db >= show.level_db - 1e-9


def test_the_mix_at_the_ceilings_keeps_the_margin_and_every_ceiling() -> None:
    rig = rig_of()
    ground = mixes.air(rig, surveys.survey(rig))
    levels = mixes.effective_db(ground, "most")
    assert ground.headroom_db(levels) >= 6.0 - 1e-6
    assert levels.max() <= 3.0 + 1e-9  # send ceiling 3 dB, master ceiling 0 dB


def test_a_bus_without_a_start_mix_has_every_channel_at_its_ceiling() -> None:
    """One wedge: send 0 and master 0 dB by the rig's default ceilings, 25 dB below the margin."""
    rig = rig_of(ONE, ("start_mix = { voice = -6 }\n", ""))
    ground = mixes.air(rig, surveys.survey(rig))
    assert mixes.effective_db(ground, "show")[0, 0] == -math.inf
    assert mixes.effective_db(ground, "most")[0, 0] == pytest.approx(0.0)


def test_a_mix_louder_than_an_ear_may_have_is_a_warning() -> None:
    plan = plan_of(rig_of(WHOLE, ("most_db = 104", "most_db = 90")))
    assert any("Maud's ears" in text and "at most 90" in text for text in plan.warnings)


def test_the_standard_is_the_rigs() -> None:
    plan = plan_of(rig_of(WHOLE, ("mains_v = 230", 'mains_v = 230\nstandard = "eu-upper"')))
    assert plan.basis.standard == exposure.STANDARDS["eu-upper"].name


# -- partial rigs -------------------------------------------------------------------------------

PARTS = {
    "nothing": HEAD,
    "a stage alone": HEAD + STAGE,
    "microphones alone": HEAD + STAGE + MICROPHONES,
    "loudspeakers alone": HEAD + STAGE + LOUDSPEAKERS,
    "ears alone": HEAD + STAGE + EARS,
    "amplifiers alone": HEAD + STAGE + AMPLIFIERS,
    "no lines": HEAD + STAGE + MICROPHONES + LOUDSPEAKERS + EARS + AMPLIFIERS,
    "no microphones": HEAD + STAGE + LOUDSPEAKERS + EARS + AMPLIFIERS + LINES,
    "all": WHOLE,
}


@pytest.mark.parametrize("part", PARTS)
def test_data_is_json_without_nan_and_infinity_and_comes_back_the_same(part: str) -> None:
    said = data(plan_of(rig_of(PARTS[part])))
    assert json.loads(json.dumps(said, allow_nan=False)) == said


@pytest.mark.parametrize("part", ["nothing", "a stage alone", "microphones alone",
                                  "loudspeakers alone", "amplifiers alone"])  # fmt: skip
def test_without_loops_there_is_no_headroom_to_name_and_no_advice(part: str) -> None:
    plan = plan_of(rig_of(PARTS[part]))
    assert all(mix.headroom_db == math.inf for mix in plan.mixes)
    assert plan.advised.advice == ()
    assert all(ceiling.stage_db is None for mix in plan.mixes for ceiling in mix.masters)


def test_a_loudspeaker_whose_level_is_not_known_is_named_as_left_out() -> None:
    plan = plan_of(rig_of(PARTS["no lines"]))
    assert any("The level of Maud, left is not known" in text for text in plan.missing)
    assert plan.scene.loudspeakers[0].spl_1m_db is None


def test_what_hangs_overhead_is_a_caution_of_its_own() -> None:
    plan = plan_of(rig_of(WHOLE, ("at = [0.2, 3.7, 2.1]", "at = [0.2, 3.7, 2.8]")))
    assert plan.cautions[0].about == "Overhead on this stage"
    assert "Cymbals (2.8 m)" in plan.cautions[0].text


def test_every_caution_defers_to_somebody(whole: Plan) -> None:
    about = {each.about: each.text for each in whole.cautions}
    assert "hearing professional" in about["Hearing"]
    assert "licensed electrician" in about["Mains"] and "Local codes" in about["Mains"]
    assert "qualified technician" in about["Amplifiers and loads"]
    assert "qualified riggers" in about["Heights"] and "local rules" in about["Heights"]

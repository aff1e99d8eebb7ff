"""Amplifier channels, patch list and mains of a plan, against figures worked out by hand."""

from __future__ import annotations

import math

import pytest
from plan_rigs import AMPLIFIERS, HEAD, STAGE, WHOLE, rig_of

from bridge.plan.facts import Plan, plan_of
from bridge.plan.patch import AIR, CABLE, IN_EARS, Leg
from bridge.plan.power import Output, available_w
from bridge.rig.stage import Amplifier


@pytest.fixture(scope="module")
def whole() -> Plan:
    return plan_of(rig_of())


def output(plan: Plan, number: int) -> Output:
    return plan.outputs[number - 1]


def legs(plan: Plan, bus: str, kind: str) -> list[Leg]:
    route = next(route for route in plan.routes if route.bus == bus)
    return [leg for leg in route.legs if leg.kind == kind]


def test_two_boxes_of_8_ohm_are_4_and_may_dip_to_3_2(whole: Plan) -> None:
    """IEC 60268-5: the lowest impedance is 80 % of the rated one or more."""
    one = output(whole, 1)
    assert one.load_ohm == pytest.approx(4.0) and one.dip_ohm == pytest.approx(3.2)
    assert one.verdict == "warn" and "3.20" in one.reason
    assert [box.key for box in one.boxes] == ["W1", "W2"]


def test_clipping_is_the_voltage_of_the_plate_and_nominal_lies_below_it(whole: Plan) -> None:
    """400 W in 8 ohm are 56.57 V, 37.27 dBu; less 26 dB of gain is 11.27 dBu, 7.27 above +4."""
    one = output(whole, 1)
    assert one.clip_v == pytest.approx(math.sqrt(3200.0))
    dbu = 20.0 * math.log10(math.sqrt(3200.0) / math.sqrt(0.6)) - 26.0
    assert one.clip_dbu == pytest.approx(dbu) == pytest.approx(11.27, abs=0.01)
    assert one.below_clip_db == pytest.approx(dbu - 4.0)


def test_power_at_clip_is_no_more_than_the_plate_prints_for_that_load(whole: Plan) -> None:
    """By voltage alone 4 ohm would get 800 W; 700 are printed."""
    assert output(whole, 1).available_w == pytest.approx(700.0)


@pytest.mark.parametrize(("ohm", "watt"), [(8.0, 400.0), (16.0, 200.0), (4.0, 700.0),
                                           (6.0, 3200.0 / 6.0), (3.0, 3200.0 / 3.0)])  # fmt: skip
def test_power_into_loads_beside_the_printed_ones(ohm: float, watt: float) -> None:
    said = Amplifier(id="a", power_8_ohm_w=400.0, power_4_ohm_w=700.0, least_ohm=2.0)
    assert available_w(said, ohm) == pytest.approx(watt)


def test_a_load_below_the_least_is_refused_and_gets_no_power_named() -> None:
    plan = plan_of(rig_of(WHOLE, ("least_ohm = 4", "least_ohm = 8")))
    assert output(plan, 1).verdict == "refuse" and output(plan, 1).available_w is None
    assert any(join.fit == "refuse" and "4 ohm" in join.text for join in plan.joins)


def test_a_channel_with_nothing_on_it_is_listed_as_such(whole: Plan) -> None:
    three = output(whole, 3)
    assert (three.verdict, three.load_ohm, three.boxes) == ("nothing on it", None, ())


def test_amplifiers_alone_have_plates_and_no_loads() -> None:
    plan = plan_of(rig_of(HEAD + STAGE + AMPLIFIERS))
    assert [out.verdict for out in plan.outputs] == ["nothing on it"] * 3


def test_loss_and_damping_of_a_cable_are_ohms_law(whole: Plan) -> None:
    """20 m of 2.5 mm2, IEC 60228 class 5: 7.98 ohm/km, loop 0.3192 ohm."""
    box = next(box for box in output(whole, 2).boxes if box.key == "W3")
    loop = 2 * 20 * 7.98 / 1000.0
    assert box.damping == pytest.approx(8.0 / (8.0 / 300.0 + loop), rel=1e-6)
    assert box.length_m == 20.0
    assert box.nominal_w == pytest.approx(0.6 * 10.0 ** (30.0 / 10.0) / 8.0)  # +4 dBu and 26 dB


def test_nominal_power_lies_as_far_below_the_voltage_as_nominal_below_clip(whole: Plan) -> None:
    box, one = output(whole, 1).boxes[0], output(whole, 1)
    assert box.nominal_w is not None
    spare_db = 10.0 * math.log10(one.clip_v**2 / 8.0 / box.nominal_w)
    assert spare_db == pytest.approx(one.below_clip_db)


def test_wrong_joins_are_warnings_with_what_to_do(whole: Plan) -> None:
    wrong = [join for join in whole.joins if join.kind == "wrong cable"]
    assert len(wrong) == 1 and wrong[0].fit == "refuse" and "instrument" in wrong[0].text
    assert any(wrong[0].remedy in text for text in whole.warnings)


# -- patch list ---------------------------------------------------------------------------------


def test_a_route_follows_the_signal_from_console_to_ear(whole: Plan) -> None:
    found = [(leg.start, leg.end) for leg in legs(whole, "Maud", CABLE)]
    assert found == [
        ("the output of bus Maud", "input 1 of Monitor rack 1"),
        ("output 1 of Monitor rack 1", "Maud, left"),
        ("link-through of Maud, left", "Maud, right"),
    ]
    assert legs(whole, "Maud", CABLE)[2].joined == "parallel"
    assert [leg.end for leg in legs(whole, "Maud", AIR)] == ["E2 Maud"] * 2


def test_branches_are_listed_in_the_order_in_which_they_are_declared() -> None:
    """One bus into two inputs: first both signal lines, then each power output to its end."""
    text = WHOLE.replace('from = { bus = "left" }', 'from = { bus = "front" }')
    found = [leg.start for leg in legs(plan_of(rig_of(text)), "Maud", CABLE)]
    assert found == [
        "the output of bus Maud",
        "the output of bus Maud",
        "output 1 of Monitor rack 1",
        "link-through of Maud, left",
        "output 2 of Monitor rack 1",
        "link-through of Tomas",
    ]


def test_every_line_stands_in_the_patch_list_once() -> None:
    plan = plan_of(rig_of())
    lines = [leg.line for route in plan.routes for leg in route.legs if leg.kind == CABLE]
    assert sorted(line for line in lines if line is not None) == list(range(8))


def test_lines_that_no_bus_feeds_are_not_lost() -> None:
    cut = WHOLE.replace('from = { bus = "front" }\nto = { amplifier = "rack", input = 1 }\n'
                        'cable = "signal"\nlength_m = 15\nconnector = "3-pin, latching"\n'
                        "[[line]]\n", "")  # fmt: skip
    plan = plan_of(rig_of(cut))
    assert plan.routes[-1].bus == ""
    assert [leg.end for leg in plan.routes[-1].legs] == ["Maud, left", "Maud, right"]


def test_the_delay_is_the_way_through_the_air_by_the_speed_of_sound_on_that_stage(
    whole: Plan,
) -> None:
    """ISO 9613-1: 343.2 sqrt(T / 293.15) m/s; the stage has 22 degrees."""
    leg = legs(whole, "Maud", AIR)[0]
    away = math.dist((-0.6, 0.0, 0.25), (0.1, 1.1, 1.6))
    speed = 343.2 * math.sqrt((273.15 + 22.0) / 293.15)
    assert leg.length_m == pytest.approx(away)
    assert leg.delay_ms == pytest.approx(1000.0 * away / speed)


def test_in_ears_end_a_route_without_a_cable(whole: Plan) -> None:
    assert [leg.end for leg in legs(whole, "Ines", IN_EARS)] == ["E1 Ines"]


# -- mains --------------------------------------------------------------------------------------


def test_currents_add_and_a_continuous_load_asks_for_a_quarter_more(whole: Plan) -> None:
    """6.5 + 1.8 + 1.8 A; NFPA 70, 210.20(A): 125 % of a load that stays on three hours."""
    assert whole.mains.total_a == pytest.approx(10.1)
    assert whole.mains.total_va == pytest.approx(2323.0)
    assert whole.mains.needed_a == pytest.approx(12.625)
    assert whole.mains.fits is True and "licensed electrician" in whole.mains.reason


def test_a_device_that_is_too_small_is_a_warning() -> None:
    plan = plan_of(rig_of(WHOLE, ("device_a = 16", "device_a = 12")))
    assert plan.mains.fits is False
    assert any("mains: found 12.6 A needed" in text for text in plan.warnings)


def test_an_unknown_current_leaves_open_whether_the_device_is_rated_for_it() -> None:
    plan = plan_of(rig_of(WHOLE, ("mains_a = 6.5\n", "")))
    assert plan.mains.fits is None and plan.mains.unknown == ("Monitor rack 1",)
    assert any("No mains_a for Monitor rack 1" in text for text in plan.missing)

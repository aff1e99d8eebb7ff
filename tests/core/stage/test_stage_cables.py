"""Loudspeaker cables against standards' tables and printed examples."""

from __future__ import annotations

import math

import pytest

from bridge.stage.cables import (
    FEET_PER_M,
    FLEXIBLE_OHM_PER_KM,
    RIGID_OHM_PER_KM,
    Use,
    damping_factor,
    gauge_diameter_mm,
    gauge_ohm_per_km,
    line_verdict,
    longest_m,
    loop_ohm,
    loss_db,
    output_ohm,
    powers_w,
    section_ohm_per_km,
    warming,
)


def feet(number: float) -> float:
    return number / FEET_PER_M


@pytest.mark.parametrize(
    ("section", "flexible", "rigid"),
    [(0.75, 26.0, 24.5), (1.0, 19.5, 18.1), (2.5, 7.98, 7.41), (6.0, 3.30, 3.08)],
)
def test_sections_have_the_resistance_of_the_standard(
    section: float, flexible: float, rigid: float
) -> None:
    # IEC 60228 by mycableengineering.com; one heading there says minimum, the values are maxima.
    assert section_ohm_per_km(section) == flexible
    assert section_ohm_per_km(section, RIGID_OHM_PER_KM) == rigid


def test_no_table_value_lies_below_what_pure_copper_of_its_section_has() -> None:
    for table in (FLEXIBLE_OHM_PER_KM, RIGID_OHM_PER_KM):
        for section, resistance in table.items():
            assert resistance > 17.241 / section, section


@pytest.mark.parametrize(
    ("gauge", "diameter", "per_kft", "per_km"),
    [  # ASTM B258 formula (liquisearch); resistances of public tables (wp.1728.org and another)
        (10, 2.5882, 0.9988, 3.277),
        (12, 2.0525, 1.588, 5.211),
        (14, 1.6277, 2.525, 8.285),
        (18, 1.0237, 6.385, 20.95),
    ],
)
def test_gauges_follow_their_formula(
    gauge: int, diameter: float, per_kft: float, per_km: float
) -> None:
    assert gauge_diameter_mm(gauge) == pytest.approx(diameter, abs=1e-4)
    assert gauge_ohm_per_km(gauge) == pytest.approx(per_km, rel=1e-3)
    assert gauge_ohm_per_km(gauge) / FEET_PER_M == pytest.approx(per_kft, rel=1e-3)


@pytest.mark.parametrize(("gauge", "per_kft"), [(14, 3.07), (12, 1.93), (10, 1.21)])
def test_hot_solid_gauges_agree_with_the_code_tables(gauge: int, per_kft: float) -> None:
    # NEC chapter 9, table 8, 75 degrees C, uncoated copper, solid (voltdropcalc.com).
    assert gauge_ohm_per_km(gauge, 75.0) / FEET_PER_M == pytest.approx(per_kft, rel=0.005)


@pytest.mark.parametrize(
    ("gauge", "per_kft"), [(18, 7.95), (16, 4.99), (14, 3.14), (12, 1.98), (10, 1.24)]
)
def test_stranded_gauges_of_the_code_tables_read_2_percent_more(gauge: int, per_kft: float) -> None:
    # The same table, 7 wires.
    ratio = per_kft / (gauge_ohm_per_km(gauge, 75.0) / FEET_PER_M)
    assert 1.015 < ratio < 1.03


def test_hot_copper_resists_more() -> None:
    # 0.00393 per kelvin; the tables above give 1.93 / 1.588 = 1.2154.
    assert warming(75.0) == pytest.approx(1.2162, abs=5e-5)
    assert warming(75.0) == pytest.approx(1.93 / 1.588, rel=1e-3)
    assert warming(20.0) == 1.0


def test_40_feet_of_gauge_18_lose_half_a_decibel_into_8_ohm() -> None:
    # A loudspeaker maker's calculator notes say about half a dB.
    loop = loop_ohm(feet(40), gauge_ohm_per_km(18))
    assert loop == pytest.approx(0.5108, abs=5e-4)
    assert loss_db(8, loop) == pytest.approx(-0.538, abs=5e-4)


@pytest.mark.parametrize(
    ("length", "section", "loop", "at_8", "at_4"),
    [(30, 2.5, 0.4788, -0.505, -0.982), (20, 1.0, 0.780, -0.808, -1.547)],
)
def test_loss_of_metric_lines(
    length: float, section: float, loop: float, at_8: float, at_4: float
) -> None:
    found = loop_ohm(length, section_ohm_per_km(section))
    assert found == pytest.approx(loop, abs=1e-6)
    assert loss_db(8, found) == pytest.approx(at_8, abs=5e-4)
    assert loss_db(4, found) == pytest.approx(at_4, abs=5e-4)


@pytest.mark.parametrize(("section", "longest"), [(0.75, 9.12), (2.5, 29.70), (6.0, 71.82)])
def test_longest_line_for_half_a_decibel(section: float, longest: float) -> None:
    found = longest_m(8, section_ohm_per_km(section))
    assert found == pytest.approx(longest, abs=0.005)
    assert loop_ohm(found, section_ohm_per_km(section)) == pytest.approx(0.4740, abs=5e-5)


def test_powers_of_a_long_line_follow_ohms_law() -> None:
    # A power amplifier's manual, quoted in a forum: 24.5 V, 160 ft of gauge 10 at 0.00204 ohm per
    # foot of pair; it prints 72, 69 and 3 W.
    load, line = powers_w(24.5, 8, 160 * 0.00204)
    assert load + line == pytest.approx(72.09, abs=0.005)
    assert load == pytest.approx(69.26, abs=0.005)
    assert line == pytest.approx(2.83, abs=0.005)


def test_watts_a_foot_do_not_hold_for_thin_lines() -> None:
    # That manual's rule multiplies a loss per foot by the length and prints 12.27 W for gauge 16;
    # by Ohm's law it is 9.07 W, with 55.4 W left and -1.32 dB (stranded: 2.1 % above solid).
    resistance = loop_ohm(feet(160), gauge_ohm_per_km(16) * 1.021)
    load, line = powers_w(24.5, 8, resistance)
    assert load == pytest.approx(55.4, abs=0.1) and line == pytest.approx(9.07, abs=0.05)
    assert loss_db(8, resistance) == pytest.approx(-1.32, abs=0.005)


def test_both_conductors_count() -> None:
    # A forum counts one of the two: 3 ft of gauge 18 into 16 ohm, -0.0104 dB instead of -0.0208.
    loop = loop_ohm(feet(3), gauge_ohm_per_km(18))
    assert loss_db(16, loop) == pytest.approx(-0.0208, abs=5e-5)


def test_damping_factor_counts_amplifier_and_cable() -> None:
    # A hobby forum prints 40, 20 and 30.
    assert damping_factor(8, 0.01, 0.19) == pytest.approx(40.0)
    assert damping_factor(8, 0.01) == pytest.approx(800)
    assert damping_factor(4, 0.01, 0.19) == pytest.approx(20.0)
    assert damping_factor(8, 0.08, 0.19) == pytest.approx(29.63, abs=0.005)
    # An audio reference page prints 38: 24 ft there and back of gauge 16, 4.016 ohm/kft.
    assert damping_factor(4, output_ohm(4, 500), 0.024 * 4.016) == pytest.approx(38.3, abs=0.05)
    # A store blog prints 200 for 0.0318 ohm into 8 ohm, and 317 for 0.0252 ohm, which is right.
    assert damping_factor(8, 0.0318) == pytest.approx(251.6, abs=0.05)
    assert damping_factor(8, 0.0252) == pytest.approx(317, abs=0.5)
    assert damping_factor(8, 0.0) == math.inf


@pytest.mark.parametrize("use", [Use.INSTRUMENT, Use.MICROPHONE])
@pytest.mark.parametrize("length", [0.5, 6.0])
def test_instrument_and_microphone_cable_is_refused_on_a_loudspeaker(
    use: Use, length: float
) -> None:
    verdict = line_verdict(use, length, gauge_ohm_per_km(24), 4)
    assert not verdict.allowed
    assert verdict.reason == f"found {use} cable on a loudspeaker, expected loudspeaker cable"


def test_6_m_of_instrument_cable_would_lose_2_dB() -> None:
    # Several trade pages warn of it; the number is computed for a core of gauge 24 and a shield
    # that resists as much.
    verdict = line_verdict(Use.INSTRUMENT, 6, gauge_ohm_per_km(24), 4)
    assert verdict.loop_ohm == pytest.approx(1.01, abs=0.005)
    assert verdict.loss_db == pytest.approx(-1.96, abs=0.01)


def test_a_lossy_line_is_allowed_with_a_word_and_a_good_one_without() -> None:
    long = line_verdict(Use.LOUDSPEAKER, 30, section_ohm_per_km(2.5), 8)
    assert long.allowed and long.reason == "found a loss of 0.5 dB, expected 0.5 dB or less"
    assert line_verdict(Use.LOUDSPEAKER, 29, section_ohm_per_km(2.5), 8).reason == ""


def test_a_section_outside_of_the_table_is_refused_with_the_known_ones() -> None:
    with pytest.raises(ValueError, match=r"found 2, expected one of 0.5, 0.75, 1, 1.5, 2.5"):
        section_ohm_per_km(2.0)


@pytest.mark.parametrize("gauge", [-4, 41])
def test_a_gauge_outside_of_the_series_is_refused(gauge: int) -> None:
    with pytest.raises(ValueError, match="gauge, AWG"):
        gauge_diameter_mm(gauge)


@pytest.mark.parametrize("bad", [-1.0, math.nan, math.inf])
def test_lengths_and_resistances_that_are_none_are_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="length, m"):
        loop_ohm(bad, 19.5)
    with pytest.raises(ValueError, match="loop, ohm"):
        loss_db(8, bad)
    with pytest.raises(ValueError, match="load, ohm"):
        loss_db(bad, 0.1)


def test_a_temperature_that_melts_or_freezes_the_jacket_is_refused() -> None:
    with pytest.raises(ValueError, match="temperature"):
        gauge_ohm_per_km(12, math.nan)

"""A rig's tables as numbers: worked by hand, and against the stand-in's own arithmetic."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from support.stages import staged_text

from bridge.rig.rig import Rig, parse_rig
from bridge.simulator.paths import coupling, paths
from bridge.stage.survey import nominal_1m_db, nominal_w, spare, survey

RIGS = Path(__file__).parents[3] / "mappings" / "rigs"

PASSIVE = """
[[amplifier]]
id = "rack"
channels = 2
power_8_ohm_w = 400
least_ohm = 4
gain_db = 20
[[loudspeaker]]
id = "fill"
bus = "left"
active = false
at = [4.0, 4.0, 1.0]
aim_at = [0.0, 0.0, 1.0]
sensitivity_db = 97
impedance_ohm = 8
{more}
[[line]]
from = {{ bus = "left" }}
to = {{ amplifier = "rack", input = 1 }}
cable = "signal"
length_m = 10
[[line]]
from = {{ amplifier = "rack", output = 1 }}
to = {{ loudspeaker = "fill" }}
cable = "loudspeaker"
length_m = 10
mm2 = 2.5
"""


def staged(extra: str = "", **more: str) -> Rig:
    return parse_rig(staged_text(**more) + extra, "staged.toml")


def test_a_passive_loudspeaker_gives_what_its_amplifier_makes_of_nominal_level() -> None:
    rig = staged(PASSIVE.format(more=""))
    said = rig.file.loudspeaker[-1]
    # +4 dBu and 20 dB: 0.7746 V * 10^(24/20) = 12.28 V, in 8 ohm 18.84 W (0 dBu = sqrt(0.6) V)
    assert nominal_w(rig, said) == pytest.approx(0.6 * 10**2.4 / 8.0)
    assert nominal_1m_db(rig, said) == pytest.approx(97.0 + 10 * math.log10(18.84), abs=0.01)


def test_the_amplifier_clips_where_its_printed_power_says() -> None:
    rig = staged(PASSIVE.format(more=""))
    # 400 W in 8 ohm are 56.57 V; nominal is 12.28 V: 13.27 dB
    assert spare(rig, rig.file.loudspeaker[-1]) == pytest.approx(13.27, abs=0.01)


def test_what_the_loudspeaker_takes_may_be_less_than_what_the_amplifier_gives() -> None:
    rig = staged(PASSIVE.format(more="power_w = 100"))
    assert spare(rig, rig.file.loudspeaker[-1]) == pytest.approx(
        10 * math.log10(100 / 18.84), abs=0.01
    )


def test_a_loudspeaker_whose_level_nobody_knows_is_left_out() -> None:
    rig = staged(PASSIVE.format(more="").replace("sensitivity_db = 97\n", ""))
    found = survey(rig)
    assert found.loudspeakers[-1] is None
    np.testing.assert_array_equal(found.powers, survey(staged()).powers)


def test_in_ears_have_no_way_back_and_keep_the_stage_out() -> None:
    plain = survey(staged())
    assert not plain.powers[:, 2].any()
    ines = plain.ears[1]
    assert ines[2] == pytest.approx(10**9.5)
    sealed = staged_text().replace("nominal_spl_db = 95 }", "nominal_spl_db = 95, seal_db = 20 }")
    kept_out = survey(parse_rig(sealed, "sealed.toml")).ears[1]
    np.testing.assert_allclose(kept_out[:2], ines[:2] / 100.0)
    assert kept_out[2] == ines[2]


def test_of_a_stereo_bus_the_worst_pan_counts() -> None:
    """Two wedges that one microphone hears alike: by power as loud as one, in step 3.01 dB more."""
    wedges = "".join(
        f'[[loudspeaker]]\nid = "{side}"\nbus = "left"\nside = "{side}"\nactive = true\n'
        f"at = [{x}, 1.5, 1.6]\naim_at = [0.0, 0.0, 1.6]\nspl_1m_db = 90\n"
        for side, x in (("left", 0.8), ("right", -0.8))
    )
    text = staged_text().replace('label = "Tomas"', 'label = "Tomas"\nwidth = "stereo"')
    before = survey(parse_rig(text, "stereo.toml"))
    after = survey(parse_rig(text + wedges, "stereo.toml"))
    power = after.powers[0, 1] - before.powers[0, 1]
    amplitude = after.amplitudes[0, 1] - before.amplitudes[0, 1]
    assert amplitude**2 / power == pytest.approx(2.0)
    pans = np.linspace(0.0, math.pi / 2.0, 91)
    one = math.sqrt(power)
    assert max(np.cos(pans) * one + np.sin(pans) * one) == pytest.approx(amplitude, rel=1e-4)


@pytest.mark.parametrize("name", ["demo.toml", "stage-32.toml"])
def test_the_stand_in_computes_the_same_from_the_same_tables(name: str) -> None:
    rig = parse_rig((RIGS / name).read_text(), str(RIGS / name))
    found = survey(rig)
    ways, shape = paths(rig), found.powers.shape
    np.testing.assert_allclose(coupling(ways, shape, amplitudes=False), found.powers, rtol=1e-9)
    np.testing.assert_allclose(coupling(ways, shape, amplitudes=True), found.amplitudes, rtol=1e-9)

"""What the feedback bounds promise, against stages whose sound really goes round.

``pytest -s`` prints the distributions; ``tools/prediction.py`` prints them for any number of them.
"""

from __future__ import annotations

import importlib.util
import math
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from bridge.rig.rig import Rig, parse_rig
from bridge.simulator.air import Air
from bridge.simulator.loop import RATE_HZ, Loops, growths, struck

STAGES = 200
TOOL = Path(__file__).parents[2] / "tools" / "prediction.py"


def _tool() -> ModuleType:
    spec = importlib.util.spec_from_file_location("prediction", TOOL)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["prediction"] = module
    spec.loader.exec_module(module)
    return module


prediction = _tool()


def test_below_the_amplitude_bound_no_stage_ever_rings() -> None:
    cases = [prediction.case(seed) for seed in range(STAGES)]
    rates = prediction.grown(cases, [one.amplitude_db - 0.05 for one in cases])
    # A theorem: the spectral radius of a matrix is at most that of its amplitudes (Frobenius).
    assert (rates < 0.0).all(), [seed for seed in range(STAGES) if rates[seed] >= 0.0]


def test_the_true_ring_level_is_never_below_the_amplitude_bound_and_the_loop_rings_there() -> None:
    cases = [prediction.case(seed) for seed in range(STAGES)]
    true_db = np.array([one.true_db() for one in cases])
    print("\n" + prediction.report(cases, true_db))
    assert (true_db >= [one.amplitude_db - 1e-6 for one in cases]).all()
    above, below = (prediction.grown(cases, true_db + off_db) for off_db in (0.5, -0.5))
    assert (above > 0.0).all() and (below < 0.0).all()
    by_power = true_db - [one.power_db for one in cases]
    # No theorem, an envelope: the power bound is a mean over phases, and of all frequencies the
    # worst one rings; with 1 to 8 microphones that costs some decibels, never tens.
    assert -6.0 < by_power.mean() < 0.0 and by_power.min() > -10.0 and by_power.max() < 3.0


RIG = """
[rig]
name = "Ferry Lane, one voice"
[stage]
temperature_c = 20
[[channel]]
id = "voice"
console = 1
[[bus]]
id = "front"
console = 1
[[microphone]]
channel = "voice"
pattern = "{pattern}"
at = [0, 0, 1.5]
aim_deg = [{azimuth}, 0]
null_depth_db = -31
nominal_spl_db = 94
[[loudspeaker]]
id = "wedge"
bus = "front"
active = true
at = [0, {away}, 1.5]
coverage_deg = 360
spl_1m_db = 94
[console]
map = "console.toml"
send = "udp://192.0.2.10:9000"
"""


def one_voice(away: float, pattern: str = "omni", azimuth: float = 0.0) -> Rig:
    return parse_rig(RIG.format(away=away, pattern=pattern, azimuth=azimuth), "voice.toml")


C_20 = 343.2  # m/s at 20 degrees, ISO 9613-1


@pytest.mark.parametrize("away", [0.7, 1.0, 3.43, 6.0])
def test_one_microphone_and_one_wedge_ring_where_the_way_is_a_whole_number_of_waves(
    away: float,
) -> None:
    level_db, hz = Air(one_voice(away)).ring_level_db(0, 0)
    waves = hz * away / C_20
    assert waves == pytest.approx(round(waves), abs=1e-6) and round(waves) >= 1
    assert level_db == pytest.approx(20.0 * math.log10(away), abs=1e-9)


def test_what_grows_in_the_loop_stands_at_whole_numbers_of_waves() -> None:
    away = 3.432  # 10 ms: a ring every 100 Hz
    air = Air(one_voice(away))
    loops = Loops([struck(air, [[20.0 * math.log10(away) + 0.3]])])
    loops.listen(1.0)
    sound = loops.listen(2.0)[0]
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(sound.size)))
    hz = np.fft.rfftfreq(sound.size, 1.0 / RATE_HZ)
    for n in range(10, 31):
        near = (hz > 100.0 * n - 50.0) & (hz < 100.0 * n + 50.0)
        # The channel's high-pass turns the phase by up to 5 degrees here: 1.3 of 100 Hz.
        assert hz[near][spectrum[near].argmax()] == pytest.approx(100.0 * n, abs=1.5)


def test_twice_the_distance_gives_six_decibels() -> None:
    near, far = (Air(one_voice(away)).ring_level_db(0, 0)[0] for away in (1.2, 2.4))
    assert far - near == pytest.approx(20.0 * math.log10(2.0), abs=1e-9)
    # 1.3 dB above the near one's level only the near one grows, and 1.3 above the far one's both.
    for level_db, grows in ((near + 1.3, [True, False]), (far + 1.3, [True, True])):
        stages = [struck(Air(one_voice(away)), [[level_db]]) for away in (1.2, 2.4)]
        assert list(growths(stages) > 0.0) == grows


@pytest.mark.parametrize(
    ("pattern", "azimuth"),
    [
        ("cardioid", 180.0),  # null at the rear
        ("figure-8", 90.0),
        ("hypercardioid", math.degrees(math.acos(-1.0 / 3.0))),  # 0.25 + 0.75 cos = 0
    ],
)
def test_a_null_gives_its_depth(pattern: str, azimuth: float) -> None:
    front, null = (Air(one_voice(1.5, pattern, angle)).ring_level_db(0, 0)[0]
                   for angle in (0.0, azimuth))  # fmt: skip
    assert null - front == pytest.approx(31.0, abs=1e-9)


def test_a_rear_lobe_arrives_upside_down_and_rings_between_whole_numbers_of_waves() -> None:
    air = Air(one_voice(3.432, "figure-8", 180.0))
    level_db, hz = air.ring_level_db(0, 0)
    assert (hz / 100.0) % 1.0 == pytest.approx(0.5, abs=1e-6)
    assert list(growths([struck(air, [[level_db + off_db]]) for off_db in (-1.0, 1.0)]) > 0.0) == [
        False, True]  # fmt: skip


def test_a_wrong_delay_or_gain_would_be_seen() -> None:
    # Two wedges that meet in phase ring 6.02 dB earlier than each, in the loop as on paper.
    text = RIG.format(away=1.716, pattern="omni", azimuth=0.0)
    twin = '[[loudspeaker]]\nid = "twin"\nbus = "front"\nactive = true\nat = [0, -1.716, 1.5]\n' \
        "coverage_deg = 360\nspl_1m_db = 94\n[console]"  # fmt: skip
    air = Air(parse_rig(text.replace("[console]", twin), "twins.toml"))
    level_db, _ = air.ring_level_db(0, 0)
    assert level_db == pytest.approx(20.0 * math.log10(1.716 / 2.0), abs=1e-9)
    assert list(growths([struck(air, [[level_db + off_db]]) for off_db in (-0.5, 0.5)]) > 0.0) == [
        False, True]  # fmt: skip

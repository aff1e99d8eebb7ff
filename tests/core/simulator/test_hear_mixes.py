"""What is written of the mixes can be measured: levels, pans, gates, the air."""

from __future__ import annotations

import asyncio
import math
import wave
from pathlib import Path

import numpy as np
import pytest

from bridge.errors import LinkError
from bridge.rig.layout import Parameter
from bridge.rig.rig import Rig, parse_rig
from bridge.simulate import HEAR_S_MAX, SNAPSHOT_S, Simulation
from bridge.simulator import clock, hear
from bridge.simulator.facts import facts_from
from bridge.simulator.hear import NOMINAL_DBFS, RATE_HZ, Sound, heard, pcm_24, tones_hz
from bridge.simulator.recording import Facts
from bridge.simulator.stand_in import power_on_values

RIG = """
[rig]
name = "Ferry Lane, heard"
{stage}
[[channel]]
id = "voice"
console = 1
[[channel]]
id = "bass"
console = 2
[[bus]]
id = "front"
console = 1
[[bus]]
id = "wide"
console = 2
width = "stereo"
[console]
map = "console-osc-position.toml"
send = "udp://127.0.0.1:9000"
listen = "udp://127.0.0.1:9001"
"""
STAGE = """
[stage]
[[microphone]]
channel = "voice"
pattern = "omni"
at = [0, 0, 1.5]
nominal_spl_db = 94
[[loudspeaker]]
id = "wedge"
bus = "front"
active = true
at = [0, -1, 1.5]
coverage_deg = 360
spl_1m_db = 94
"""
FADER, SEND, ON = Parameter.CHANNEL_FADER, Parameter.SEND_LEVEL, Parameter.SEND_ON
TAP, PAN = Parameter.SEND_TAP, Parameter.SEND_PAN
MASTER, MUTE, SILENCE = Parameter.BUS_MASTER, Parameter.BUS_MUTE, Parameter.SILENCE


class Reach:
    """A console that has everything but a switch that opens a bus."""

    def __init__(self, rig: Rig) -> None:
        missing = set(rig.layout.slots(Parameter.BUS_OPEN))
        self.can_set = self.can_read = frozenset(set(rig.layout) - missing)
        self.bytes_per_s = self.messages_per_s = math.inf

    def held(self, slot: int, value: float) -> float:
        return value


def console(stage: str = "") -> tuple[Rig, Facts, list[float]]:
    rig = parse_rig(RIG.format(stage=stage), "heard.toml")
    values = power_on_values(rig.layout)
    for slot in (*rig.layout.slots(FADER), *rig.layout.slots(MASTER)):
        values[slot] = 0.0
    return rig, facts_from(rig, Reach(rig), values), values


def played(changes: dict[tuple[Parameter, int, int], float], stage: str = "") -> Sound:
    rig, facts, values = console(stage)
    for (parameter, channel, bus), value in changes.items():
        values[rig.layout.slot(parameter, channel, bus)] = value
    return heard(rig, facts, [values] * 20)


def level_db(samples: np.ndarray, hz: int) -> float:
    """Level of a tone re a full-scale sine, over the last half second: whole cycles."""
    late = samples[-RATE_HZ // 2 :].astype(np.float64)
    turned = np.exp(-2j * np.pi * hz * np.arange(late.size) / RATE_HZ)
    size = 2.0 * abs(late @ turned) / late.size
    return 20.0 * math.log10(size) if size > 0.0 else -math.inf


VOICE_HZ, BASS_HZ = tones_hz(2)


def test_a_tone_stands_at_its_effective_level() -> None:
    sound = played({(SEND, 0, 0): -7.3, (MASTER, -1, 0): -4.1, (SEND, 1, 0): -31.7,
                    (TAP, 1, 0): 1.0, (FADER, 1, -1): 2.5})  # fmt: skip
    front = sound.mixes[0][:, 0]
    assert level_db(front, VOICE_HZ) == pytest.approx(NOMINAL_DBFS - 11.4, abs=0.05)
    assert level_db(front, BASS_HZ) == pytest.approx(NOMINAL_DBFS - 31.7 - 4.1 + 2.5, abs=0.05)
    assert sound.scaled_db == 0.0


@pytest.mark.parametrize("pan", [-1.0, -0.5, 0.0, 0.7, 1.0])
def test_a_pan_is_of_equal_power(pan: float) -> None:
    sound = played({(SEND, 0, 1): -6.0, (PAN, 0, 1): pan})
    sides = [level_db(sound.mixes[1][:, side], VOICE_HZ) for side in (0, 1)]
    for side, part in zip(sides, (math.cos, math.sin), strict=True):
        gain = part((pan + 1.0) * math.pi / 4.0)
        if gain > 1e-9:
            assert side == pytest.approx(NOMINAL_DBFS - 6.0 + 20 * math.log10(gain), abs=0.05)
        else:
            assert side < -300.0
    assert sum(10 ** (side / 10) for side in sides) == pytest.approx(10**-2.6, rel=0.01)


@pytest.mark.parametrize(
    "gate",
    [
        {(MUTE, -1, 0): 1.0},
        {(ON, 0, 0): 0.0},
        {(SILENCE, -1, -1): 1.0},
        {(MASTER, -1, 0): -math.inf},
    ],
    ids=str,
)
def test_behind_a_closed_gate_there_is_digital_silence(
    gate: dict[tuple[Parameter, int, int], float],
) -> None:
    for stage in ("", STAGE):
        front = played({(SEND, 0, 0): -3.0} | gate, stage).mixes[0]
        assert pcm_24(front) == bytes(3 * front.size)


def test_a_channel_that_is_off_leaves_no_trace_of_its_tone() -> None:
    front = played({(SEND, 0, 0): 0.0}).mixes[0][:, 0]
    assert level_db(front, BASS_HZ) < -140.0


def test_a_level_that_changes_goes_straight_over_without_a_click() -> None:
    rig, facts, values = console()
    later = list(values)
    later[rig.layout.slot(SEND, 0, 0)] = 0.0
    front = heard(rig, facts, [values, later, later]).mixes[0][:, 0]
    size = round(SNAPSHOT_S * RATE_HZ)
    assert not front[:size].any()
    steps = np.abs(np.diff(front))
    steepest = 2.0 * math.pi * VOICE_HZ / RATE_HZ * 10.0 ** (NOMINAL_DBFS / 20.0)
    assert steps.max() <= steepest * 1.02
    louder = list(values)
    louder[rig.layout.slot(SEND, 0, 0)] = 6.0206
    front = heard(rig, facts, [later, louder]).mixes[0][:, 0]
    at = np.arange(2 * size)
    tone = 10.0 ** (NOMINAL_DBFS / 20.0) * np.sin(2.0 * math.pi * VOICE_HZ * at / RATE_HZ)
    expected = tone * (1.0 + np.clip((at - size + 1.0) / size, 0.0, 1.0))
    np.testing.assert_allclose(front, expected, atol=1e-5)


def test_what_would_clip_is_turned_down_together_and_said() -> None:
    changes = {(SEND, 0, 0): 10.0, (MASTER, -1, 0): 10.0, (SEND, 1, 0): 10.0, (SEND, 0, 1): 0.0}
    sound = played(changes)
    front, wide = sound.mixes
    assert np.abs(front).max() == pytest.approx(1.0) and sound.scaled_db < -5.0
    expected_db = NOMINAL_DBFS - 3.0103 + sound.scaled_db
    assert level_db(wide[:, 0], VOICE_HZ) == pytest.approx(expected_db, abs=0.05)


def test_with_a_stage_the_air_colours_the_tone_as_a_loop_does() -> None:
    quiet = played({(SEND, 0, 0): -40.0}, STAGE).mixes[0][:, 0]
    assert level_db(quiet, VOICE_HZ) == pytest.approx(NOMINAL_DBFS - 40.0, abs=0.1)
    # A loop of gain g and delay t: 1 / (1 - g e^(-jwt)); it rings at 0 dB, so -6 dB is half.
    near = played({(SEND, 0, 0): -6.0206}, STAGE).mixes[0][:, 0]
    turn = 2.0 * math.pi * VOICE_HZ
    through = 1.0 / (1.0 - 80.0j / VOICE_HZ)  # the channel's high-pass, 80 Hz
    loop = 0.5 * through * np.exp(-1j * turn / 343.2)
    expected_db = NOMINAL_DBFS - 6.0206 - 20.0 * math.log10(abs(1.0 - loop))
    assert level_db(near, VOICE_HZ) == pytest.approx(expected_db, abs=0.05)


def test_a_mix_beyond_its_ring_level_rings_until_the_channel_is_full() -> None:
    calm = played({(SEND, 0, 0): -1.0}, STAGE).mixes[0]
    ringing = played({(SEND, 0, 0): 1.0}, STAGE)
    assert np.abs(calm).max() < 0.95
    assert np.abs(ringing.mixes[0][-4800:]).max() > 0.95
    # The channel clips at full scale, so the mix stands 1 dB above it and is turned down by that.
    assert ringing.scaled_db == pytest.approx(-1.0, abs=0.01)


def test_every_channel_has_a_tone_of_its_own() -> None:
    tones = tones_hz(512)
    assert len(set(tones)) == 512 and min(tones) >= 220 and max(tones) < 4000
    assert len({round(hz / 5) for hz in tones[:32]}) == 32


def test_files_are_written_as_said(tmp_path: Path) -> None:
    mappings = Path(__file__).parents[3] / "mappings"
    rig = tmp_path / "heard.toml"
    text = RIG.format(stage="").replace("console-osc", str(mappings / "console-osc"))
    rig.write_text(text, encoding="utf-8")
    simulation = Simulation(rig, hear_s=1.0)
    layout = simulation.rig.layout
    values = simulation.stand_in.values
    for slot, value in ((layout.slot(SEND, 0, 0), -12.0), (layout.slot(MASTER, bus=0), 0.0)):
        values[slot] = value
    clock.run(simulation._listen(asyncio.Event()))
    assert len(simulation.looks) == 20
    said = simulation.write_sound(tmp_path / "sound")
    assert [line.rsplit(": ", 1)[1] for line in said] == ["front, 1.0 s", "wide, 1.0 s"]
    with wave.open(str(tmp_path / "sound" / "front.wav")) as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 3, RATE_HZ)
        data = np.frombuffer(file.readframes(file.getnframes()), np.uint8).reshape(-1, 3)
    whole = np.zeros((len(data), 4), np.uint8)
    whole[:, 1:] = data
    samples = whole.view("<i4")[:, 0] / 2.0**31
    assert level_db(samples, VOICE_HZ) == pytest.approx(NOMINAL_DBFS - 12.0, abs=0.05)
    with wave.open(str(tmp_path / "sound" / "wide.wav")) as file:
        assert file.getnchannels() == 2


def test_listening_ends_when_the_simulation_is_ended(tmp_path: Path) -> None:
    mappings = Path(__file__).parents[3] / "mappings"
    rig = tmp_path / "heard.toml"
    text = RIG.format(stage="").replace("console-osc", str(mappings / "console-osc"))
    rig.write_text(text, encoding="utf-8")
    simulation = Simulation(rig, hear_s=30.0)

    async def ended_after_one_second() -> None:
        stop = asyncio.Event()
        asyncio.get_running_loop().call_later(1.0, stop.set)
        await simulation._listen(stop)

    clock.run(ended_after_one_second())
    assert 19 <= len(simulation.looks) <= 21


@pytest.mark.parametrize("seconds", [-1.0, 61.0, math.nan])
def test_nobody_listens_for_ever(seconds: float) -> None:
    with pytest.raises(LinkError, match="--hear"):
        Simulation(Path("none.toml"), hear_s=seconds)


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    mappings = Path(__file__).parents[3] / "mappings"
    rig = tmp_path / "heard.toml"
    text = RIG.format(stage="").replace("console-osc", str(mappings / "console-osc"))
    rig.write_text(text, encoding="utf-8")
    with pytest.raises(LinkError, match="--hear-to"):
        Simulation(rig, hear_s=0.1).write_sound(rig / "below a file")


def test_the_command_and_the_sound_agree_on_their_bounds() -> None:
    assert (SNAPSHOT_S, HEAR_S_MAX) == (hear.SNAPSHOT_S, hear.HEAR_S_MAX)

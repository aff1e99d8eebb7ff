"""Invented stages from a seed: microphones, mixes and loudspeakers anywhere, aimed anyhow. Pure.

They are written as rig files and read as such, so that whoever computes with them starts from the
same text as a user does.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator

from bridge.rig.rig import Rig, parse_rig
from bridge.units import OFF

NEAREST_M = 0.5
"""Nobody puts a microphone nearer to a loudspeaker: 1.5 ms, a sound's way."""

_PATTERNS = ("omni", "subcardioid", "cardioid", "supercardioid", "hypercardioid", "figure-8")
_HEAD = """\
[rig]
name = "Invented stage {seed}"
[stage]
margin_db = 6
bound = "amplitude"
temperature_c = {temperature}
[console]
map = "console.toml"
send = "udp://192.0.2.10:9000"
"""

Place = tuple[float, float, float]


def random_stage(seed: int) -> Rig:
    """A stage of 1 to 8 microphones and 1 to 5 mixes of 1 to 3 loudspeakers each."""
    draw = random.Random(f"stage {seed}")
    channels, buses = draw.randint(1, 8), draw.randint(1, 5)
    boxes = [(b, n) for b in range(buses) for n in range(draw.randint(1, 3))]
    places = {box: _place(draw, (0.1, 2.2)) for box in boxes}
    text = [_HEAD.format(seed=seed, temperature=draw.randint(5, 35))]
    text += [f'[[channel]]\nid = "c{c}"\nconsole = {c + 1}\n' for c in range(channels)]
    text += [f'[[bus]]\nid = "b{b}"\nconsole = {b + 1}\n' for b in range(buses)]
    for c in range(channels):
        place = _clear_of(draw, list(places.values()))
        text.append(f'[[microphone]]\nchannel = "c{c}"\n' + "\n".join(_microphone(draw, place)))
    for (b, n), place in places.items():
        text.append(f'[[loudspeaker]]\nid = "l{b}-{n}"\nbus = "b{b}"\nactive = true\n'
                    + "\n".join(_loudspeaker(draw, place)))  # fmt: skip
    return parse_rig("\n".join(text) + "\n", f"stage-{seed}.toml")


def random_mix(rig: Rig, seed: int) -> list[list[float]]:
    """Effective levels for a stage, channels x buses, dB: three quarters of the sends are up."""
    draw = random.Random(f"mix {seed}")
    buses = len(rig.file.bus)
    mix = [[draw.uniform(-20.0, 0.0) if draw.random() < 0.75 else OFF for _ in range(buses)]
           for _ in rig.file.channel]  # fmt: skip
    mix[0][0] = 0.0
    return mix


def _place(draw: random.Random, heights: tuple[float, float]) -> Place:
    return (round(draw.uniform(-4.0, 4.0), 3), round(draw.uniform(-3.0, 3.0), 3),
            round(draw.uniform(*heights), 3))  # fmt: skip


def _clear_of(draw: random.Random, others: list[Place]) -> Place:
    while True:
        place = _place(draw, (0.3, 1.9))
        if all(math.dist(place, other) >= NEAREST_M for other in others):
            return place


def _aim(draw: random.Random) -> str:
    return f"aim_deg = [{draw.uniform(0.0, 360.0):.1f}, {draw.uniform(-60.0, 60.0):.1f}]"


def _microphone(draw: random.Random, place: Place) -> Iterator[str]:
    yield f"at = {list(place)}"
    yield _aim(draw)
    if draw.random() < 0.8:
        yield f'pattern = "{draw.choice(_PATTERNS)}"'
    else:
        yield f"a = {draw.random():.3f}"
    yield f"null_depth_db = {draw.uniform(-35.0, -15.0):.1f}"
    yield f"nominal_spl_db = {draw.uniform(85.0, 105.0):.1f}\n"


def _loudspeaker(draw: random.Random, place: Place) -> Iterator[str]:
    yield f"at = {list(place)}"
    yield _aim(draw)
    yield f"coverage_deg = {draw.choice((40.0, 60.0, 90.0, 120.0, 360.0))}"
    yield f"rear_db = {draw.uniform(-20.0, 0.0):.1f}"
    yield f"spl_1m_db = {draw.uniform(88.0, 100.0):.1f}\n"

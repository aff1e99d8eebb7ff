"""Every way that sound takes from a loudspeaker into a channel, worked out from a rig. Pure.

A path has a signed amplitude and a delay; powers and sums come later, so this is nearer to the air
than the couplings that it is compared with. From the tables' own definitions: a first-order
pattern ``A + B cos``, its null filled up to the declared depth, 6.02 dB a doubling of distance, a
lobe that is 6 dB down at its coverage angle. Direct sound only: no walls, no floor, no bodies.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from bridge.rig import stage as declared
from bridge.rig.rig import Rig
from bridge.simulator.boxes import arriving_db, between, front

BOTH, LEFT, RIGHT = range(3)

PRESSURE_PART = {
    "omni": 1.0,
    "subcardioid": 0.7,
    "cardioid": 0.5,
    "supercardioid": (math.sqrt(3.0) - 1.0) / 2.0,
    "hypercardioid": 0.25,
    "figure-8": 0.0,
}
"""A of ``A + B cos``, B is the rest (Eargle, The Microphone Book; supercardioid: the exact pattern
of the most energy from the front, Heller 2011)."""


@dataclass(frozen=True, slots=True)
class Path:
    """One loudspeaker heard by one microphone.

    Attributes:
        channel: Number of the channel, from 0.
        bus: Number of the bus, from 0.
        side: ``BOTH``, ``LEFT`` or ``RIGHT`` of the bus.
        gain: What the bus at unity makes in the channel, as an amplitude; below 0 where it
            arrives in a rear lobe, that is, upside down.
        delay_s: How long the sound is under way, s.
    """

    channel: int
    bus: int
    side: int
    gain: float
    delay_s: float


def sound_m_per_s(temperature_c: float) -> float:
    """Speed of sound: 343.2 m/s at 20 degrees, with the root of the temperature (ISO 9613-1)."""
    return 343.2 * math.sqrt((temperature_c + 273.15) / 293.15)


def paths(rig: Rig) -> tuple[Path, ...]:
    """All paths of a rig, by channel, bus and loudspeaker; none without a stage."""
    return tuple(_paths(rig)) if rig.file.stage is not None else ()


def _paths(rig: Rig) -> Iterator[Path]:
    channels = {channel.id: number for number, channel in enumerate(rig.file.channel)}
    buses = {bus.id: number for number, bus in enumerate(rig.file.bus)}
    assert rig.file.stage is not None
    speed = sound_m_per_s(rig.file.stage.temperature_c)
    for heard in sorted(rig.file.microphone, key=lambda heard: channels[heard.channel]):
        for box in sorted(rig.file.loudspeaker, key=lambda box: buses[box.bus]):
            level_db = arriving_db(rig, box, heard.at)
            if level_db is not None:
                amplitude = 10.0 ** ((level_db - heard.nominal_spl_db) / 20.0)
                yield Path(
                    channels[heard.channel],
                    buses[box.bus],
                    ("both", "left", "right").index(box.side),
                    amplitude * hearing(heard, box.at),
                    math.dist(heard.at, box.at) / speed,
                )


def hearing(heard: declared.Microphone, place: Sequence[float]) -> float:
    """How a microphone hears a place by direction: its front is 1, a rear lobe is below 0."""
    way = tuple(there - here for here, there in zip(heard.at, place, strict=True))
    a = PRESSURE_PART[heard.pattern] if heard.pattern is not None else float(heard.a or 0.0)
    response = a + (1.0 - a) * math.cos(between(front(heard), way))
    depth = 10.0 ** (heard.null_depth_db / 20.0)
    return math.copysign(max(abs(response), depth), response)


def coupling(
    ways: Iterable[Path], shape: tuple[int, int], *, amplitudes: bool
) -> tuple[tuple[float, ...], ...]:
    """Channels x buses: sums of powers, or of amplitudes, at the worst of all pans.

    A pan of equal power plays ``cos`` and ``sin`` of one angle: of powers the louder side alone is
    the most, of amplitudes in step the root of both squares.

    Args:
        ways: The paths.
        shape: Number of channels and of buses.
        amplitudes: Sum amplitudes, the worst case of all phases; else powers.
    """
    channels, buses = shape
    sides = [[[0.0, 0.0, 0.0] for _ in range(buses)] for _ in range(channels)]
    for way in ways:
        size = abs(way.gain)
        sides[way.channel][way.bus][way.side] += size if amplitudes else size * size
    worst = math.hypot if amplitudes else max
    return tuple(tuple(both + worst(left, right) for both, left, right in row) for row in sides)

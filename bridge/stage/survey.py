"""A rig's stage as numbers: couplings, levels at ears, what each bus may drive. Pure.

A bus at unity with every channel at nominal level is what all figures refer to. On a stereo bus
the worst of all pans counts. A pan of equal power plays ``cos`` and ``sin`` of one angle to the
sides: of powers the louder side alone is the most, of amplitudes in step the root of both squares.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from bridge.rig import stage as declared
from bridge.rig.rig import Rig
from bridge.stage import coupling, geometry, loads, patterns
from bridge.stage.geometry import Point
from bridge.stage.spectral import Array

EXPOSURE, AMPLIFIER = "exposure", "amplifier"


@dataclass(frozen=True, slots=True)
class Burden:
    """A sum over all buses that must not pass a limit.

    Attributes:
        rule: ``exposure`` or ``amplifier``.
        what: Whose ear or which loudspeaker.
        weights: What each bus at unity adds, one a bus.
        most: Limit of the sum, in the same unit.
    """

    rule: str
    what: str
    weights: tuple[float, ...]
    most: float


@dataclass(frozen=True, slots=True)
class Survey:
    """What a rig declares of its stage, ready to compute with.

    Attributes:
        microphones: One a channel, None without.
        loudspeakers: One a declared loudspeaker, None where its level is not known.
        powers: Coupling H as power ratios, channels x buses.
        amplitudes: The same as sums of amplitudes: the worst case of all phases.
        ears: Level at each ear when each bus puts out nominal level, as power re 0 dB SPL,
            ears x buses.
        burdens: What exposure and amplifiers allow.
    """

    microphones: tuple[coupling.Microphone | None, ...]
    loudspeakers: tuple[coupling.Loudspeaker | None, ...]
    powers: Array
    amplitudes: Array
    ears: Array
    burdens: tuple[Burden, ...]


def survey(rig: Rig) -> Survey:
    """Compute a rig's stage.

    Raises:
        ValueError: the geometry is impossible (two things at one place).
    """
    file = rig.file
    by_channel = {m.channel: microphone(m) for m in file.microphone}
    microphones = tuple(by_channel.get(channel.id) for channel in file.channel)
    loudspeakers = tuple(loudspeaker(rig, each) for each in file.loudspeaker)
    sides = [_sides(rig, bus.id, loudspeakers) for bus in file.bus]
    shape = len(microphones), len(sides)
    powers, amplitudes = np.zeros(shape), np.zeros(shape)
    for c, heard in enumerate(microphones):
        if heard is None:
            continue
        for b, side in enumerate(sides):
            powers[c, b] = _louder(side, heard, 10.0)
            amplitudes[c, b] = _louder(side, heard, 20.0)
    ears = np.array([[_at_ear(ear, bus.id, sides[b]) for b, bus in enumerate(file.bus)]
                     for ear in file.ear]).reshape(len(file.ear), len(sides))  # fmt: skip
    return Survey(microphones, loudspeakers, powers, amplitudes, ears, tuple(_burdens(rig, ears)))


def microphone(said: declared.Microphone) -> coupling.Microphone:
    """A declared microphone as the physics has it."""
    pattern = patterns.pattern(said.pattern) if said.pattern else patterns.explicit(said.a or 0.0)
    return coupling.Microphone(
        Point(*said.at), facing(said), pattern, said.nominal_spl_db, said.null_depth_db
    )


def loudspeaker(rig: Rig, said: declared.Loudspeaker) -> coupling.Loudspeaker | None:
    """A declared loudspeaker as the physics has it; None where its level is not known."""
    level_db = nominal_1m_db(rig, said)
    if level_db is None:
        return None
    return coupling.Loudspeaker(
        Point(*said.at), facing(said), level_db, said.coverage_deg, said.rear_db
    )


def facing(said: declared.Microphone | declared.Loudspeaker) -> Point:
    """The direction that something is aimed at; up where it has none (alike all around)."""
    at = Point(*said.at)
    if said.aim_at is not None:
        return geometry.aim_at(at, Point(*said.aim_at))
    return geometry.aim(*(said.aim_deg or (0.0, 90.0)))


def amplifier_of(rig: Rig, said: declared.Loudspeaker) -> tuple[declared.Amplifier, int] | None:
    """The amplifier that drives a loudspeaker and its channel, by the declared lines."""
    lines = {line.end.loudspeaker: line.start for line in rig.file.line if line.end.loudspeaker}
    name = said.id
    for _ in lines:  # a chain of link-throughs is no longer than all lines
        start = lines.get(name)
        if start is None:
            return None
        if start.amplifier is not None and start.output is not None:
            found = [a for a in rig.file.amplifier if a.id == start.amplifier]
            return (found[0], start.output) if found else None
        name = start.loudspeaker or ""
    return None


def plate(said: declared.Amplifier) -> loads.Amplifier:
    """A declared amplifier channel by its voltage: the largest that any printed power proves."""
    return loads.Amplifier(said.power_8_ohm_w, 8.0, min(said.least_ohm, 8.0), said.gain_db)


def nominal_w(rig: Rig, said: declared.Loudspeaker) -> float | None:
    """Power that a passive loudspeaker takes when its bus puts out nominal level, W."""
    driven = amplifier_of(rig, said)
    if said.active or said.impedance_ohm is None or driven is None or rig.file.stage is None:
        return None
    level_dbu = rig.file.stage.nominal_dbu + driven[0].gain_db
    volts = loads.DBU_V * 10.0 ** (level_dbu / 20.0)
    return float(volts * volts / said.impedance_ohm)


def nominal_1m_db(rig: Rig, said: declared.Loudspeaker) -> float | None:
    """Level at 1 m on axis when the bus puts out nominal level, dB SPL; None: not known.

    As declared, or from the sensitivity and what the amplifier makes of nominal level.
    """
    if said.spl_1m_db is not None:
        return said.spl_1m_db
    power = nominal_w(rig, said)
    if said.sensitivity_db is None or power is None:
        return None
    return said.sensitivity_db + 10.0 * math.log10(power)


_Sides = tuple[list[coupling.Loudspeaker], list[coupling.Loudspeaker], list[coupling.Loudspeaker]]


def _sides(rig: Rig, bus: str, known: tuple[coupling.Loudspeaker | None, ...]) -> _Sides:
    """The loudspeakers of a bus: on both sides, on the left one, on the right one."""
    sides: _Sides = ([], [], [])
    for said, each in zip(rig.file.loudspeaker, known, strict=True):
        if said.bus == bus and each is not None:
            sides[("both", "left", "right").index(said.side)].append(each)
    return sides


def _louder(sides: _Sides, heard: coupling.Microphone, per_ten: float) -> float:
    """What a bus brings into a microphone at the worst pan; powers (10) or amplitudes (20)."""

    def total(side: list[coupling.Loudspeaker]) -> float:
        levels = (s.level_db(heard.at) + coupling.heard_db(heard, s) for s in side)
        return float(sum(10.0 ** (level / per_ten) for level in levels))

    both, left, right = map(total, sides)
    return both + (max(left, right) if per_ten == 10.0 else math.hypot(left, right))


def _at_ear(ear: declared.Ear, bus: str, sides: _Sides) -> float:
    """Power that a bus brings to an ear, re 0 dB SPL."""
    at = Point(*ear.at)
    both, left, right = (sum(10.0 ** (s.level_db(at) / 10.0) for s in side) for side in sides)
    total = both + max(left, right)
    if ear.in_ears is None:
        return float(total)
    own = 10.0 ** (ear.in_ears.nominal_spl_db / 10.0) if ear.in_ears.bus == bus else 0.0
    return float(total * 10.0 ** (-ear.in_ears.seal_db / 10.0) + own)


def _burdens(rig: Rig, ears: Array) -> Iterator[Burden]:
    for ear, weights in zip(rig.file.ear, ears, strict=True):
        if ear.most_db is not None and weights.any():
            most = 10.0 ** (ear.most_db / 10.0)
            yield Burden(EXPOSURE, ear.performer, tuple(map(float, weights)), most)
    buses = [bus.id for bus in rig.file.bus]
    for said in rig.file.loudspeaker:
        spare_db = spare(rig, said)
        if spare_db < math.inf:
            weights = tuple(float(said.bus == bus) for bus in buses)
            yield Burden(AMPLIFIER, said.label or said.id, weights, 10.0 ** (spare_db / 10.0))


def spare(rig: Rig, said: declared.Loudspeaker) -> float:
    """How far a bus may pass nominal level before a loudspeaker or its amplifier is at its most.

    Returns:
        dB, the least of what is declared: the loudspeaker's greatest level, the power that it
        takes, and the amplifier's clipping; ``inf`` when nothing is.
    """
    spares = [math.inf]
    nominal_db, power = nominal_1m_db(rig, said), nominal_w(rig, said)
    if said.max_spl_db is not None and nominal_db is not None:
        spares.append(said.max_spl_db - nominal_db)
    if said.power_w is not None and power is not None:
        spares.append(10.0 * math.log10(said.power_w / power))
    driven = amplifier_of(rig, said)
    if driven is not None and rig.file.stage is not None:
        spares.append(plate(driven[0]).clip_input_dbu - rig.file.stage.nominal_dbu)
    return min(spares)

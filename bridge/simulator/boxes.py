"""What a rig's loudspeakers do at nominal level, worked out from its tables alone. Pure.

The witness may not share the arithmetic that it judges, so this reads the tables of
``bridge/rig/stage.py`` by itself and uses nothing of ``bridge/stage``.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from bridge.rig import stage as declared
from bridge.rig.rig import Rig
from bridge.simulator.stage_facts import Load

EXPOSURE, AMPLIFIER = "exposure", "amplifier"

DBU_VOLT = math.sqrt(0.6)
"""0 dBu: the voltage of 1 mW in 600 ohm (IEC 60268-2)."""

_EDGE_DB = -6.0
"""Level at the edge of a printed coverage angle."""


def level_1m_db(rig: Rig, box: declared.Loudspeaker) -> float | None:
    """Level at 1 m on axis with its bus at nominal level, dB SPL; None where nobody can tell."""
    if box.spl_1m_db is not None:
        return box.spl_1m_db
    watts = power_w(rig, box)
    if box.sensitivity_db is None or watts is None:
        return None
    return box.sensitivity_db + 10.0 * math.log10(watts)


def power_w(rig: Rig, box: declared.Loudspeaker) -> float | None:
    """Power into a passive loudspeaker with its bus at nominal level, W; None: nobody can tell."""
    case = case_of(rig, box)
    if box.active or box.impedance_ohm is None or case is None or rig.file.stage is None:
        return None
    volt = DBU_VOLT * 10.0 ** ((rig.file.stage.nominal_dbu + case.gain_db) / 20.0)
    return float(volt * volt / box.impedance_ohm)


def case_of(rig: Rig, box: declared.Loudspeaker) -> declared.Amplifier | None:
    """The amplifier at the other end of a loudspeaker's lines, through other boxes' links."""
    feeds = {line.end.loudspeaker: line.start for line in rig.file.line
             if line.end.loudspeaker is not None}  # fmt: skip
    cases = {case.id: case for case in rig.file.amplifier}
    seen: set[str] = set()
    name: str | None = box.id
    while name is not None and name not in seen:
        seen.add(name)
        feed = feeds.get(name)
        if feed is None:
            return None
        if feed.output is not None and feed.amplifier in cases:
            return cases[feed.amplifier]
        name = feed.loudspeaker
    return None


def lobe_db(box: declared.Loudspeaker, angle_deg: float) -> float:
    """What a loudspeaker loses off its axis, dB: a parabola to its least level."""
    if box.coverage_deg >= 360.0:
        return 0.0
    return max(_EDGE_DB * (angle_deg / (box.coverage_deg / 2.0)) ** 2, box.rear_db)


def arriving_db(rig: Rig, box: declared.Loudspeaker, place: list[float]) -> float | None:
    """Level that a loudspeaker makes at a place with its bus at nominal level, dB SPL."""
    level_db = level_1m_db(rig, box)
    if level_db is None:
        return None
    way = tuple(there - here for here, there in zip(box.at, place, strict=True))
    angle_deg = math.degrees(between(front(box), way))
    return level_db + lobe_db(box, angle_deg) - 20.0 * math.log10(math.hypot(*way))


def front(thing: declared.Microphone | declared.Loudspeaker) -> tuple[float, ...]:
    """The direction that something is aimed at; up where it has none."""
    if thing.aim_at is not None:
        return tuple(there - here for here, there in zip(thing.at, thing.aim_at, strict=True))
    azimuth, elevation = (math.radians(angle) for angle in thing.aim_deg or (0.0, 90.0))
    flat = math.cos(elevation)
    return flat * math.sin(azimuth), flat * math.cos(azimuth), math.sin(elevation)


def between(one: tuple[float, ...], other: tuple[float, ...]) -> float:
    """Angle between two directions, radians 0..pi, exact at both ends (Kahan's half angles)."""
    a, b = math.hypot(*one), math.hypot(*other)
    apart = math.hypot(*(x / a - y / b for x, y in zip(one, other, strict=True)))
    along = math.hypot(*(x / a + y / b for x, y in zip(one, other, strict=True)))
    return 2.0 * math.atan2(apart, along)


def loads(rig: Rig) -> Iterator[Load]:
    """What ears and amplifiers allow, as far as it is declared."""
    buses = [bus.id for bus in rig.file.bus]
    for ear in rig.file.ear:
        weights = tuple(at_ear(rig, ear, bus) for bus in buses)
        if ear.most_db is not None and any(weights):
            yield Load(EXPOSURE, ear.performer, weights, 10.0 ** (ear.most_db / 10.0))
    for box in rig.file.loudspeaker:
        spare_db = min(_spares(rig, box), default=math.inf)
        if spare_db < math.inf:
            weights = tuple(1.0 if bus == box.bus else 0.0 for bus in buses)
            yield Load(AMPLIFIER, box.label or box.id, weights, 10.0 ** (spare_db / 10.0))


def at_ear(rig: Rig, ear: declared.Ear, bus: str) -> float:
    """What a bus at nominal level brings to an ear, as power re 0 dB SPL; the louder side."""
    sides = {"both": 0.0, "left": 0.0, "right": 0.0}
    for box in rig.file.loudspeaker:
        level_db = arriving_db(rig, box, ear.at) if box.bus == bus else None
        if level_db is not None:
            sides[box.side] += 10.0 ** (level_db / 10.0)
    air = sides["both"] + max(sides["left"], sides["right"])
    if ear.in_ears is None:
        return air
    own = 10.0 ** (ear.in_ears.nominal_spl_db / 10.0) if ear.in_ears.bus == bus else 0.0
    return float(own + air / 10.0 ** (ear.in_ears.seal_db / 10.0))


def _spares(rig: Rig, box: declared.Loudspeaker) -> Iterator[float]:
    """By how many dB a bus may pass nominal level before each thing is at its most."""
    level_db, watts, case = level_1m_db(rig, box), power_w(rig, box), case_of(rig, box)
    if box.max_spl_db is not None and level_db is not None:
        yield box.max_spl_db - level_db
    if box.power_w is not None and watts is not None:
        yield 10.0 * math.log10(box.power_w / watts)
    if case is not None and rig.file.stage is not None:
        volt = math.sqrt(case.power_8_ohm_w * 8.0)
        yield 20.0 * math.log10(volt / DBU_VOLT) - case.gain_db - rig.file.stage.nominal_dbu

"""The mixes that a plan counts with: their loops, their headroom, what may still rise. Pure.

The rule of the stage is the rig's: with ``bound = "power"`` levels are powers (10 log10), with
``"amplitude"`` they are amplitudes (20 log10), the worst case of all phases.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bridge.rig import stage as declared
from bridge.rig.model import Bus
from bridge.rig.rig import Rig
from bridge.stage import headroom
from bridge.stage.spectral import Array
from bridge.stage.survey import Survey
from bridge.units import FLOOR_DB, OFF

LOOPS_SHOWN = 8
FAR_DB = 60.0
"""A ceiling this far above unity is none: no console goes there."""

UNITY = "unity"

WORDS = {
    "start": "the sends of the rig's start mix, masters at their start levels",
    "show": "the sends of the rig's start mix, masters at their nominal levels",
    "most": "every send in use and every master at the rig's ceilings, brought back as far as the "
    "feedback margin asks; a bus without a start mix has every channel in use; what amplifiers and "
    "the limits of ears hold back is not counted",
    UNITY: "every send and master at 0 dB: no mix is declared to count with",
}


@dataclass(frozen=True, slots=True)
class Air:
    """How a rig's stage counts.

    Attributes:
        rig: The rig.
        coupling: H by the rule that binds, channels x buses.
        per: dB a decade: 10 for powers, 20 for amplitudes.
        margin_db: Distance to be kept from the first ring, dB.
    """

    rig: Rig
    coupling: Array
    per: float
    margin_db: float

    def ratio(self, levels_db: Array) -> Array:
        """Levels as what the rule counts."""
        return np.asarray(np.power(10.0, levels_db / self.per), dtype=np.float64)

    def headroom_db(self, effective_db: Array) -> float:
        """Distance of a mix to the first ring, dB; ``inf`` where nothing comes back."""
        return headroom.headroom_db(self.ratio(effective_db), self.coupling) * self.per / 10.0

    @property
    def bare_margin_db(self) -> float:
        """The margin as ``headroom`` counts it, in tens."""
        return self.margin_db * 10.0 / self.per


@dataclass(frozen=True, slots=True)
class Loop:
    """One microphone in one bus.

    Attributes:
        channel: Number of the channel, from 0.
        bus: Number of the bus, from 0.
        effective_db: Send and master together, dB.
        coupling_db: What the air brings back, dB.
        gain_db: Once round, dB; 0 rings by itself.
    """

    channel: int
    bus: int
    effective_db: float
    coupling_db: float
    gain_db: float


@dataclass(frozen=True, slots=True)
class Ceiling:
    """How high one level may go while all others stay.

    Attributes:
        now_db: Where it is in this mix, dB; ``-inf`` is off.
        stage_db: What the feedback margin allows, dB; None: the stage sets no limit.
        rig_db: What the rig allows, dB.
    """

    now_db: float
    stage_db: float | None
    rig_db: float

    @property
    def level_db(self) -> float:
        """The lower one, dB."""
        return self.rig_db if self.stage_db is None else min(self.stage_db, self.rig_db)

    @property
    def stage_binds(self) -> bool:
        """Whether the stage is stricter than the rig."""
        return self.stage_db is not None and self.stage_db < self.rig_db


@dataclass(frozen=True, slots=True)
class Mix:
    """A mix and what the stage says of it.

    Attributes:
        name: ``start``, ``show``, ``most`` or ``unity``.
        words: What it is.
        headroom_db: Distance to the first ring, dB; ``inf`` where nothing comes back.
        within: Whether the margin is kept.
        open_microphones: How many equal ones each bus holds open; one number a bus.
        masters: Ceiling of each bus master.
        sends: Ceiling of each send, channels x buses.
        loops: The loudest loops, loudest first.
    """

    name: str
    words: str
    headroom_db: float
    within: bool
    open_microphones: tuple[float, ...]
    masters: tuple[Ceiling, ...]
    sends: tuple[tuple[Ceiling, ...], ...]
    loops: tuple[Loop, ...]


def air(rig: Rig, known: Survey) -> Air:
    """How a rig's stage counts."""
    stage = rig.file.stage or declared.Stage()
    if stage.bound == "amplitude":
        return Air(rig, known.amplitudes, 20.0, stage.margin_db)
    return Air(rig, known.powers, 10.0, stage.margin_db)


def sends_db(rig: Rig) -> Array:
    """Sends of the start mix, channels x buses, dB; off where nothing is said."""
    levels = np.full((len(rig.file.channel), len(rig.file.bus)), OFF)
    numbers = {channel.id: number for number, channel in enumerate(rig.file.channel)}
    for b, bus in enumerate(rig.file.bus):
        for name, level_db in bus.start_mix.items():
            levels[numbers[name], b] = level_db
    return levels


def masters_db(rig: Rig, name: str) -> Array:
    """Bus masters of a mix, dB."""
    if name == "start":
        return np.array([bus.start_db for bus in rig.file.bus])
    return np.array([bus.nominal_db for bus in rig.file.bus])


def effective_db(ground: Air, name: str) -> Array:
    """Send and master together of a mix by its name, channels x buses, dB.

    A post-fader send counts with its fader at 0 dB.
    """
    rig = ground.rig
    if name == UNITY:
        return np.zeros((len(rig.file.channel), len(rig.file.bus)))
    sends = sends_db(rig)
    if name != "most":
        return sends + masters_db(rig, name)
    wished = np.full_like(sends, OFF)
    for b, bus in enumerate(rig.file.bus):
        used = sends[:, b] > OFF
        high = send_ceiling_db(rig, bus) + master_ceiling_db(rig, bus)
        wished[used if used.any() else slice(None), b] = high
    h, margin_db = ground.coupling, ground.bare_margin_db
    before = ground.ratio(np.minimum(sends + masters_db(rig, "show"), wished))
    if not headroom.is_stable(before, h, margin_db):
        before = ground.ratio(np.minimum(sends + masters_db(rig, "start"), wished))
    kept = headroom.scale_back(before, ground.ratio(wished), h, margin_db)
    return headroom.decibels(kept) * ground.per / 10.0


def mix(ground: Air, name: str) -> Mix:
    """Count a mix by its name, ``start`` or ``show``."""
    levels = effective_db(ground, name)
    e = ground.ratio(levels)
    left_db = ground.headroom_db(levels)
    opened = headroom.open_microphones(e, ground.coupling)
    masters, sends = _ceilings(ground, e, masters_db(ground.rig, name), sends_db(ground.rig))
    return Mix(name, WORDS[name], left_db, left_db > ground.margin_db, tuple(map(float, opened)),
               masters, sends, loops(ground, levels))  # fmt: skip


def loops(ground: Air, levels_db: Array) -> tuple[Loop, ...]:
    """The loudest loops of a mix, loudest first."""
    couplings = coupling_db(ground)
    gains = levels_db + couplings
    pairs = [(c, b) for c, b in np.ndindex(gains.shape) if gains[c, b] > OFF]
    pairs.sort(key=lambda pair: (-gains[pair], pair))
    return tuple(
        Loop(c, b, float(levels_db[c, b]), float(couplings[c, b]), float(gains[c, b]))
        for c, b in pairs[:LOOPS_SHOWN]
    )


def coupling_db(ground: Air) -> Array:
    """What each bus at unity brings back into each channel, dB; ``-inf`` where nothing does."""
    return headroom.decibels(ground.coupling) * ground.per / 10.0


def send_ceiling_db(rig: Rig, bus: Bus) -> float:
    """What the rig allows a send into a bus, dB."""
    own, all_buses = bus.send_ceiling_db, rig.file.limits.send_ceiling_db
    return all_buses if own is None else min(own, all_buses)


def master_ceiling_db(rig: Rig, bus: Bus) -> float:
    """What the rig allows a bus master, dB."""
    own, all_buses = bus.master_ceiling_db, rig.file.limits.master_ceiling_db
    return all_buses if own is None else min(own, all_buses)


def _ceilings(
    ground: Air, e: Array, masters: Array, sends: Array
) -> tuple[tuple[Ceiling, ...], tuple[tuple[Ceiling, ...], ...]]:
    room = headroom.room(e, ground.coupling, ground.bare_margin_db)
    buses = ground.rig.file.bus
    rise_db = headroom.decibels(room.masters) * ground.per / 10.0
    high_db = headroom.decibels(room.sends) * ground.per / 10.0 - masters
    rig = ground.rig
    by_bus = tuple(
        Ceiling(float(masters[b]), _stage(masters[b] + rise_db[b]), master_ceiling_db(rig, bus))
        for b, bus in enumerate(buses)
    )
    by_send = tuple(
        tuple(
            Ceiling(float(sends[c, b]), _stage(high_db[c, b]), send_ceiling_db(rig, bus))
            for b, bus in enumerate(buses)
        )
        for c in range(len(rig.file.channel))
    )
    return by_bus, by_send


def _stage(level_db: float) -> float | None:
    if math.isnan(level_db) or level_db > FAR_DB:
        return None
    return max(float(level_db), FLOOR_DB)  # below the floor all is off

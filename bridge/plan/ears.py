"""Estimated levels at ears and how long they may last by the chosen standard. Pure.

Estimates from declared levels: never a measurement, and no advice on anybody's hearing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bridge.plan import mixes
from bridge.plan.mixes import Air
from bridge.rig import stage as declared
from bridge.rig.rig import Rig
from bridge.stage.exposure import STANDARDS, Dose, Standard
from bridge.stage.survey import Survey
from bridge.units import OFF

CASES = ("start", "show", "most")


@dataclass(frozen=True, slots=True)
class Level:
    """One ear in one mix.

    Attributes:
        mix: ``start``, ``show`` or ``most``.
        level_db: Estimated level with every channel at nominal level, dB(A); ``-inf`` for none.
        allowed_s: How long it may last by the standard, s; ``inf`` without a limit.
        bus: The bus that adds most; empty for none.
        bus_percent: Its share of the power, %.
    """

    mix: str
    level_db: float
    allowed_s: float
    bus: str
    bus_percent: float


@dataclass(frozen=True, slots=True)
class Exposed:
    """One pair of ears.

    Attributes:
        key: Key on the plan.
        name: What people call the person.
        most_db: The most that the rig declares for this ear, dB(A); None without.
        levels: One a mix, in the order of ``CASES``.
    """

    key: str
    name: str
    most_db: float | None
    levels: tuple[Level, ...]


def standard(rig: Rig) -> Standard:
    """The standard that a rig chooses."""
    return STANDARDS[(rig.file.stage or declared.Stage()).standard]


def exposure(ground: Air, known: Survey) -> tuple[Exposed, ...]:
    """Estimated levels at every ear that anything reaches."""
    rig = ground.rig
    found = []
    people = {person.id: person.name or person.id for person in rig.file.performer}
    for number, (said, weights) in enumerate(zip(rig.file.ear, known.ears, strict=True), 1):
        if weights.any():
            levels = tuple(_level(ground, weights, name) for name in CASES)
            name = people.get(said.performer, said.performer)
            found.append(Exposed(f"E{number}", name, said.most_db, levels))
    return tuple(found)


def _level(ground: Air, weights: np.ndarray[tuple[int], np.dtype[np.float64]], name: str) -> Level:
    rig = ground.rig
    # Different signals add by their powers at an ear, whatever rule binds the loop.
    powers = np.power(10.0, mixes.effective_db(ground, name) / 10.0).sum(axis=0)
    parts = weights * powers
    total = float(parts.sum())
    if not total > 0.0:
        return Level(name, OFF, math.inf, "", 0.0)
    level_db = 10.0 * math.log10(total)
    most = int(parts.argmax())
    bus = rig.file.bus[most]
    return Level(name, level_db, Dose(standard(rig), 0.0).remaining_s(min(level_db, 200.0)),
                 bus.label or bus.id, 100.0 * float(parts[most]) / total)  # fmt: skip

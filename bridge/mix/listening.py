"""What every pair of ears has had so far: an estimate, or measured. Pure.

The estimate takes every channel at nominal level all the time, which music rarely is; a measured
level replaces it while it is fresh. Both are aids: they replace no dosimeter, no local rule and
no hearing protection.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from bridge.mix.world import World
from bridge.rig.rig import Rig
from bridge.stage.exposure import STANDARDS, Dose

PERIOD_S = 1.0
"""Time between two counts: the slow time weighting of sound level meters (IEC 61672-1)."""

MEASURED_S = 10.0
"""For so long a measured level counts: meters tell one each second, and some are lost."""

STALL_S = 10.0
"""Most time that one count may cover: a machine that slept has not listened."""


@dataclass(frozen=True, slots=True)
class Heard:
    """One listener now.

    Attributes:
        performer: Number of the performer.
        level_db: Level at the ear, dB(A); ``-inf`` is silence.
        measured: Whether a meter said so; else it is an estimate.
        percent: Dose so far by the rig's standard, % of what is allowed; an estimate as well
            unless all of it was measured.
        all_measured: Whether every part of the dose was measured.
        remaining_s: How long this level may stand, s; ``inf`` where it does not count.
    """

    performer: int
    level_db: float
    measured: bool
    percent: float
    all_measured: bool
    remaining_s: float


class Listening:
    """The doses of all declared ears.

    Args:
        rig: What was declared, with a stage.
        world: The levels as loud as the console may have them.

    Attributes:
        notices: Warnings to tell, emptied by the reader.
    """

    def __init__(self, rig: Rig, world: World) -> None:
        assert rig.file.stage is not None, "the rig has a stage"
        self._rig, self._world = rig, world
        self._performers = [rig.layout.performers.index(ear.performer) for ear in rig.file.ear]
        standard = STANDARDS[rig.file.stage.standard]
        self._doses = [Dose(standard, 0.0) for _ in self._performers]
        self._estimated = [False] * len(self._performers)
        self._measured: dict[int, tuple[float, float]] = {}
        self._warn_at = sorted(rig.file.stage.warn_percent)
        self._due_s = math.inf
        self.notices: list[str] = []

    def hears(self, performer: int) -> bool:
        """Whether an ear of a performer is declared."""
        return performer in self._performers

    def measured(self, performer: int, level_db: float, now_s: float) -> None:
        """A meter at a performer's ear said a level, dB(A)."""
        self._count(now_s)
        self._measured[performer] = level_db, now_s

    def begin(self, now_s: float) -> None:
        """Count from now on."""
        self._doses = [Dose(dose.standard, now_s, dose.percent) for dose in self._doses]
        self._due_s = now_s + PERIOD_S if self._doses else math.inf

    def next_wake_s(self) -> float:
        """When ``advance`` has something to do next."""
        return self._due_s

    def advance(self, now_s: float) -> None:
        """Count what was heard since the last time, once a period."""
        if now_s >= self._due_s:
            self._due_s = now_s + PERIOD_S
            self._count(now_s)

    def _count(self, now_s: float) -> None:
        levels = self._world.at_ears()
        for number, dose in enumerate(self._doses):
            level_db, measured = self._level(number, float(levels[number]), now_s)
            since_s = max(dose.at_s, now_s - STALL_S)
            counted = Dose(dose.standard, since_s, dose.percent).after(level_db, now_s)
            self._doses[number] = counted
            if counted.percent > dose.percent and not measured:
                self._estimated[number] = True
            self._warn(number, dose.percent, counted.percent)

    def _level(self, number: int, estimate_db: float, now_s: float) -> tuple[float, bool]:
        level_db, at_s = self._measured.get(self._performers[number], (-math.inf, -math.inf))
        if now_s - at_s <= MEASURED_S:
            return level_db, True
        return estimate_db, False

    def _warn(self, number: int, before: float, after: float) -> None:
        passed = [percent for percent in self._warn_at if before < percent <= after]
        if not passed:
            return
        who = self._rig.person(self._performers[number])
        kind = "an estimate" if self._estimated[number] else "measured"
        name = self._doses[number].standard.name
        self.notices.append(
            f"{who} has had {passed[-1]:g} % of a day's sound ({name}; {kind}); turn down, "
            "rest the ears or protect them"
        )

    def now(self, now_s: float) -> list[Heard]:
        """How it stands with every declared ear, in rig order."""
        levels = self._world.at_ears()
        heard = []
        for number, dose in enumerate(self._doses):
            level_db, measured = self._level(number, float(levels[number]), now_s)
            heard.append(
                Heard(
                    self._performers[number],
                    level_db,
                    measured,
                    dose.percent,
                    not self._estimated[number],
                    dose.remaining_s(level_db),
                )
            )
        return heard

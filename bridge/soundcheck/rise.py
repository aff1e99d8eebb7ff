"""One pair raised slowly until somebody hears it ring or it stands at its ceiling. Pure."""

from __future__ import annotations

import math
from bisect import bisect_right
from enum import StrEnum

from bridge.mix.gesture import REFUSED
from bridge.rig.rig import Rig
from bridge.soundcheck.desk import HEARD_DB, Desk
from bridge.units import OFF

START_DB = -30.0
"""Effective level at which a rise begins, dB: far below what a stage with people on it needs."""

RATE_DB_PER_S = 1.5
"""How fast a pair rises, dB/s: slow enough that a hand reacts within a decibel."""

STEP_DB = 0.5
"""Size of one step of the rise, dB; the engine ramps in between."""

LISTEN_S = 2.0
"""A ring just above its onset takes a second or two to be heard, so the top is held so long."""

STALL_S = 8.0
"""A level that has not moved for so long does not follow: something holds it. The slowest ramp from
off that a person would wait for moves by 0.05 dB far more often."""

HISTORY_MAX = 4096
"""Steps remembered of one rise: an hour of them."""


class Course(StrEnum):
    """How a rise is getting on."""

    RISING = "rising"
    TOP = "top"
    MOVED = "moved"
    CLOSED = "closed"
    STUCK = "stuck"


def ceilings_db(rig: Rig, bus: int) -> tuple[float, float]:
    """The static ceilings of a bus's sends and of its master, dB, as the rig declares them."""
    limits, said = rig.file.limits, rig.file.bus[bus]
    send = [limits.send_ceiling_db, said.send_ceiling_db]
    master = [limits.master_ceiling_db, said.master_ceiling_db]
    return (
        min(level for level in send if level is not None),
        min(level for level in master if level is not None),
    )


def reach_db(rig: Rig, bus: int) -> float:
    """The highest effective level of a bus with its sends before the faders, dB."""
    return sum(ceilings_db(rig, bus))


def working_db(rig: Rig, bus: int) -> float:
    """The master's level while sends are raised, dB: nominal, as far as its ceiling allows."""
    return min(rig.file.bus[bus].nominal_db, ceilings_db(rig, bus)[1])


class Rise:
    """A pair on its way up: the send to its ceiling, then the master to its own.

    Args:
        desk: Where it rises; everything else there is down, and the master at work.
        channel: The microphone's channel.
        bus: The mix.
        fader_db: What the channel fader adds, dB.
        now_s: This moment, s.
    """

    def __init__(
        self, desk: Desk, channel: int, bus: int, *, fader_db: float, now_s: float
    ) -> None:
        self.desk, self.channel, self.bus = desk, channel, bus
        self.send, self.master = desk.send(channel, bus), desk.master(bus)
        self._most = dict(
            zip((self.send, self.master), ceilings_db(desk.engine.rig, bus), strict=True)
        )
        self._asked = {self.master: desk.asked(self.master)}
        self._moved_s = now_s
        self._next_s = now_s
        self._top_s = math.inf
        self._times: list[float] = []
        self._levels: list[float] = []
        start = START_DB - desk.heard_db(self.master) - fader_db
        self._wish(self.send, start, now_s)

    def advance(self, now_s: float) -> Course:
        """Go one step further where it is time."""
        desk = self.desk
        if any(desk.asked(slot) != value for slot, value in self._asked.items()):
            return Course.MOVED
        if not desk.open(self.bus):
            return Course.CLOSED
        if self.note(now_s):
            self._moved_s = now_s
        if not self._stands():
            return Course.STUCK if now_s - self._moved_s > STALL_S else Course.RISING
        if self._top_s < math.inf:
            return Course.TOP if now_s >= self._top_s else Course.RISING
        if now_s >= self._next_s:
            self._step(now_s)
        return Course.RISING

    def _stands(self) -> bool:
        desk = self.desk
        there = desk.arrived(self.send) and desk.arrived(self.master)
        return there and desk.free(self.channel, self.bus)

    def _step(self, now_s: float) -> None:
        self._next_s = now_s + STEP_DB / RATE_DB_PER_S
        for slot in (self.send, self.master):
            before = self.desk.asked(slot)
            if self.desk.limited(slot) or before >= self._most[slot] - HEARD_DB:
                continue
            if self._wish(slot, before + STEP_DB, now_s) > before + HEARD_DB:
                return
        self._top_s = now_s + LISTEN_S

    def _wish(self, slot: int, level_db: float, now_s: float) -> float:
        """Wish for a level, never past its static ceiling; what it was asked to be in the end."""
        verdict = self.desk.wish(slot, min(level_db, self._most[slot]), now_s)
        self._asked[slot] = self.desk.asked(slot)
        return OFF if verdict.outcome == REFUSED else verdict.level

    def note(self, now_s: float) -> bool:
        """Remember the level of this moment; whether it is another one."""
        level_db = self.desk.effective_db(self.channel, self.bus)
        if self._levels and self._levels[-1] == level_db:
            return False
        if len(self._levels) < HISTORY_MAX:
            self._times.append(now_s)
            self._levels.append(level_db)
        return True

    def now_db(self) -> float:
        """The effective level as the console has it now, dB."""
        return self.desk.effective_db(self.channel, self.bus)

    def level_db(self, at_s: float) -> float:
        """The effective level that stood at a moment, dB; the first one before there was any."""
        number = bisect_right(self._times, at_s)
        heard = self._levels[number - 1] if number else OFF
        if heard > OFF:
            return heard
        return next((level for level in self._levels if level > OFF), OFF)

    def back_off(self, level_db: float, now_s: float) -> None:
        """Fall at once until the pair stands at an effective level, dB, or lower."""
        over_db = self.now_db() - level_db
        fallen = self.desk.heard_db(self.send) - over_db if over_db > OFF else OFF
        self._wish(self.send, fallen, now_s)

    def off(self, now_s: float) -> None:
        """Off at once."""
        self._wish(self.send, OFF, now_s)

"""What the console may be told of a marked slot, at this moment. Pure."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from bridge.mix.matrix import LEVEL, MASTERS, RUNNING, SENDS
from bridge.units import OFF

if TYPE_CHECKING:
    from bridge.mix.engine import Engine

NAN = math.nan


class Outgoing:
    """The last station of the rules: goals in, words out.

    Attributes:
        faults: How often the last check before a word held it back (it never should).
    """

    def __init__(self, engine: Engine) -> None:
        self.engine, self.matrix = engine, engine.matrix
        self.ceilings, self.gates, self.buses = engine.ceilings, engine.gates, engine.buses
        self.faults = 0

    def emit(self, slot: int, now_s: float) -> float:
        """The value that a slot may be told now, remembered as told; NaN: nothing now.

        Args:
            slot: A slot that was marked.
            now_s: This moment, s.
        """
        value = self._emit(slot, now_s)
        stage = self.engine.stage
        if stage is not None and value == value:
            stage.told(slot, now_s)
            stage.retap(slot)
        return value

    def _emit(self, slot: int, now_s: float) -> float:
        m, engine = self.matrix, self.engine
        if m.kind[slot] != LEVEL:
            return self._emit_switch(slot)
        goal, told = m.goal[slot], m.told[slot]
        if (goal == told and m.out[slot]) or goal != goal or self._early(slot):
            engine.moving.pop(slot, None)
            return NAN
        if not self.ceilings.permits(slot, goal):
            self.faults += 1
            return NAN
        if goal > told:
            return self._emit_raise(slot, goal, told, now_s)
        engine.moving.pop(slot, None)
        if told != told and goal > m.floor_db:
            return self._emit_raise(slot, goal, OFF, now_s)  # never told: from the floor
        if goal != told:
            m.rides.fall(slot, goal, now_s)
        m.settled[slot] = 0
        return goal

    def _emit_raise(self, slot: int, goal: float, told: float, now_s: float) -> float:
        m, engine = self.matrix, self.engine
        if engine.lost:
            return NAN
        if engine.wait_for_word and not m.settled[slot] and told == m.told[slot]:
            engine.moving[slot] = None
            return NAN
        allowed = goal
        if engine.stage is not None:
            allowed = engine.stage.allowed_now(slot, goal, now_s)
            if not allowed > (told if told == told else OFF):
                engine.moving[slot] = None
                return NAN
        level = m.rides.climb(slot, allowed, now_s)
        if level == goal:
            engine.moving.pop(slot, None)
        else:
            engine.moving[slot] = None
        if level == level:
            m.settled[slot] = 0
        return level

    def _emit_switch(self, slot: int) -> float:
        m, engine = self.matrix, self.engine
        goal = m.goal[slot]
        again = goal == m.told[slot]
        if (again and m.out[slot]) or goal != goal or self._early(slot):
            engine.waiting.pop(slot, None)
            return NAN
        if not again and not self.gates.may_tell(slot, goal):
            engine.waiting[slot] = None
            return NAN
        if engine.lost and not again and self.buses.louder(slot, goal):
            engine.waiting[slot] = None
            return NAN
        engine.waiting.pop(slot, None)
        m.told[slot] = goal
        m.settled[slot] = 0
        return goal

    def _early(self, slot: int) -> bool:
        """Whether the start has not come far enough for a slot to be told."""
        phase = self.engine.phase
        if phase == RUNNING:
            return False
        m = self.matrix
        first = m.master <= slot < m.dim or slot == m.silence
        return phase < (MASTERS if first else SENDS)

    def again(self, slot: int, now_s: float) -> float:
        """The value to repeat when a word may have been lost; NaN when it no longer stands."""
        m = self.matrix
        told = m.told[slot]
        if m.kind[slot] == LEVEL:
            if not self.ceilings.permits(slot, told):
                return NAN
            if not m.settled[slot]:
                m.rides.again(slot, now_s)
        return told

    def louder(self, slot: int, value: float, before: float) -> bool:
        """Whether a word raises something; a word about what was never told counts as one."""
        if self.matrix.kind[slot] == LEVEL:
            return not value <= before
        return self.buses.louder(slot, value)

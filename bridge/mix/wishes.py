"""How far a wish is admitted: levels, groups, switches. Pure."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from bridge.mix.gesture import FLIP, LIMITED, REFUSED, STEP, TAKEN, Verdict
from bridge.mix.matrix import OTHER
from bridge.rig.rig import ENGINEER
from bridge.units import FLOOR_DB, OFF

if TYPE_CHECKING:
    from bridge.mix.engine import Engine

NAN = math.nan


class Wishes:
    """The last look at a wish whose hands have the right to it.

    Attributes:
        windows: Lowest and highest level that performers may ask of a slot, dB; the engineer is
            free. A window stops a wish at its edge and never moves a level by itself.
    """

    def __init__(self, engine: Engine) -> None:
        self.engine, self.matrix = engine, engine.matrix
        self._ceilings, self._groups = engine.ceilings, engine.groups
        self.windows: dict[int, tuple[float, float]] = {}

    def _stepped(self, asked_db: float, step_db: float) -> float:
        """A level some dB further; up from off begins at the ramp floor."""
        start = max(asked_db, self.matrix.floor_db) if step_db > 0 else asked_db
        return start + step_db

    def level(self, who: int, slot: int, action: int, wanted: float) -> Verdict:
        """Admit a wish about a send, master or fader."""
        m = self.matrix
        asked = m.asked[slot]
        if not m.can_set[slot]:
            return Verdict(REFUSED, slot, who, wanted, asked, "not at the console")
        if action == FLIP:
            return Verdict(REFUSED, slot, who, wanted, asked, "no number")
        if asked != asked:
            asked = OFF  # a fader that was never read starts from the bottom
        if action == STEP:
            wanted = self._stepped(asked, wanted)
        ceiling = self._ceilings.ceiling(slot)
        value, rule = self._limited(who, slot, wanted, ceiling)
        top, near = self._next_limit(who, slot, ceiling) if value > asked else (NAN, "")
        if value > top:
            value, rule = (top, near) if top > asked else (asked, near)
        if self.engine.lost and value > asked and not value <= m.told[slot]:
            return Verdict(REFUSED, slot, who, wanted, asked, "console silent")
        m.asked[slot] = value if value >= FLOOR_DB else OFF
        m.left[slot] = 0
        self.engine.news[slot] = None
        self.engine.aim(slot, OTHER, ceiling[0])
        if slot < m.channel_mute and slot >= m.fader:
            self.engine.refresh_post(slot - m.fader)
        if rule:
            return Verdict(LIMITED, slot, who, wanted, value, rule, 0.0)
        return Verdict(TAKEN, slot, who, wanted, value, "", top - value, near)

    def _next_limit(self, who: int, slot: int, hard: tuple[float, str]) -> tuple[float, str]:
        """The lowest limit above a level that rises, dB, and its rule."""
        top, near = hard
        own = self._ceilings.own[who][slot]
        if own < top:
            top, near = own, "own ceiling"
        if self.engine.stage is not None:
            room, rule = self.engine.stage.ceiling(slot)
            if room < top:
                return room, rule
        return top, near

    def limit(self, who: int, slot: int, wanted: float) -> tuple[float, str]:
        """How far a level may be asked to go, and the rule that held it (empty: none did).

        Everybody's ceilings always hold. A performer's own ceiling stops raises only: what the
        engineer set higher may come down in steps.
        """
        return self._limited(who, slot, wanted, self._ceilings.ceiling(slot))

    def _limited(
        self, who: int, slot: int, wanted: float, hard: tuple[float, str]
    ) -> tuple[float, str]:
        value, rule = wanted, ""
        ceiling, why = hard
        if not value <= ceiling:
            value, rule = ceiling, why
        own = self._ceilings.own[who][slot]
        if not value <= own:
            asked = self.matrix.asked[slot]
            stays = asked if own < asked else own
            if value > stays:
                value, rule = stays, "own ceiling"
        if self.windows and who != ENGINEER and slot in self.windows:
            kept, why = self._in_window(slot, value, rule)
            return (kept, why) if kept <= max(value, ceiling) else (value, rule)
        return value, rule

    def _in_window(self, slot: int, value: float, rule: str) -> tuple[float, str]:
        """A performer's wish within the room's window, or up to where the level stands outside."""
        asked = self.matrix.asked[slot]
        low, high = self.windows[slot]
        kept = min(max(value, min(low, asked)), max(high, asked))
        return (value, rule) if kept == value else (kept, "room window")

    def group(self, who: int, slot: int, action: int, value: float) -> Verdict:
        """Admit a wish about sends that move together."""
        step = self._groups.step_wanted(slot, action, value)
        if step > 0 and self.engine.lost:
            return Verdict(REFUSED, slot, who, value, self.matrix.asked[slot], "console silent")
        allowed = self._groups.step_allowed(slot, step, lambda s, db: self.limit(who, s, db)[0])
        if allowed < 0 and self.windows and who != ENGINEER:
            allowed = self._fall_in_window(who, slot, allowed)
        rule = "" if allowed == step else "group ceiling" if step > 0 else "room window"
        if allowed > 0 and self.engine.stage is not None:
            room, near = self.engine.stage.goals.room_of_group(self._groups.members(slot))
            if room < allowed:
                allowed, rule = max(0.0, room), near
        for send, level in self._groups.moved(slot, allowed):
            self.matrix.asked[send] = level
            self.matrix.left[send] = 0
            self.engine.news[send] = None
            self.engine.refresh(send)
        self.matrix.asked[slot] = level = self._groups.level(slot)
        self.engine.news[slot] = None
        return Verdict(LIMITED if rule else TAKEN, slot, who, value, level, rule)

    def _fall_in_window(self, who: int, slot: int, step_db: float) -> float:
        """How far a group may fall together before a member meets the room's window."""
        asked = self.matrix.asked
        sounding = [send for send in self._groups.members(slot) if asked[send] != OFF]
        rooms = [self.limit(who, s, asked[s] + step_db)[0] - asked[s] for s in sounding]
        return min(0.0, max([step_db, *rooms]))

    def switch(self, who: int, slot: int, value: float) -> Verdict:
        """Admit a wish about a switch, tap or pan."""
        m = self.matrix
        if m.pan <= slot < m.master:
            value = min(1.0, max(-1.0, value))
        else:
            value = 1.0 if value >= 0.5 else 0.0
        if (slot < m.send or m.tap <= slot < m.master) and not m.can_set[slot]:
            return Verdict(REFUSED, slot, who, value, m.asked[slot], "not at the console")
        if self.engine.lost and self.engine.buses.louder(slot, value):
            return Verdict(REFUSED, slot, who, value, m.asked[slot], "console silent")
        if self.engine.stage is not None:
            self.engine.stage.turned(who, slot)
        self.engine.switches.turn(who, slot, value)
        self.engine.news[slot] = None
        return Verdict(TAKEN, slot, who, value, value, "")

"""How far a wish is admitted: levels, groups, switches. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from bridge.mix.gesture import FLIP, LIMITED, REFUSED, STEP, TAKEN, Verdict
from bridge.mix.groups import Sends
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
        anchors: Where the engineer, the desk or the start left a level that a performer with a
            window of their own has moved since, dB by slot.
    """

    def __init__(self, engine: Engine) -> None:
        self.engine, self.matrix = engine, engine.matrix
        self._ceilings, self._groups = engine.ceilings, engine.groups
        self.windows: dict[int, tuple[float, float]] = {}
        self.anchors: dict[int, float] = {}
        self._widths = [one.window_db for one in engine.rig.file.performer]
        self._narrow = any(self._widths)

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
        if self._narrow:
            self._anchor(who, slot)
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
        if who != ENGINEER and (self.windows or self._narrow):
            for (_, high), why in self._windows_of(who, slot):
                if high < top:
                    top, near = high, why
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
        if who == ENGINEER or not (self.windows or self._narrow):
            return value, rule
        return self._windowed(who, slot, value, rule, ceiling)

    def _windowed(
        self, who: int, slot: int, value: float, rule: str, ceiling: float
    ) -> tuple[float, str]:
        """A performer's wish within their windows, or up to where the level stands outside."""
        asked = self.matrix.asked[slot]
        for (low, high), why in self._windows_of(who, slot):
            kept = min(max(value, min(low, asked)), max(high, asked))
            if kept != value and kept <= max(value, ceiling):
                value, rule = kept, why
        return value, rule

    def _windows_of(self, who: int, slot: int) -> Iterator[tuple[tuple[float, float], str]]:
        """The room's window of a level and a performer's own, with their rules."""
        if slot in self.windows:
            yield self.windows[slot], "room window"
        if who != ENGINEER and (width := self._widths[who]) is not None:
            base = self.anchors.get(slot, self.matrix.asked[slot])
            low = base - width
            yield (low if low >= FLOOR_DB else OFF, base + width), "own window"

    def _anchor(self, who: int, slot: int) -> None:
        """A level is about to move: its window stays around where the engineer had it."""
        if who == ENGINEER:
            self.anchors.pop(slot, None)
        elif self._widths[who] is not None:
            self.anchors.setdefault(slot, self.matrix.asked[slot])

    def group(self, who: int, slot: int, action: int, value: float) -> Verdict:
        """Admit a wish about sends that move together."""
        step = self._groups.step_wanted(slot, action, value)
        if step > 0 and self.engine.lost:
            return Verdict(REFUSED, slot, who, value, self.matrix.asked[slot], "console silent")
        own, others = self._groups.members(slot), self._groups.others(slot)
        if not others:
            rule = self._shift(who, own, *(self._up if step > 0 else self._down)(who, own, step))
        else:
            rule = (self._gain if step > 0 else self._yield)(who, slot, step)
        self.matrix.asked[slot] = level = self._groups.level(slot)
        self.engine.news[slot] = None
        return Verdict(LIMITED if rule else TAKEN, slot, who, value, level, rule)

    def _up(self, who: int, sends: Sends, step: float) -> tuple[float, str]:
        """How far sends may rise together, and the rule that ends it."""
        return self._in_room(sends, *self._below_limits(who, sends, step))

    def _below_limits(self, who: int, sends: Sends, step: float) -> tuple[float, str]:
        allowed = self._groups.step_allowed(sends, step, lambda s, db: self.limit(who, s, db)[0])
        return allowed, "" if allowed == step else "group ceiling"

    def _in_room(self, sends: Sends, step: float, rule: str) -> tuple[float, str]:
        """How far sends may rise together on the stage as it is."""
        if step > 0 and self.engine.stage is not None:
            room, near = self.engine.stage.goals.room_of_group(sends)
            if room < step:
                return max(0.0, room), near
        return step, rule

    def _down(self, who: int, sends: Sends, step: float) -> tuple[float, str]:
        """How far sends may fall together: a room's window ends it for performers."""
        if step == 0 or who == ENGINEER or not (self.windows or self._narrow):
            return step, ""
        allowed = self._groups.fall_allowed(sends, step, lambda s, db: self.limit(who, s, db)[0])
        if allowed == step:
            return allowed, ""
        return allowed, "room window" if self.windows else "own window"

    def _shift(self, who: int, sends: Sends, step: float, rule: str) -> str:
        """Ask sends to move together; answers the rule that limited the step."""
        for send, level in self._groups.moved(sends, step):
            if self._narrow:
                self._anchor(who, send)
            self.matrix.asked[send] = level
            self.matrix.left[send] = 0
            self.engine.news[send] = None
            self.engine.refresh(send)
        return rule

    def _gain(self, who: int, slot: int, step: float) -> str:
        """A group rises and the others give way; they make their room first."""
        own, others = self._groups.members(slot), self._groups.others(slot)
        balance = self._groups.balance(slot)
        up, rule = self._below_limits(who, own, step)
        if balance.most() < up:
            up, rule = balance.most(), "group floor"
        fall, window = self._down(who, others, balance.answer(up))
        if window:
            up, rule = balance.step(fall), window
        self._shift(who, others, fall, "")
        room, rule = self._in_room(own, up, rule)
        if room < up:
            self._shift(who, others, balance.answer(room) - fall, "")
        return self._shift(who, own, room, rule)

    def _yield(self, who: int, slot: int, step: float) -> str:
        """A group falls, whatever happens, and the others rise as far as they may."""
        own, others = self._groups.members(slot), self._groups.others(slot)
        balance = self._groups.balance(slot)
        down, rule = self._down(who, own, step)
        rise = balance.answer(down)
        self._shift(who, own, down, "")
        if self.engine.lost and rise > 0:
            return "console silent"
        up, limit = self._up(who, others, rise)
        return self._shift(who, others, up, limit or rule)

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

"""What people settle among themselves: mixes held by the engineer, asks, ceilings set live. Pure.

These are parameters like all others, so that every road (page, OSC, MIDI) meets the same rights.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from bridge import limits
from bridge.mix.gesture import REFUSED, TAKEN, Verdict
from bridge.rig.rig import ENGINEER
from bridge.units import OFF

if TYPE_CHECKING:
    from bridge.mix.engine import Engine

INF = math.inf


class Request(NamedTuple):
    """Somebody asks the engineer for more of a channel in their mix.

    Attributes:
        number: Its number, counted from 1 since the start.
        performer: Who asks.
        slot: The send level that is meant.
        at_s: When it was asked first, s.
    """

    number: int
    performer: int
    slot: int
    at_s: float


class People:
    """The parts of an engine that are about people, not about levels.

    Attributes:
        held: 1 a bus that the engineer has taken over: performers may not move it.
        calls: Presets that were called for, as performer and slot; emptied by who recalls them.
        requests: What was asked and not answered yet, oldest first.
        live: Ceilings set live, (performer or -1, slot) to dB.
        changes: Counts what has changed here, for whoever keeps it.
    """

    def __init__(self, engine: Engine) -> None:
        self.engine, self.matrix = engine, engine.matrix
        self.held = engine.guard.held
        self.requests: list[Request] = []
        self.calls: list[tuple[int, int]] = []
        self.live: dict[tuple[int, int], float] = {}
        self.changes = 0
        self._asked = 0
        self._declared_hard = list(engine.ceilings.hard)
        self._declared_rule = list(engine.ceilings.rule)
        self._declared_own = [list(own) for own in engine.ceilings.own]
        self._sinking: dict[int, float] = {}
        self._sink_db = engine.rig.file.limits.lower_db_per_s * limits.TICK_S

    # -- wishes ---------------------------------------------------------------------------------

    def wish(self, who: int, slot: int, value: float, now_s: float) -> Verdict:
        """Admit a wish about what is no part of the mix; rights have been looked at."""
        m = self.matrix
        if slot < m.hold:
            return self._hear(who, slot, value, now_s)
        value = 1.0 if value >= 0.5 else 0.0
        if slot >= m.preset:
            return self._call(who, slot, value)
        if slot < m.ask:
            self.held[slot - m.hold] = int(value)
            m.asked[slot] = value
        elif value:
            self._ask(who, slot - m.ask + m.send, now_s)
        self.engine.news[slot] = None
        return Verdict(TAKEN, slot, who, value, value, "")

    def _hear(self, who: int, slot: int, level_db: float, now_s: float) -> Verdict:
        """A sound level was measured: no wish, but it comes the same road."""
        stage = self.engine.stage
        if not 0.0 <= level_db <= limits.SOUND_DB_MAX:
            return Verdict(REFUSED, slot, who, level_db, self.matrix.asked[slot], "no sound")
        if stage is None or not stage.hear(slot, level_db, now_s):
            return Verdict(REFUSED, slot, who, level_db, self.matrix.asked[slot], "no ear here")
        return Verdict(TAKEN, slot, who, level_db, level_db, "")

    def _call(self, who: int, slot: int, value: float) -> Verdict:
        """Note that somebody calls for a preset: files are read outside of the rules."""
        if not self.matrix.layout.presets:
            return Verdict(REFUSED, slot, who, value, self.matrix.asked[slot], "no presets")
        if value and len(self.calls) >= limits.CALLS_MAX:
            return Verdict(REFUSED, slot, who, value, self.matrix.asked[slot], "preset busy")
        if value:
            self.calls.append((who, slot))
        return Verdict(TAKEN, slot, who, value, value, "")

    def recalled(self, name: str) -> None:
        """A preset was recalled: its lamp is lit and the others are not."""
        m = self.matrix
        for number, each in enumerate(m.layout.presets):
            m.asked[m.preset + number] = float(each == name)
            self.engine.news[m.preset + number] = None

    # -- asks -----------------------------------------------------------------------------------

    def _ask(self, who: int, slot: int, now_s: float) -> None:
        """Note what somebody asks for; to ask twice is to ask once."""
        if who == ENGINEER or any((r.performer, r.slot) == (who, slot) for r in self.requests):
            return
        self._asked += 1
        self.requests.append(Request(self._asked, who, slot, now_s))
        del self.requests[: -limits.REQUESTS_MAX]

    def ask(self, performer: int, slot: int, now_s: float) -> Verdict:
        """A performer asks for more of a send, by its level's slot."""
        m = self.matrix
        return self.engine.wish(performer, slot - m.send + m.ask, 0, 1.0, now_s)

    def take(self, number: int) -> Request | None:
        """Answer a request: it is taken off the list; None when it is no longer there.

        To grant it, wish the step that it is worth (``limits.REQUEST_DB``) as the engineer.
        """
        for place, request in enumerate(self.requests):
            if request.number == number:
                self.changes += 1
                return self.requests.pop(place)
        return None

    # -- ceilings set live ----------------------------------------------------------------------

    def set_ceiling(self, performer: int, slot: int, ceiling_db: float | None) -> float:
        """The engineer sets how high a level may go, from now on.

        It binds at once: nothing rises above it, and a level above it comes down at the rig's
        ``lower_db_per_s``. A ceiling that the rig declares is never loosened.

        Args:
            performer: For whom; -1 for everybody.
            slot: A send, master or fader.
            ceiling_db: dB; ``None`` is as the rig declares.

        Returns:
            The ceiling that holds now, dB; ``inf`` where there is none.

        Raises:
            ValueError: the slot is no level, or the ceiling is not a number.
        """
        ceilings, m = self.engine.ceilings, self.matrix
        if not (m.is_send(slot) or m.is_master(slot) or m.is_fader(slot)):
            raise ValueError(f"ceiling: found slot {slot}, expected a send, master or fader")
        if ceiling_db is not None and not ceiling_db <= INF:
            raise ValueError(f"ceiling, dB: found {ceiling_db}, expected a number")
        self.changes += 1
        self.live.pop((performer, slot), None)
        if ceiling_db is not None:
            self.live[performer, slot] = ceiling_db
        wanted = INF if ceiling_db is None else ceiling_db
        if performer != ENGINEER:
            top = min(self._declared_own[performer][slot], wanted)
            ceilings.own[performer][slot] = top
            self._sink(slot, top)
            return top
        declared = self._declared_hard[slot]
        top = min(declared, wanted)
        ceilings.rule[slot] = "engineer ceiling" if top < declared else self._declared_rule[slot]
        ceilings.hard[slot] = max(top, min(ceilings.hard[slot], self._stands(slot)))
        self._sink(slot, top)
        return top

    def _stands(self, slot: int) -> float:
        """The highest that a level is asked or told now, dB."""
        m = self.matrix
        told = m.told[slot]
        return max(m.asked[slot], told if told == told else OFF)

    def _sink(self, slot: int, top_db: float) -> None:
        self.engine.news[slot] = None
        if self._stands(slot) > top_db:
            self._sinking[slot] = top_db
        else:
            self._sinking.pop(slot, None)
            self._bind(slot, top_db)

    def _bind(self, slot: int, top_db: float) -> None:
        """A hard ceiling that was let down slowly has arrived."""
        hard = self.engine.ceilings.hard
        if self.engine.ceilings.rule[slot] == "engineer ceiling" and hard[slot] > top_db:
            hard[slot] = top_db

    @property
    def sinking(self) -> bool:
        """Whether a level is on its way down to a ceiling."""
        return bool(self._sinking)

    def sink(self) -> None:
        """Take levels above their new ceilings down by one tick's share."""
        m, engine = self.matrix, self.engine
        for slot, top in list(self._sinking.items()):
            lower = max(top, self._stands(slot) - self._sink_db)
            if engine.ceilings.rule[slot] == "engineer ceiling":
                engine.ceilings.hard[slot] = max(top, min(engine.ceilings.hard[slot], lower))
            m.asked[slot] = min(m.asked[slot], lower)
            m.left[slot] = 0
            engine.news[slot] = None
            engine.refresh(slot)
            if lower <= top:
                del self._sinking[slot]
                self._bind(slot, top)

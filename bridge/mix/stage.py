"""How the stage binds the mix: feedback, exposure, amplifiers. Pure.

Two worlds are kept. *Goals*: the levels as they will be when every ramp has arrived; wishes are
admitted against it, so that whatever was admitted fits together. *Held*: the loudest that the
console may have now; words that raise are let out against it, one after the other, so that raises
of one tick never pass jointly. Its limits are a hair wider: what was admitted to the last crumb
arrives there, whatever rounding does. A fall counts in *held* once the console is known to have it
and no older, louder word can still arrive.
"""

from __future__ import annotations

import math
from collections import deque
from typing import TYPE_CHECKING

from bridge import limits
from bridge.mix.gesture import LIMITED, Verdict
from bridge.mix.listening import Listening
from bridge.mix.matrix import LEVEL
from bridge.mix.world import SAFE_DB, World
from bridge.rig.rig import ENGINEER
from bridge.stage import headroom, rings
from bridge.stage.spectral import Array
from bridge.stage.survey import survey
from bridge.units import OFF

if TYPE_CHECKING:
    from bridge.mix.engine import Engine

PULL_LEAST_DB = 0.1
"""Smallest step by which a bus is pulled down: the last crumbs would take for ever."""


class Stage:
    """The rules of a stage, for one engine.

    Args:
        engine: The rules that it joins.
        late_s: So long after the console's word an older word of ours may still arrive, s.

    Attributes:
        survey: The stage as numbers.
        marks: Ring marks in force.
        goals: The world where every ramp has arrived.
        held: The world as loud as the console may have it.
        listening: What every pair of ears has had.
        over: Whether the desk has taken the goals past a limit: nothing may rise.
    """

    def __init__(self, engine: Engine, late_s: float) -> None:
        said = engine.rig.file.stage
        assert said is not None, "the rig has a stage"
        self.engine, self.matrix = engine, engine.matrix
        self._late_s = late_s
        self.survey = survey(engine.rig)
        self.marks: tuple[rings.RingMark, ...] = ()
        self._lifted: tuple[int, int] | None = None
        power = said.bound == "power"
        self._per_ten = 10.0 if power else 20.0
        limit = headroom.limit(said.margin_db if power else said.margin_db / 2.0)
        worlds = [
            World(self.matrix, self.survey, self._coupling(), limit, self._per_ten, slack_db=slack)
            for slack in (2.0 * SAFE_DB, SAFE_DB)
        ]
        self.goals, self.held = worlds
        self.listening = Listening(engine.rig, self.held)
        self.over = False
        self._pulls = said.when_over == "pull down"
        self._pull_db = said.pull_db_per_s * limits.TICK_S
        self._turned: dict[int, int] = {}
        self._falls: deque[tuple[float, int]] = deque()
        self._words: list[list[tuple[float, float]]] = [[] for _ in range(self.matrix.size)]
        self.begin()

    # -- the air --------------------------------------------------------------------------------

    def use_marks(self, marks: tuple[rings.RingMark, ...]) -> None:
        """Take ring marks into force: what was measured replaces what was computed."""
        self.marks = marks
        self._recouple()

    def lift(self, channel: int, bus: int) -> None:
        """Let one send pass its feedback ceiling, while somebody listens for its first ring."""
        self._lifted = channel, bus
        self._recouple()

    def lower(self) -> None:
        """End what ``lift`` began."""
        self._lifted = None
        self._recouple()

    def _recouple(self) -> None:
        for world in (self.goals, self.held):
            world.recouple(self._coupling())
        self._look()

    def _coupling(self) -> Array:
        """H in force, in the unit of the bound."""
        found = self.survey
        h = rings.in_force(found.powers, found.amplitudes, self.marks, self._per_ten)
        if self._lifted is not None:
            h[self._lifted] = 0.0
        return h

    # -- wishes ---------------------------------------------------------------------------------

    def ceiling(self, slot: int) -> tuple[float, str]:
        """How high a level may be asked to go, dB, and the rule; ``inf`` where none binds."""
        return self.goals.ceiling(slot)

    def admitted(self, slot: int, goal_db: float) -> float:
        """A goal as far as the stage admits it, from now on reserved in the world of goals."""
        world = self.goals
        before = world.level[slot]
        if goal_db != goal_db:
            goal_db = self._unknown(slot)
        if goal_db > before and not self.matrix.left[slot]:
            ceiling, rule = world.ceiling(slot)
            if goal_db > ceiling:
                goal_db = self._cut(slot, goal_db, ceiling, rule)
        if goal_db != before:
            world.put(slot, goal_db)
            if self.over and goal_db < before:
                self._look()
        return goal_db

    def _cut(self, slot: int, wanted_db: float, ceiling_db: float, rule: str) -> float:
        """What was asked before the room became so small now comes up to the ceiling alone."""
        m, engine = self.matrix, self.engine
        m.asked[slot] -= wanted_db - ceiling_db if ceiling_db > OFF else math.inf
        engine.news[slot] = None
        who = self._turned.get(self._bus(slot), ENGINEER)
        engine.late.append(Verdict(LIMITED, slot, who, wanted_db, ceiling_db, rule, 0.0))
        return ceiling_db

    def hear(self, slot: int, level_db: float, now_s: float) -> bool:
        """A meter said the level at a performer's ear: it replaces the estimate for a while.

        Returns:
            Whether such an ear is declared.
        """
        performer = slot - self.matrix.sound
        if not self.listening.hears(performer):
            return False
        self.listening.measured(performer, level_db, now_s)
        self.matrix.asked[slot] = level_db
        self.engine.news[slot] = None
        return True

    def turned(self, who: int, slot: int) -> None:
        """Remember whose switch it was that opens, for what is said later of its levels."""
        place = self.matrix.layout.place(slot)
        buses = range(self.matrix.buses) if place.bus < 0 else (place.bus,)
        for bus in buses:
            self._turned[bus] = who

    def _bus(self, slot: int) -> int:
        return self.matrix.layout.place(slot).bus

    def retap(self, slot: int) -> None:
        """A tap was asked or told: what its send takes from the fader may have changed."""
        m = self.matrix
        if m.tap <= slot < m.pan:
            for world in (self.goals, self.held):
                world.retap(slot - m.tap + m.send)

    # -- words ----------------------------------------------------------------------------------

    def allowed_now(self, slot: int, goal_db: float, now_s: float) -> float:
        """How far a level may be told now, beside all that the console may have."""
        if self._falls:
            self._let_fall(now_s)
        ceiling, rule = self.held.ceiling(slot)
        if rule and ceiling <= self.held.level[slot]:
            return self.matrix.told[slot]  # no room: not even up to what it may still have
        return min(goal_db, ceiling)

    def told(self, slot: int, now_s: float) -> None:
        """A word about a level left, or is known to have arrived."""
        m = self.matrix
        level_db = m.told[slot]
        if m.kind[slot] != LEVEL or level_db != level_db:
            return
        words = self._words[slot]
        if not words or words[-1][0] != level_db:
            while words and words[-1][0] <= level_db:
                words.pop()
            words.append((level_db, math.inf))
        if m.settled[slot]:
            due_s = now_s + self._late_s
            self._words[slot] = [(db, min(until_s, due_s)) for db, until_s in words[:-1]]
            self._words[slot].append(words[-1])
            if len(words) > 1:
                self._falls.append((due_s, slot))
                self._let_fall(now_s)
        self._hold(slot)

    def may_be(self, slot: int, level_db: float) -> None:
        """The console may stand at a louder word than the last one."""
        words = self._words[slot]
        if words and level_db > words[-1][0]:
            louder = [word for word in words if word[0] > level_db]
            self._words[slot] = [*louder, (level_db, math.inf), words[-1]]
            self._hold(slot)

    def _hold(self, slot: int) -> None:
        """Bring the world that is held up to date with the loudest word of a level."""
        loudest_db = self._words[slot][0][0]
        if loudest_db != self.held.level[slot]:
            self.held.put(slot, loudest_db)

    def _let_fall(self, now_s: float) -> None:
        """Forget the louder words that can no longer arrive."""
        while self._falls and self._falls[0][0] <= now_s:
            _, slot = self._falls.popleft()
            words = self._words[slot]
            kept = [word for word in words[:-1] if word[1] > now_s]
            self._words[slot] = [*kept, *words[-1:]]
            if words:
                self._hold(slot)

    # -- the desk -------------------------------------------------------------------------------

    def begin(self) -> None:
        """Look at all levels anew: at the start, and after a fault."""
        m = self.matrix
        levels = [slot for slot in range(m.size) if m.kind[slot] == LEVEL]
        held, goals = [OFF] * m.size, [OFF] * m.size
        for slot in levels:
            told, goal = m.told[slot], m.goal[slot]
            held[slot] = told if told == told else self._unknown(slot)
            self._words[slot] = [(held[slot], math.inf)]
            waits = goal != goal and m.can_set[slot] and not m.is_fader(slot)
            goals[slot] = OFF if waits else goal if goal == goal else held[slot]
        self.held.put_all(held)
        self.goals.put_all(goals)
        self._falls.clear()
        if self._look():
            _, rule, over_db = self.goals.loudest_part()
            self.listening.notices.append(
                f"the console stands {over_db:.1f} dB past a limit of the stage ({rule}): "
                "nothing may rise; turn down what is loudest"
            )

    def _unknown(self, slot: int) -> float:
        """What a level counts as that nobody has told: as high as it may be."""
        hard_db = self.engine.ceilings.hard[slot]
        return hard_db if hard_db < math.inf else 0.0

    def followed(self, slot: int) -> None:
        """The desk moved a level, or a tap."""
        m = self.matrix
        if m.kind[slot] != LEVEL:
            self.retap(slot)
        else:
            for world in (self.goals, self.held):
                world.put(slot, m.told[slot])
            self._words[slot] = [(m.told[slot], math.inf)]
        if not self._look():
            return
        told = m.told[slot]
        rule = self.goals.loudest_part()[1]
        self.engine.late.append(Verdict(LIMITED, slot, ENGINEER, told, told, f"past {rule}", 0.0))

    def _look(self) -> bool:
        """See whether the goals stand past a limit; true when they do so only now."""
        before, self.over = self.over, bool(self.goals.loudest_part()[1])
        if self.over and not before:
            self._stop_ramps()
        return self.over and not before

    def _stop_ramps(self) -> None:
        """Nothing rises by itself once the stage stands past a limit: ramps end where they are."""
        m, engine = self.matrix, self.engine
        for slot in list(engine.moving):
            told = m.told[slot]
            if told == told and told < m.asked[slot]:
                m.asked[slot] = told
                engine.news[slot] = None
                engine.refresh(slot)

    @property
    def pulling(self) -> bool:
        """Whether a bus is being pulled down."""
        return self.over and self._pulls

    def pull(self) -> None:
        """Pull the bus down that carries most of what is too much, by one tick's share."""
        bus, rule, over_db = self.goals.loudest_part()
        if not rule:
            self.over = False
            return
        m, engine = self.matrix, self.engine
        slot = m.master + bus
        stands_db = max(m.told[slot], m.goal[slot]) if m.goal[slot] == m.goal[slot] else OFF
        step_db = min(self._pull_db, max(over_db, PULL_LEAST_DB))
        m.asked[slot] = min(m.asked[slot], stands_db) - step_db
        m.left[slot] = 0
        engine.news[slot] = None
        engine.refresh(slot)

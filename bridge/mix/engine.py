"""The rules at work: wishes in, verdicts and levels out. Pure.

A wish is admitted here (rights, ceilings), changes what is asked, and marks the slots whose goal
moved. The console side takes the marked slots when its link has room and asks ``outgoing`` for the
value that each may be told at that moment: so a slow link thins a ramp out and never bunches it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from bridge import limits
from bridge.mix.buses import Buses
from bridge.mix.ceilings import Ceilings
from bridge.mix.gates import Gates
from bridge.mix.gesture import FLIP, LIMITED, REFUSED, STEP, TAKEN, Verdict
from bridge.mix.groups import Groups
from bridge.mix.guard import Guard
from bridge.mix.matrix import (
    FALL,
    LEVEL,
    OTHER,
    RAISE,
    RUNNING,
    UNREAD,
    URGENT,
    Matrix,
)
from bridge.mix.outgoing import Outgoing
from bridge.mix.people import People
from bridge.mix.switches import Switches
from bridge.rig.rig import Rig
from bridge.units import FLOOR_DB, OFF

if TYPE_CHECKING:
    from bridge.mix.stage import Stage

NAN = math.nan


class Engine:
    """One rig's rules and levels.

    Args:
        rig: What was declared.
        can_set: Slots that the console can be told.
        wait_for_word: Nothing rises before the console has confirmed the last word about it.
        slack_s: By how much the link's delay may vary, s.
        late_s: So long after the console's word an older one may still reach it, s.

    Attributes:
        marked: Slots whose value waits to be told, with their rank; the console side empties it.
        news: Slots whose asked value changed, for controllers and views; emptied by the reader.
        moving: Levels on a ramp.
        lost: The console does not answer.
        late: Verdicts on what was taken before and could not be reached; emptied by the reader.
        stage: How the stage binds; None for a rig without one.
        phase: ``UNREAD``, ``MASTERS``, ``SENDS`` or ``RUNNING``.
        outgoing: What the console may be told.
    """

    def __init__(
        self,
        rig: Rig,
        *,
        can_set: frozenset[int],
        wait_for_word: bool = False,
        slack_s: float = 0,
        late_s: float = limits.UNDER_WAY_S,
    ) -> None:
        m = self.matrix = Matrix(rig, can_set, slack_s)
        self.rig = rig
        self.ceilings = Ceilings(rig, m)
        self.guard = Guard(rig, m)
        self.gates = Gates(m)
        self.groups = Groups(rig, m)
        self.buses = Buses(self)
        self.wait_for_word = wait_for_word
        self.marked: dict[int, int] = {}
        self.news: dict[int, None] = {}
        self.moving: dict[int, None] = {}
        self.waiting: dict[int, None] = {}
        self.lost = False
        self.phase = UNREAD
        self.late: list[Verdict] = []
        self._tick_at = -math.inf
        self.stage = self._staged(late_s)
        self.people = People(self)
        self.switches = Switches(self)
        self.outgoing = Outgoing(self)

    def _staged(self, late_s: float) -> Stage | None:
        """The rules of the stage; a rig without one does not even load them."""
        if self.rig.file.stage is None:
            return None
        from bridge.mix.stage import Stage

        return Stage(self, late_s)

    # -- wishes ---------------------------------------------------------------------------------

    def wish(self, who: int, slot: int, action: int, value: float, now_s: float) -> Verdict:
        """Admit a wish as far as the rules allow.

        Args:
            who: Performer's number, -1 the engineer.
            slot: What to move.
            action: ``SET`` to a value, ``STEP`` by so many dB, ``FLIP`` a switch.
            value: dB, 0/1 or a pan, as the parameter wants; not used by ``FLIP``.
            now_s: This moment, s.

        Returns:
            The verdict. Never raises, whatever comes in.
        """
        m = self.matrix
        if not 0 <= slot < m.size:
            return Verdict(REFUSED, 0, who, value, NAN, "no such parameter")
        if value != value:
            return Verdict(REFUSED, slot, who, value, m.asked[slot], "no number")
        if action == FLIP:
            value = 0.0 if m.asked[slot] >= 0.5 else 1.0
        refusal = self.guard.refusal(who, slot, value)
        if not refusal and self.phase == UNREAD:
            refusal = "console unread"
        if refusal:
            return Verdict(REFUSED, slot, who, value, m.asked[slot], refusal)
        if slot >= m.sound:
            return self.people.wish(who, slot, value, now_s)
        if slot >= m.group and action != FLIP:
            return self._wish_group(who, slot, action, value)
        if m.kind[slot] != LEVEL:
            return self._wish_switch(who, slot, value)
        return self._wish_level(who, slot, action, value)

    def _stepped(self, asked_db: float, step_db: float) -> float:
        """A level some dB further; up from off begins at the ramp floor."""
        start = max(asked_db, self.matrix.floor_db) if step_db > 0 else asked_db
        return start + step_db

    def _wish_level(self, who: int, slot: int, action: int, wanted: float) -> Verdict:
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
        ceiling = self.ceilings.ceiling(slot)
        value, rule = self._limited(who, slot, wanted, ceiling)
        top, near = self._next_limit(who, slot, ceiling) if value > asked else (NAN, "")
        if value > top:
            value, rule = (top, near) if top > asked else (asked, near)
        if self.lost and value > asked and not value <= m.told[slot]:
            return Verdict(REFUSED, slot, who, wanted, asked, "console silent")
        m.asked[slot] = value if value >= FLOOR_DB else OFF
        m.left[slot] = 0
        self.news[slot] = None
        self._aim(slot, OTHER, ceiling[0])
        if slot < m.channel_mute and slot >= m.fader:
            self._refresh_post(slot - m.fader)
        if rule:
            return Verdict(LIMITED, slot, who, wanted, value, rule, 0.0)
        return Verdict(TAKEN, slot, who, wanted, value, "", top - value, near)

    def _next_limit(self, who: int, slot: int, hard: tuple[float, str]) -> tuple[float, str]:
        """The lowest limit above a level that rises, dB, and its rule."""
        top, near = hard
        own = self.ceilings.own[who][slot]
        if own < top:
            top, near = own, "own ceiling"
        if self.stage is not None:
            room, rule = self.stage.ceiling(slot)
            if room < top:
                return room, rule
        return top, near

    def limit(self, who: int, slot: int, wanted: float) -> tuple[float, str]:
        """How far a level may be asked to go, and the rule that held it (empty: none did).

        Everybody's ceilings always hold. A performer's own ceiling stops raises only: what the
        engineer set higher may come down in steps.
        """
        return self._limited(who, slot, wanted, self.ceilings.ceiling(slot))

    def _limited(
        self, who: int, slot: int, wanted: float, hard: tuple[float, str]
    ) -> tuple[float, str]:
        value, rule = wanted, ""
        ceiling, why = hard
        if not value <= ceiling:
            value, rule = ceiling, why
        own = self.ceilings.own[who][slot]
        if not value <= own:
            asked = self.matrix.asked[slot]
            stays = asked if own < asked else own
            if value > stays:
                value, rule = stays, "own ceiling"
        return value, rule

    def _wish_group(self, who: int, slot: int, action: int, value: float) -> Verdict:
        step = self.groups.step_wanted(slot, action, value)
        if step > 0 and self.lost:
            return Verdict(REFUSED, slot, who, value, self.matrix.asked[slot], "console silent")
        allowed = self.groups.step_allowed(slot, step, lambda s, db: self.limit(who, s, db)[0])
        rule = "" if allowed == step else "group ceiling"
        if allowed > 0 and self.stage is not None:
            room, near = self.stage.goals.room_of_group(self.groups.members(slot))
            if room < allowed:
                allowed, rule = max(0.0, room), near
        for send, level in self.groups.moved(slot, allowed):
            self.matrix.asked[send] = level
            self.matrix.left[send] = 0
            self.news[send] = None
            self.refresh(send)
        self.matrix.asked[slot] = level = self.groups.level(slot)
        self.news[slot] = None
        return Verdict(LIMITED if rule else TAKEN, slot, who, value, level, rule)

    def _wish_switch(self, who: int, slot: int, value: float) -> Verdict:
        m = self.matrix
        if m.pan <= slot < m.master:
            value = min(1.0, max(-1.0, value))
        else:
            value = 1.0 if value >= 0.5 else 0.0
        if (slot < m.send or m.tap <= slot < m.master) and not m.can_set[slot]:
            return Verdict(REFUSED, slot, who, value, m.asked[slot], "not at the console")
        if self.lost and self.buses.louder(slot, value):
            return Verdict(REFUSED, slot, who, value, m.asked[slot], "console silent")
        if self.stage is not None:
            self.stage.turned(who, slot)
        self.switches.turn(who, slot, value)
        self.news[slot] = None
        return Verdict(TAKEN, slot, who, value, value, "")

    # -- goals ----------------------------------------------------------------------------------

    def refresh(self, slot: int, rank: int = OTHER) -> None:
        """Work out a slot's goal and mark it when the console has another value."""
        m = self.matrix
        if m.kind[slot] == LEVEL:
            self._aim(slot, rank, self.ceilings.ceiling(slot)[0])
            return
        goal = m.goal[slot] = self.buses.switch_goal(slot)
        if self.stage is not None:
            self.stage.retap(slot)
        if goal != m.told[slot] and m.can_set[slot]:
            self._mark(slot, rank)

    def _aim(self, slot: int, rank: int, ceiling_db: float) -> None:
        """Work out a level's goal under its ceiling."""
        m = self.matrix
        told = m.told[slot]
        goal = self.gates.level_goal(slot, ceiling_db)
        if self.stage is not None:
            goal = self.stage.admitted(slot, goal)
        m.goal[slot] = goal
        if goal == told or not m.can_set[slot]:
            self.moving.pop(slot, None)
        elif goal > told:
            self._mark(slot, RAISE)
        else:
            self._mark(slot, URGENT if rank == URGENT else FALL)

    def _mark(self, slot: int, rank: int) -> None:
        marked = self.marked.get(slot)
        if marked is None or rank < marked:
            self.marked[slot] = rank

    def free_again(self, slot: int, rank: int = OTHER) -> None:
        """Look again whether a level stands behind a closed gate, and refresh it."""
        m = self.matrix
        if m.is_send(slot):
            m.free[slot] = self.gates.send_free(slot)
        elif m.is_master(slot):
            m.free[slot] = self.gates.master_free(slot - m.master)
        self.refresh(slot, rank)

    def _refresh_post(self, channel: int) -> None:
        """A fader moved: post-fader sends have another ceiling now."""
        m = self.matrix
        for slot in m.sends_of_channel(channel):
            if m.asked[slot - m.send + m.tap]:
                self.refresh(slot)

    # -- what the console has ------------------------------------------------------------------

    def settle(self, slot: int, now_s: float) -> None:
        """The console is known to have what it was told last."""
        m = self.matrix
        if m.settled[slot]:
            return
        m.settled[slot] = m.out[slot] = 1
        if self.stage is not None:
            self.stage.told(slot, now_s)
        if m.kind[slot] != LEVEL:
            self.buses.behind(slot, self.free_again)

    # -- time -----------------------------------------------------------------------------------

    def running(self) -> bool:
        """Whether the start is over: every bus is ready to be opened."""
        return self.phase == RUNNING

    def advance(self, now_s: float) -> None:
        """Let time pass: mark what ramps, try what waits, bring the start one step further."""
        pulling = False
        if self.stage is not None:
            self.stage.listening.advance(now_s)
            pulling = self.stage.pulling
        sinking = self.people.sinking
        if not (self.moving or self.waiting or pulling or sinking) and self.phase == RUNNING:
            return
        if now_s < self._tick_at:
            return
        self._tick_at = now_s + limits.TICK_S
        if pulling and self.stage is not None:
            self.stage.pull()
        if sinking:
            self.people.sink()
        if UNREAD < self.phase < RUNNING:
            self.buses.start_further()
        marked = self.marked
        for slot in self.waiting:
            marked.setdefault(slot, OTHER)
        if not self.lost:
            for slot in self.moving:
                marked.setdefault(slot, RAISE)

    def next_wake_s(self) -> float:
        """When ``advance`` has something to do next; ``inf`` when all rests."""
        busy = self.waiting or (self.moving and not self.lost) or UNREAD < self.phase < RUNNING
        busy = busy or self.people.sinking
        if self.stage is None:
            return self._tick_at if busy else math.inf
        listens_s = self.stage.listening.next_wake_s()
        return min(self._tick_at, listens_s) if busy or self.stage.pulling else listens_s

    # -- the console's own doing ----------------------------------------------------------------

    def begin(self, heard: Mapping[int, float], now_s: float) -> None:
        """Start cold, masters low first; ``heard`` is empty where the console can't be asked."""
        self.buses.begin(heard, now_s)
        if self.stage is not None:
            self.stage.begin()
            self.stage.listening.begin(now_s)

    def desk(self, slot: int, value: float, now_s: float) -> None:
        """The desk moved: the matrix follows."""
        self.buses.desk(slot, value, now_s)
        if self.stage is not None:
            self.stage.followed(slot)

    def slipped(self, slot: int, value: float, now_s: float) -> None:
        """The console may stand at an older word of ours, so the last one is not settled.

        From a lower one the level climbs again.
        """
        m = self.matrix
        m.settled[slot] = 0
        if self.stage is not None and m.kind[slot] == LEVEL:
            self.stage.may_be(slot, value)
        if m.kind[slot] == LEVEL and value < m.told[slot]:
            m.rides.slipped(slot, value, now_s)
            self.refresh(slot)

    def unsent(self, slot: int, before_db: float, now_s: float) -> None:
        """A raise was not taken by the link: stand where it was, and try at the next tick."""
        m = self.matrix
        m.rides.slipped(slot, before_db, now_s)
        m.settled[slot] = 1
        self.moving[slot] = None
        if self.stage is not None:
            self.stage.told(slot, now_s)

    def sink(self, slot: int, level_db: float) -> bool:
        """Go down to a level because more may never have arrived; False for what is no level."""
        m = self.matrix
        if m.kind[slot] != LEVEL or level_db != level_db:
            return False
        m.asked[slot] = min(m.asked[slot], level_db)
        m.left[slot] = 0
        self.refresh(slot)
        return True

    def console_lost(self) -> None:
        """The console fell silent: falls still go out, nothing rises."""
        self.lost = True

    def console_back(self, heard: Mapping[int, float], now_s: float) -> None:
        """The console answers again: the lower of the two levels stays, until somebody asks."""
        self.lost = False
        self.buses.reconcile(heard, now_s)
        if self.stage is not None:
            self.stage.begin()

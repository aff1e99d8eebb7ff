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
from bridge.mix.gesture import FLIP, REFUSED, Verdict
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
from bridge.mix.wishes import Wishes
from bridge.rig.rig import Rig

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
        self.wishes = Wishes(self)
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
            return self.wishes.group(who, slot, action, value)
        if m.kind[slot] != LEVEL:
            return self.wishes.switch(who, slot, value)
        return self.wishes.level(who, slot, action, value)

    # -- goals ----------------------------------------------------------------------------------

    def refresh(self, slot: int, rank: int = OTHER) -> None:
        """Work out a slot's goal and mark it when the console has another value."""
        m = self.matrix
        if m.kind[slot] == LEVEL:
            self.aim(slot, rank, self.ceilings.ceiling(slot)[0])
            return
        goal = m.goal[slot] = self.buses.switch_goal(slot)
        if self.stage is not None:
            self.stage.retap(slot)
        if goal != m.told[slot] and m.can_set[slot]:
            self._mark(slot, rank)

    def aim(self, slot: int, rank: int, ceiling_db: float) -> None:
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

    def refresh_post(self, channel: int) -> None:
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
        self.lost = False
        self.buses.begin(heard, now_s)
        if self.stage is not None:
            self.stage.begin()
            self.stage.listening.begin(now_s)

    def desk(self, slot: int, value: float, now_s: float) -> None:
        """The desk moved: the matrix follows."""
        self.wishes.anchors.pop(slot, None)
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
        self.news[slot] = None
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

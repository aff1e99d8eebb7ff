"""What a page says becomes wishes, on the road that all wishes take; the way back is kept. Pure."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from typing import NamedTuple

from bridge import limits, units
from bridge.house import House
from bridge.mix.gesture import REFUSED, Verdict
from bridge.mix.matrix import RUNNING
from bridge.pages.messages import Said
from bridge.rig.layout import FLIP, SET, STEP
from bridge.rig.rig import ENGINEER

UNDO_MAX = 50
"""Changes that can be taken back: nobody remembers more."""

ONE_MOVE_S = 1.5
"""Wishes about one control without a longer pause are one move, and are taken back as one."""


class Change(NamedTuple):
    """One change that can be taken back.

    Attributes:
        words: What it was, for people.
        before: Slots with what was asked of them before.
        after: Slots with what was asked of them then, where a move since then is to stay.
    """

    words: str
    before: dict[int, float]
    after: dict[int, float] | None = None


class Start:
    """The mixes that the buses started with: what ``back to the start mix`` means.

    Args:
        house: What is moved.
    """

    def __init__(self, house: House) -> None:
        self._house = house
        self._sends: dict[int, float] = {}

    def look(self) -> None:
        """Remember the sends as they are when the start is over; later calls cost nothing."""
        engine = self._house.engine
        if self._sends or engine.phase != RUNNING:
            return
        m = engine.matrix
        self._sends = {slot: m.asked[slot] for slot in range(m.send, m.tap) if m.can_set[slot]}

    @property
    def known(self) -> bool:
        """Whether the start is over and its mixes are remembered."""
        return bool(self._sends)

    def of(self, bus: int) -> dict[int, float]:
        """What each send of a bus, and its switch, was asked at the start."""
        m = self._house.engine.matrix
        return {s: v for s, v in self._sends.items() if (s - m.send) % m.buses == bus}


class Hands:
    """One person at one device: puts its wishes before the rules.

    Args:
        house: What is moved.
        who: Performer's number, -1 the engineer.
        road: What the wishes come through, as logs and other pages name it.
        may: Slots that its page may move at all; the rules decide after that.
        start: The mixes of the start.
    """

    def __init__(
        self, house: House, who: int, road: str, *, may: frozenset[int], start: Start
    ) -> None:
        self._house, self._matrix = house, house.engine.matrix
        self.who, self.road = who, road
        self._may, self._start = may, start
        self._changes: deque[Change] = deque(maxlen=UNDO_MAX)
        self._moved: tuple[int, float] = (-1, -math.inf)

    @property
    def undoes(self) -> str:
        """What an undo would take back, in words; empty when there is nothing."""
        return self._changes[-1].words if self._changes else ""

    def act(self, what: Said, now_s: float) -> str:
        """Do what a message says; what is not possible is said in words, "" otherwise."""
        if what.word in ("set", "step", "flip"):
            return self._move(what, now_s)
        if what.word == "undo":
            return self._undo(now_s)
        if what.word == "start":
            return self._back_to_start(what.number, now_s)
        return "this page has no such word"

    # -- one control ----------------------------------------------------------------------------

    def _move(self, what: Said, now_s: float) -> str:
        slot, action = what.number, {"set": SET, "step": STEP, "flip": FLIP}[what.word]
        if slot not in self._may:
            return "this is not on your page"
        before = self._matrix.asked[slot]
        verdict = self._wish(slot, action, what.value, now_s)
        if verdict.outcome != REFUSED and slot < self._matrix.group:
            self._remember(slot, before, now_s)
        return ""

    def _wish(self, slot: int, action: int, value: float, now_s: float) -> Verdict:
        wish = self._house.controllers.wish
        return wish(self.road, self.who, slot, action, value, now_s)

    def _remember(self, slot: int, before: float, now_s: float) -> None:
        """Keep what was asked before a move; the first wish of a move counts."""
        last, at_s = self._moved
        self._moved = slot, now_s
        goes_on = last == slot and now_s - at_s < ONE_MOVE_S and self._changes
        if goes_on or self._matrix.asked[slot] == before:
            return
        self._changes.append(Change(self._house.rig.name(slot), {slot: before}))

    # -- several --------------------------------------------------------------------------------

    def _undo(self, now_s: float) -> str:
        if not self._changes:
            return "there is nothing to take back"
        change, asked = self._changes.pop(), self._matrix.asked
        self._moved = (-1, -math.inf)
        stays = change.after or {}
        self._put({s: v for s, v in change.before.items() if stays.get(s, asked[s]) == asked[s]},
                  now_s)  # fmt: skip
        return ""

    def recalled(self, words: str, changes: Iterable[tuple[int, float, float]]) -> None:
        """Something moved a whole mix for this person: it can be taken back as one.

        Args:
            words: What it was.
            changes: Slots with the values before and after; what somebody moves later will stay.
        """
        kept = [change for change in changes if change[1] == change[1]]
        self._moved = (-1, -math.inf)
        if kept:
            before, after = {s: b for s, b, _ in kept}, {s: a for s, _, a in kept}
            self._changes.append(Change(words, before, after))

    def _back_to_start(self, bus: int, now_s: float) -> str:
        m = self._matrix
        if not 0 <= bus < m.buses:
            return "there is no such mix"
        wanted = {s: v for s, v in self._start.of(bus).items() if s in self._may}
        before = {s: m.asked[s] for s, v in wanted.items() if m.asked[s] != v}
        if not before:
            return "this is the start mix, or there is none yet"
        self._changes.append(Change(f"start mix of {self._house.rig.bus_label(bus)}", before))
        self._moved = (-1, -math.inf)
        self._put({slot: wanted[slot] for slot in before}, now_s)
        return ""

    def _put(self, values: dict[int, float], now_s: float) -> None:
        """Set several values: what falls goes first, so that it makes room for what rises."""
        m = self._matrix
        known = {slot: value for slot, value in values.items() if value == value}
        for slot in sorted(known, key=lambda s: known[s] - max(m.asked[s], units.FLOOR_DB - 1)):
            self._wish(slot, SET, known[slot], now_s)


class EngineerHands(Hands):
    """The engineer at one device."""

    def limit(self, slot: int, ceiling_db: float, whom: int) -> str:
        """Set how high a level may go; what is not possible is said in words.

        Args:
            slot: A send or master.
            ceiling_db: dB; ``inf`` is as the rig declares.
            whom: Performer's number, -1 everybody.
        """
        m = self._matrix
        if not (m.is_send(slot) or m.is_master(slot)):
            return "only sends and masters have a limit here"
        if whom >= len(self._house.rig.file.performer):
            return "there is no such performer"
        wanted = None if ceiling_db == math.inf else ceiling_db
        self._house.engine.people.set_ceiling(whom, slot, wanted)
        return ""

    def answer(self, number: int, granted: bool, now_s: float) -> tuple[int, str] | None:
        """Answer what a performer asked for.

        Returns:
            The performer, and the answer in words; None when it was answered before.
        """
        request = self._house.engine.people.take(number)
        if request is None:
            return None
        m, rig = self._matrix, self._house.rig
        channel = rig.channel_label((request.slot - m.send) // m.buses)
        if not granted:
            return request.performer, f"{rig.person(ENGINEER)}: not now ({channel})"
        before = m.asked[request.slot]
        verdict = self._wish(request.slot, STEP, limits.REQUEST_DB, now_s)
        if verdict.outcome == REFUSED or verdict.level <= before:
            return request.performer, f"{rig.person(ENGINEER)}: {channel} cannot go up now"
        self._remember(request.slot, before, now_s)
        return request.performer, f"{rig.person(ENGINEER)} gave you more {channel}"

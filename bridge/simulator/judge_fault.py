"""The judge of promise 5: nothing louder after a fault, until somebody asks. Pure."""

from __future__ import annotations

from collections.abc import Iterable

from bridge.simulator.held import Held
from bridge.simulator.recording import Facts


class FaultJudge:
    """Remembers what the console had before a fault.

    Attributes:
        since: When the fault happened, s; None while there is none.
    """

    def __init__(self, facts: Facts, held: Held, tolerance_db: float) -> None:
        self._held, self._tolerance_db, self._news_s = held, tolerance_db, facts.news_s
        self._floor_db = facts.ramp_floor_db
        self.since: float | None = None
        self._had: dict[int, tuple[float, float]] = {}

    def _now(self, slot: int) -> tuple[float, float]:
        """A level as told and as heard, dB, both at least the ramp floor."""
        level_db = self._held.newest[slot]
        told_db = level_db if level_db > self._floor_db else self._floor_db
        return told_db, self._held.heard(slot)

    def happened(self, at_s: float) -> None:
        """A fault: from here on nothing may be louder than now, nor than before the last one."""
        for slot in self._held.level_slots:
            told_db, heard_db = self._now(slot)
            if self.since is not None and slot in self._had:
                told_db = min(told_db, self._had[slot][0])
                heard_db = min(heard_db, self._had[slot][1])
            self._had[slot] = (told_db, heard_db)
        self.since = at_s

    def asked(self, slots: Iterable[int] | None) -> None:
        """Somebody asks for these levels again; for all when None."""
        for slot in list(self._had) if slots is None else slots:
            self._had.pop(slot, None)
        if not self._had:
            self.since = None

    def desk(self, slot: int) -> None:
        """Somebody moved a level at the desk itself: that is a person asking."""
        if slot in self._had:
            self._had[slot] = self._now(slot)

    def told(
        self, slot: int, sent_s: float, *, own: bool = True, before_db: float = float("-inf")
    ) -> str:
        """Judge a level after a word; the breach in words, empty when it is kept.

        Args:
            slot: The level.
            sent_s: When the word was sent, s.
            own: The word is about the level itself, not about a gate in front of it.
            before_db: How it was heard just before: what does not get louder is no breach.
        """
        if self.since is None or slot not in self._had:
            return ""
        (told_db, heard_db), (told_had_db, heard_had_db) = self._now(slot), self._had[slot]
        if sent_s <= self.since + self._news_s:  # sent before the bridge could know
            self._had[slot] = (max(told_db, told_had_db), max(heard_db, heard_had_db))
            return ""
        if own and not told_db <= told_had_db + self._tolerance_db:
            return f"told {told_db:.2f} dB after a fault, before it was {told_had_db:.2f} dB"
        if not heard_db <= max(heard_had_db, before_db) + self._tolerance_db:
            return f"heard at {heard_db:.2f} dB after a fault, before it was {heard_had_db:.2f} dB"
        return ""

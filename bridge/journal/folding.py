"""Gestures as rows: a control that moves all the time is one row a second, not fifty. Pure."""

from __future__ import annotations

import math
from collections import OrderedDict
from typing import Any, NamedTuple

from bridge.mix.gesture import Verdict

FOLD_S = 1.0
"""One row a second for each control, outcome and rule: people look for seconds, not for ticks."""

OPEN_MAX = 1000
"""Rows that wait for their second to end; with more, all are closed at once."""

ROWS_PER_S, BURST_ROWS = 200.0, 2000
"""Rows begun in a second, and at once: ten hands on twenty controls each, and a preset that moves
every send of a large stage. A box that chatters on all of its knobs must not fill a card."""

Key = tuple[str, int, int, int, str]


class Row(NamedTuple):
    """What one control asked for within a second, and what became of it.

    Attributes:
        number: Counts the rows of this run from 1.
        at_s: The first gesture, s on the calendar.
        until_s: The last one.
        through: What it came through: a controller's id, ``page``, ``preset``.
        who: Performer's number, -1 the engineer.
        slot: The parameter.
        outcome: ``TAKEN``, ``LIMITED`` or ``REFUSED``.
        rule: The rule that bound; empty when it was taken.
        wanted: What was asked last.
        level: What it got.
        times: How many gestures.
    """

    number: int
    at_s: float
    until_s: float
    through: str
    who: int
    slot: int
    outcome: int
    rule: str
    wanted: float
    level: float
    times: int


_AT, _UNTIL, _WANTED, _LEVEL, _TIMES = map(
    Row._fields.index, ("at_s", "until_s", "wanted", "level", "times")
)


class Folder:
    """Gestures on their way to become rows.

    Attributes:
        ready: Rows to be written, emptied by the reader: each when its first gesture comes, and
            once more when its second is over and there were others.
        left_out: Gestures that began no row because there were too many.
    """

    def __init__(self) -> None:
        # Rows that still change, so lists; the oldest first. OrderedDict, because taking the first
        # of a plain dict walks over all that were taken.
        self._open: OrderedDict[Key, list[Any]] = OrderedDict()
        self._due_s = math.inf
        self._room, self._room_at_s = float(BURST_ROWS), -math.inf
        self.left_out = 0
        self.ready: list[Row] = []
        self._number = 0

    def note(self, through: str, verdict: Verdict, at_s: float) -> None:
        """Take one gesture."""
        outcome, slot, who, wanted, level, rule, *_ = verdict
        key = (through, slot, who, outcome, rule)
        row = self._open.get(key)
        if row is not None and at_s - row[_AT] < FOLD_S:
            row[_UNTIL], row[_WANTED], row[_LEVEL] = at_s, wanted, level
            row[_TIMES] += 1
            return
        if row is not None:
            self._end(row)
            del self._open[key]
        elif len(self._open) >= OPEN_MAX:
            self.close(math.inf)
        if not self._has_room(at_s):
            self.left_out += 1
            return
        self._number += 1
        row = [self._number, at_s, at_s, through, who, slot, outcome, rule, wanted, level, 1]
        self._open[key] = row
        self.ready.append(Row(*row))
        if self._due_s == math.inf:
            self._due_s = at_s + FOLD_S

    def _has_room(self, at_s: float) -> bool:
        """Whether one more row may be begun: a flood on every slot must not fill the disk."""
        room = self._room + ROWS_PER_S * (at_s - self._room_at_s)
        self._room = min(room, BURST_ROWS) - 1.0
        self._room_at_s = at_s
        if self._room >= 0.0:
            return True
        self._room += 1.0
        return False

    def close(self, now_s: float) -> None:
        """Close the rows whose second is over; all of them when ``now_s`` is infinite."""
        if now_s < self._due_s:
            return
        self._due_s = math.inf
        while self._open:
            key, row = next(iter(self._open.items()))
            if now_s - row[_AT] < FOLD_S:
                self._due_s = row[_AT] + FOLD_S
                return
            self._end(row)
            del self._open[key]

    def _end(self, row: list[Any]) -> None:
        if row[_TIMES] > 1:
            self.ready.append(Row(*row))

    def due_s(self) -> float:
        """When a row is to be closed, on the calendar; ``inf`` if none."""
        return self._due_s

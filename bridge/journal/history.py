"""What happened, to be looked up later: a thread writes it, and nobody waits for it. I/O."""

from __future__ import annotations

import contextlib
import math
import sqlite3
import threading
import time
from collections import deque
from itertools import chain
from pathlib import Path

from bridge.journal import schema
from bridge.journal.copies import Said
from bridge.journal.folding import Row
from bridge.mix.gesture import OUTCOMES
from bridge.rig.layout import KINDS
from bridge.rig.rig import ENGINEER, Rig

PERIOD_S = 0.1
"""Time between two batches."""

RETRY_S = 5.0
"""Time until a file that could not be used is tried again."""

WAITING_MAX = 20_000
"""Rows that wait for a disk; more are counted and lost. At a row a second a control that is a
minute of every knob of a large stage."""

BATCH_MAX, TOGETHER = 500, 50
"""Rows in one piece, and in one statement: each statement takes the interpreter's lock anew, which
the loop then waits for."""

ROWS_MAX = 1_000_000
"""Rows that are kept, the newest ones: some 200 MB, years of shows."""

PRUNE_EVERY = 10_000
"""Rows between two looks whether there are too many."""

Event = tuple[float, str, str]


class History:
    """The thread that writes.

    Args:
        folder: The journal's folder.
        rig: Whose names are written.
        said: Hears how it stands.

    Attributes:
        lost: Rows that found no room.
    """

    def __init__(self, folder: Path, rig: Rig, said: Said) -> None:
        self._folder, self._rig, self._said = folder, rig, said
        self._waiting: deque[Row | Event] = deque()
        self._batch: list[Row | Event] = []
        self._names: dict[int, tuple[str, str, str]] = {}
        self._base: sqlite3.Connection | None = None
        self._first_id = -1
        self._failed_s = -math.inf
        self._since_pruned = 0
        self._refused = False
        self.lost = 0
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run, name="history", daemon=True)

    def start(self) -> None:
        """Begin to write."""
        self._thread.start()

    def put(self, row: Row | Event) -> None:
        """Take a row or an event; never waits."""
        if len(self._waiting) >= WAITING_MAX:
            self.lost += 1
        else:
            self._waiting.append(row)

    def close(self) -> None:
        """Write what waits, and end."""
        self._end.set()
        if self._thread.ident is not None:
            self._thread.join(timeout=5.0)

    def _run(self) -> None:
        while not self._end.wait(PERIOD_S):
            self.look(time.monotonic())
        self._failed_s = -math.inf
        self.look(time.monotonic())
        if self._base is not None:
            with contextlib.suppress(sqlite3.Error):
                self._base.close()

    def look(self, now_s: float) -> None:
        """Write what waits; where that fails, try again later."""
        if self._refused or now_s - self._failed_s < RETRY_S:
            if self._refused:
                self._waiting.clear()
            return
        try:
            if self._base is None:
                base = schema.opened(self._folder, lambda text: self._said("history", text))
                if self._first_id < 0:
                    found = base.execute("SELECT coalesce(max(id), 0) FROM gesture")
                    (self._first_id,) = found.fetchone()
                self._base = base
                self._said("history", "kept")
            while self._waiting or self._batch:
                self._write(self._base)
            self._said("history", "kept")
        except schema.Newer as problem:
            self._refused = True
            self._said("history", f"not kept: {problem}")
        except (OSError, sqlite3.Error) as problem:
            self._failed_s = now_s
            self._let_go()
            self._said("history", f"not kept: {problem}")

    def _let_go(self) -> None:
        """Open the file anew the next time: it may have been removed, or its disk."""
        if self._base is not None:
            with contextlib.suppress(sqlite3.Error):
                self._base.close()
        self._base = None

    def _write(self, base: sqlite3.Connection) -> None:
        """Write what waits, in one piece; it is kept until that has succeeded."""
        batch = self._batch
        while self._waiting and len(batch) < BATCH_MAX:
            batch.append(self._waiting.popleft())
        rows = [self._values(each) for each in batch if isinstance(each, Row)]
        events = [each for each in batch if not isinstance(each, Row)]
        base.execute("BEGIN IMMEDIATE")
        try:
            for first in range(0, len(rows), TOGETHER):
                some = rows[first : first + TOGETHER]
                base.execute(_INSERT + ", ".join([_PLACES] * len(some)), list(chain(*some)))
            base.executemany("INSERT INTO event (at, what, text) VALUES (?, ?, ?)", events)
            self._since_pruned += len(rows)
            if self._since_pruned >= PRUNE_EVERY:
                self._since_pruned = 0
                base.execute(
                    "DELETE FROM gesture WHERE id <= (SELECT max(id) FROM gesture) - ?", (ROWS_MAX,)
                )
            base.execute("COMMIT")
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                base.execute("ROLLBACK")
            raise
        batch.clear()

    def _values(self, row: Row) -> tuple[object, ...]:
        ident, label, kind = self._named(row.slot)
        return (
            self._first_id + row.number,
            row.at_s,
            row.until_s,
            row.through,
            "engineer" if row.who == ENGINEER else self._rig.layout.performers[row.who],
            self._rig.person(row.who),
            ident,
            label,
            kind,
            OUTCOMES[row.outcome],
            row.rule,
            _number(row.wanted),
            _number(row.level),
            row.times,
        )

    def _named(self, slot: int) -> tuple[str, str, str]:
        """A slot by ids, by labels, and the kind of its values."""
        found = self._names.get(slot)
        if found is None:
            kind = KINDS[self._rig.layout.place(slot).parameter][0]
            found = self._names[slot] = (
                self._rig.layout.name(slot), self._rig.name(slot), str(kind))  # fmt: skip
        return found


_INSERT = """INSERT OR REPLACE INTO gesture (
id, at, until, through, who, name, what, label, kind, outcome, rule,
wanted, level, times) VALUES """
_PLACES = "(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"


def _number(value: float) -> float | None:
    """A value for the file, which has infinities but no NaN."""
    return None if value != value else value

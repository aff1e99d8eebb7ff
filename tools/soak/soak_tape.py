"""What the console received, put in order of time and handed to the witness as it goes. I/O.

Words have the time at which the kernel had them, notes the time at which they were made, and they
are told to the tape in whatever order there was time for. So a line waits a little until nothing
older can come any more.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from bridge.simulator.findings import Findings
from bridge.simulator.recorder import RecordingFile
from bridge.simulator.recording import Facts, header_of, note
from bridge.simulator.witness import Witness

SETTLE_S = 8.0
"""How long a line waits; a bridge that comes back says within this time whether it came cold."""


class Tape:
    """A recording that is judged while it is made.

    Args:
        facts: What the witness must know.
        clock: Tells the time, s.
        kept: Where the recording goes too; nowhere when None.

    Attributes:
        words: Words that the console was told.
    """

    def __init__(self, facts: Facts, clock: Callable[[], float], kept: Path | None) -> None:
        self._clock, at_s = clock, clock()
        self._witness = Witness(header_of(facts, at_s))
        self._file = None if kept is None else RecordingFile(kept, facts, at_s=at_s)
        self._waiting: list[tuple[float, int, Mapping[str, Any]]] = []
        self._count, self._fed_s = 0, at_s
        self.words = 0

    def __call__(self, line: Mapping[str, Any]) -> None:
        """Take a line."""
        self._count += 1
        self.words += line["what"] == "told"
        heapq.heappush(self._waiting, (line["at"], self._count, line))

    def note(self, text: str, at_s: float | None = None, **about: Any) -> None:
        """Take a note, now or at a time that has passed."""
        self(note(self._clock() if at_s is None else at_s, text, **about))

    def feed(self, until_s: float | None = None) -> None:
        """Hand the witness what is old enough, or all up to a time."""
        until_s = self._clock() - SETTLE_S if until_s is None else until_s
        while self._waiting and self._waiting[0][0] <= until_s:
            at_s, _, line = heapq.heappop(self._waiting)
            if at_s < self._fed_s:  # it came later than anything may: it counts from now on
                line = {**line, "at": self._fed_s}
            self._fed_s = max(self._fed_s, at_s)
            self._witness.feed(line)
            if self._file is not None:
                self._file(dict(line))

    def findings(self) -> Findings:
        """All that the witness has to say; nothing comes after it."""
        self.feed(float("inf"))
        if self._file is not None:
            self._file.close()
        return self._witness.findings()

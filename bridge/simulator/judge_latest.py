"""The judge of "latest wins": an older word that arrives last may not stay. Pure.

Where the network lets an older word arrive last, the console holds the older value: that is the
network's doing. But the bridge must find out and say the newest value again, part of promise 4.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from bridge.simulator.held import Held
from bridge.simulator.recording import Facts

ROUNDED_DB = 0.06
"""What a console's display may round: who reads it can't tell two words so near apart, and nobody
hears which of them stands."""


class LatestJudge:
    """Remembers where the console holds an older word's value.

    A fault ends the reckoning of time, not the reckoning: while a link is down nothing can be put
    right, and a bridge that comes back may take what it finds; but when all has settled it must be.
    """

    def __init__(self, facts: Facts, held: Held) -> None:
        self._held, self._repair_s, self._delay_s = held, facts.repair_s, facts.delay_s
        self._arrived_s: dict[int, float] = {}
        self._since_s: dict[int, float] = {}
        self._fault_s = -math.inf

    def late(self, slot: int, at_s: float, sent_s: float) -> None:
        """A word arrived that a newer one had overtaken, or that came twice."""
        stands, newest = self._held.actual[slot], self._held.newest[slot]
        if stands == newest or abs(stands - newest) <= ROUNDED_DB:
            self._since_s.pop(slot, None)
            self._arrived_s.pop(slot, None)
        else:
            self._since_s.setdefault(slot, at_s if sent_s > self._fault_s else math.inf)
            self._arrived_s[slot] = at_s

    def stale(self, slot: int, sent_s: float) -> bool:
        """Whether an older word's value stands there and the sender of a word may have known it.

        It may know no sooner than a packet's longest way after it arrived.
        """
        since_s = self._arrived_s.get(slot)
        return since_s is not None and sent_s > since_s + self._delay_s

    def fault(self, at_s: float) -> None:
        """A fault happened: for what was sent until now only the end counts."""
        self._fault_s = at_s
        self._since_s = dict.fromkeys(self._since_s, math.inf)

    def news(self, slot: int, at_s: float) -> str:
        """News about a slot, by a word or the desk; the breach in words, empty when it is none."""
        self._arrived_s.pop(slot, None)
        since_s = self._since_s.pop(slot, None)
        if since_s is None or not at_s - since_s > self._repair_s:
            return ""
        return f"an older word's value stood for {at_s - since_s:.1f} s, nobody put it right"

    def settled(self) -> Iterator[tuple[int, str]]:
        """All has settled: where an older word's value still stands, in words."""
        for slot in self._since_s:
            found, newest = self._held.actual[slot], self._held.newest[slot]
            yield slot, f"still holds {found:.3f} from an older word, the newest said {newest:.3f}"

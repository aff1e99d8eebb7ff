"""The mix as it was before the soundcheck, and the way back to it by the ordinary rules. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.soundcheck.desk import Desk
from bridge.stage.rings import RingMark
from bridge.units import OFF


class Before:
    """What everything that the soundcheck moved was asked to be at first.

    Args:
        desk: The mix.
    """

    def __init__(self, desk: Desk) -> None:
        self.desk, self.matrix = desk, desk.matrix
        self.values: dict[int, float] = {}

    def keep(self, slot: int) -> None:
        """Remember a slot that is about to be moved, the first time only."""
        self.values.setdefault(slot, self.desk.asked(slot))

    def keep_all(self) -> None:
        """Remember masters, gates and freezes: a gate that turns moves more than itself."""
        m = self.matrix
        for slot in (*range(m.master, m.silence), *range(m.freeze, m.group)):
            self.keep(slot)

    def restore(self, marks: Sequence[RingMark], margin_db: float, now_s: float) -> None:
        """Wish everything back: sends first, then gates, masters, freezes; ramps do the rest.

        A send comes back no higher than the margin below a mark that is in force, whatever it
        was before: the mark may be the news that it would ring there.

        Args:
            marks: Ring marks in force.
            margin_db: Distance kept from a ring, dB.
            now_s: This moment, s.
        """
        m, wish = self.matrix, self.desk.wish
        for bus in range(m.buses):
            wish(m.open + bus, 0.0, now_s)
        for slot, value in self._between(m.send, m.on):
            wish(slot, min(value, self._cap_db(slot, marks, margin_db)), now_s)
        for slot, value in (*self._between(m.on, m.tap), *self._between(m.pan, m.master)):
            wish(slot, value, now_s)
        wish(m.silence, 0.0, now_s)
        for slot, value in (*self._between(m.mute, m.open), *self._between(m.dim, m.silence)):
            wish(slot, value, now_s)
        for bus in range(m.buses):
            if self.values.get(m.open + bus):
                wish(m.open + bus, 1.0, now_s)
            wish(m.master + bus, self.values.get(m.master + bus, OFF), now_s)
        self.unfreeze(now_s)

    def unfreeze(self, now_s: float) -> None:
        """Give the performers back what was theirs to move."""
        m = self.matrix
        everybody = m.group - 1
        for slot, value in sorted(self._between(m.freeze, m.group), reverse=True):
            if slot != everybody or not value:
                self.desk.wish(slot, value, now_s)

    def _between(self, start: int, end: int) -> list[tuple[int, float]]:
        return [(slot, value) for slot, value in self.values.items() if start <= slot < end]

    def _cap_db(self, slot: int, marks: Sequence[RingMark], margin_db: float) -> float:
        """The highest send that keeps the margin below a mark of its pair, dB."""
        channel, bus = divmod(slot - self.matrix.send, self.matrix.buses)
        fader_db = self.desk.fader_db(channel, bus)
        if fader_db is None:
            fader_db = self.desk.engine.rig.file.limits.fader_ceiling_db
        master_db = self.values.get(self.matrix.master + bus, 0.0)
        rest_db = max(master_db, self.desk.matrix.floor_db) + max(fader_db, 0.0)
        levels = [mark.effective_db for mark in marks if (mark.channel, mark.bus) == (channel, bus)]
        return min(levels, default=float("inf")) - margin_db - rest_db

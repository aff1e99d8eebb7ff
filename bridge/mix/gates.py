"""What stands between a level and an ear: mutes, opens, sends switched off, taps. Pure.

A level behind a closed gate that the bridge closed is *parked*: told off as well. So a lost mute
is no accident, and a gate opens onto silence: first the level is down and the console is known to
have it, then the gate opens, and when that is known too the level comes up by its ramp.
"""

from __future__ import annotations

from bridge.mix.matrix import Matrix
from bridge.units import OFF, floored


class Gates:
    """Which levels are free, which gate may open now.

    Attributes:
        ready: 1 a bus when its sends and taps are out since the start.
        silenced: 1 a bus while "silence all" holds it.
    """

    def __init__(self, matrix: Matrix) -> None:
        m = self.matrix = matrix
        self.ready = bytearray(m.buses)
        self.silenced = bytearray(m.buses)
        cuts = matrix.rig.file.console.channel_mute_cuts
        self._mute_cuts = ("pre" in cuts, "post" in cuts)
        self._switches = [
            [
                (slot, wanted)
                for slot, wanted in ((m.mute + b, 0.0), (m.open + b, 1.0))
                if m.can_set[slot]
            ]
            for b in range(m.buses)
        ]

    def shut(self, bus: int) -> bool:
        """Whether a bus is closed, muted or silenced by what was asked."""
        m = self.matrix
        return not m.asked[m.open + bus] or bool(m.asked[m.mute + bus] or self.silenced[bus])

    def switches(self, bus: int) -> list[tuple[int, float]]:
        """The console's switches of a bus that can be told, each with its open value."""
        return self._switches[bus]

    def has_switch(self, bus: int) -> bool:
        """Whether the console can mute or close this bus."""
        return bool(self._switches[bus])

    def master_free(self, bus: int) -> bool:
        """Whether a master may sound: nothing asked it shut and the console's gates are open."""
        if self.shut(bus) or not self.ready[bus]:
            return False
        return all(self._stands(slot, wanted) for slot, wanted in self._gates_of_bus(bus))

    def _gates_of_bus(self, bus: int) -> list[tuple[int, float]]:
        m = self.matrix
        whole = [(m.silence, 0.0)] if m.can_set[m.silence] else []
        return self._switches[bus] + whole

    def send_free(self, slot: int) -> bool:
        """Whether a send may sound, its bus aside."""
        m = self.matrix
        cell = slot - m.send
        on, tap = m.on + cell, m.tap + cell
        if not m.asked[on] or (m.can_set[on] and not self._stands(on, 1.0)):
            return False
        if m.can_set[tap] and not self._stands(tap, m.asked[tap]):
            return False
        mute = m.channel_mute + cell // m.buses
        if not m.can_set[mute] or not self.cuts(slot):
            return True
        return not m.asked[mute] and (m.told[mute] != m.told[mute] or self._stands(mute, 0.0))

    def cuts(self, slot: int) -> bool:
        """Whether a channel mute cuts this send at this console."""
        m = self.matrix
        return self._mute_cuts[m.asked[slot - m.send + m.tap] >= 0.5]

    def _stands(self, slot: int, value: float) -> bool:
        m = self.matrix
        return m.told[slot] == value and bool(m.settled[slot])

    def _down(self, slot: int) -> bool:
        """Whether the console is known to have a level down where nothing is heard."""
        m = self.matrix
        if not m.can_set[slot]:
            return True
        return bool(m.settled[slot]) and m.told[slot] <= m.floor_db

    def may_tell(self, slot: int, value: float) -> bool:
        """Whether a switch or tap may be told now, or must wait for a level to be down."""
        m = self.matrix
        if m.on <= slot < m.tap:
            return value == 0.0 or self._down(slot - m.on + m.send)
        if m.tap <= slot < m.pan:
            return self._down(slot - m.tap + m.send)
        if m.mute <= slot < m.dim:
            bus = (slot - m.mute) % m.buses
            opens = (slot, value) in self._switches[bus]
            return not opens or (bool(self.ready[bus]) and self._down(m.master + bus))
        if slot == m.silence:
            return value == 1.0 or all(self._down(m.master + b) for b in range(m.buses))
        if m.channel_mute <= slot < m.send:
            return value == 1.0 or self._channel_quiet(slot - m.channel_mute)
        return True

    def _channel_quiet(self, channel: int) -> bool:
        sends = self.matrix.sends_of_channel(channel)
        return all(self._down(slot) for slot in sends if self.cuts(slot))

    def level_goal(self, slot: int, ceiling_db: float) -> float:
        """Where a level goes now: off while parked, else as asked under its ceiling, less a dim."""
        m = self.matrix
        if m.left[slot]:
            return m.told[slot]
        if not m.free[slot]:
            return OFF
        goal = min(m.asked[slot], ceiling_db)
        if m.is_master(slot) and m.asked[m.dim + slot - m.master]:
            goal -= m.rig.file.bus[slot - m.master].dim_db
        return floored(goal)

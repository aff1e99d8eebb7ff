"""How high a level may go now, and which rule says so. Pure."""

from __future__ import annotations

from bridge.mix.matrix import Matrix
from bridge.rig.rig import Rig
from bridge.units import OFF

INF = float("inf")


class Ceilings:
    """Hard ceilings bind everybody; own ceilings bind one performer's raises.

    Attributes:
        hard: Highest level a slot, dB; ``inf`` for what is no level.
        rule: The rule behind each hard ceiling.
        own: A list like ``hard`` for each performer, the engineer's last.
    """

    def __init__(self, rig: Rig, matrix: Matrix) -> None:
        self.matrix = matrix
        self.hard = [INF] * matrix.size
        self.rule = [""] * matrix.size
        limits = rig.file.limits
        for slot in range(matrix.fader, matrix.fader + matrix.channels):
            self.hard[slot], self.rule[slot] = limits.fader_ceiling_db, "rig ceiling"
        for b, bus in enumerate(rig.file.bus):
            self._bind([matrix.master + b], bus.master_ceiling_db, limits.master_ceiling_db)
            self._bind(matrix.sends_of_bus(b), bus.send_ceiling_db, limits.send_ceiling_db)
        self.own = [self._own(rig, number) for number in range(len(rig.file.performer))]
        self.own.append([INF] * matrix.size)

    def _bind(self, slots: list[int] | range, bus_db: float | None, rig_db: float) -> None:
        for slot in slots:
            self.hard[slot] = rig_db if bus_db is None else min(bus_db, rig_db)
            self.rule[slot] = "rig ceiling" if bus_db is None else "bus ceiling"

    def _own(self, rig: Rig, number: int) -> list[float]:
        performer = rig.file.performer[number]
        own = [INF] * self.matrix.size
        for name in performer.buses:
            bus = rig.layout.buses.index(name)
            if performer.master_ceiling_db is not None:
                own[self.matrix.master + bus] = performer.master_ceiling_db
            if performer.send_ceiling_db is not None:
                for slot in self.matrix.sends_of_bus(bus):
                    own[slot] = performer.send_ceiling_db
            for channel, level_db in performer.send_ceilings_db.items():
                cell = rig.layout.channels.index(channel) * self.matrix.buses + bus
                own[self.matrix.send + cell] = min(own[self.matrix.send + cell], level_db)
        return own

    def ceiling(self, slot: int) -> tuple[float, str]:
        """The hard ceiling of a level now, dB, and its rule."""
        hard, m = self.hard[slot], self.matrix
        if m.send <= slot < m.on:
            if m.asked[slot - m.send + m.tap] or m.told[slot - m.send + m.tap] == 1.0:
                up = m.fader_db((slot - m.send) // m.buses)
                if up > 0.0:
                    return hard - up, "post-fader ceiling"
        elif m.fader <= slot < m.channel_mute:
            room = self._fader_room(slot - m.fader)
            if room < hard:
                return room, "post-fader ceiling"
        return hard, self.rule[slot]

    def _fader_room(self, channel: int) -> float:
        """How far a fader may go before a post-fader send passes its ceiling."""
        m, room = self.matrix, INF
        for slot in m.sends_of_channel(channel):
            tap = slot - m.send + m.tap
            if m.asked[tap] or m.told[tap] == 1.0:
                level = max(m.asked[slot], m.told[slot] if m.told[slot] == m.told[slot] else OFF)
                room = min(room, INF if level == OFF else max(0.0, self.hard[slot] - level))
        return room

    def permits(self, slot: int, level_db: float) -> bool:
        """The last check before a level leaves: written apart from ``ceiling`` on purpose."""
        if not level_db <= self.hard[slot]:
            return False
        m = self.matrix
        if not m.send <= slot < m.on or level_db == OFF:
            return True
        if m.told[slot - m.send + m.tap] != 1.0:
            return True
        fader = m.told[m.fader + (slot - m.send) // m.buses]
        up = fader if fader == fader else m.rig.file.limits.fader_ceiling_db
        return level_db + max(up, 0.0) <= self.hard[slot] + 1e-9

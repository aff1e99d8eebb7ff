"""What turning a switch sets in motion: mutes, opens, taps, dims, silence, freezes. Pure."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from bridge.mix.matrix import OTHER, URGENT
from bridge.rig.rig import ENGINEER

if TYPE_CHECKING:
    from bridge.mix.engine import Engine


class Switches:
    """One setter for each kind of switch, by the range of its slots."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        m = self.matrix = engine.matrix
        self._table: tuple[tuple[int, Callable[[int, int, float], None]], ...] = (
            (m.send, self._set_channel_mute),
            (m.tap, self._set_send_on),
            (m.pan, self._set_tap),
            (m.master, self._set_plain),
            (m.dim, self._set_bus_gate),
            (m.silence, self._set_dim),
            (m.freeze, self._set_silence),
            (m.group, self._set_freeze),
        )

    def turn(self, who: int, slot: int, value: float) -> None:
        """Set a switch, tap or pan to a value that the rules have admitted."""
        for end, setter in self._table:
            if slot < end:
                setter(who, slot, value)
                return

    def _set_plain(self, _: int, slot: int, value: float) -> None:
        self.matrix.asked[slot] = value
        self.engine.refresh(slot)

    def _set_channel_mute(self, _: int, slot: int, value: float) -> None:
        m = self.matrix
        m.asked[slot] = value
        for send in m.sends_of_channel(slot - m.channel_mute):
            if self.engine.gates.cuts(send):
                m.left[send] = 0
                self.engine.free_again(send)
        self.engine.refresh(slot, URGENT if value else OTHER)

    def _set_send_on(self, _: int, slot: int, value: float) -> None:
        m = self.matrix
        m.asked[slot] = value
        send = slot - m.on + m.send
        m.left[send] = 0
        self.engine.free_again(send)
        self.engine.refresh(slot)

    def _set_tap(self, _: int, slot: int, value: float) -> None:
        m = self.matrix
        m.asked[slot] = value
        send = slot - m.tap + m.send
        m.left[send] = 0
        self.engine.free_again(send)
        self.engine.refresh(slot)

    def _set_bus_gate(self, _: int, slot: int, value: float) -> None:
        m = self.matrix
        bus = (slot - m.mute) % m.buses
        if slot >= m.open and value and not m.asked[slot]:
            m.asked[m.master + bus] = self.engine.rig.file.bus[bus].start_db  # opens low, always
            self.engine.news[m.master + bus] = None
        m.asked[slot] = value
        self.engine.buses.regate(bus, urgent=self.engine.gates.shut(bus))

    def _set_dim(self, _: int, slot: int, value: float) -> None:
        m = self.matrix
        m.asked[slot] = value
        m.left[slot - m.dim + m.master] = 0
        self.engine.refresh(slot - m.dim + m.master)

    def _set_silence(self, _: int, slot: int, value: float) -> None:
        m = self.matrix
        m.asked[slot] = value
        self.engine.gates.silenced[:] = bytes([int(value)]) * m.buses
        self.engine.refresh(slot, URGENT)
        for bus in range(m.buses):
            self.engine.buses.regate(bus, urgent=value == 1.0)

    def _set_freeze(self, who: int, slot: int, value: float) -> None:
        if who != ENGINEER:
            return
        m = self.matrix
        number = slot - m.freeze
        everybody = number == len(self.engine.rig.layout.performers)
        several = range(m.freeze, m.group) if everybody else (slot,)
        for each in several:
            m.asked[each] = value
            self.engine.news[each] = None
        self.engine.guard.freeze(-1 if everybody else number, value == 1.0)

"""Bus states, the start, and what the desk does by itself. Pure.

    closed --open--> opening --(level reached)--> open        overlays: muted, dimmed, silenced

The start: every master goes out low and every gate closed; when the console has them, the taps,
switches and sends; a bus whose sends and taps are out is *ready* and opens when asked to.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from bridge.mix.matrix import LEVEL, MASTERS, OTHER, RUNNING, SENDS, URGENT
from bridge.units import OFF

if TYPE_CHECKING:
    from bridge.mix.engine import Engine


class Buses:
    """The parts of an engine that look at a bus, a channel or the console as a whole."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self.matrix = engine.matrix
        self.gates = engine.gates

    def state(self, bus: int) -> str:
        """``closed``, ``opening``, ``open``, ``muted``, ``dimmed`` or ``silenced``."""
        m = self.matrix
        if not m.asked[m.open + bus]:
            return "closed"
        if self.gates.silenced[bus]:
            return "silenced"
        if m.asked[m.mute + bus]:
            return "muted"
        if m.told[m.master + bus] != m.goal[m.master + bus] or not m.free[m.master + bus]:
            return "opening"
        return "dimmed" if m.asked[m.dim + bus] else "open"

    def switch_goal(self, slot: int) -> float:
        """Where a switch, tap or pan goes now."""
        m = self.matrix
        if m.mute <= slot < m.open:
            return 1.0 if self.gates.shut(slot - m.mute) else 0.0
        if m.open <= slot < m.dim:
            return 0.0 if self.gates.shut(slot - m.open) else 1.0
        return m.asked[slot] if slot < m.mute or slot == m.silence else math.nan

    def louder(self, slot: int, value: float) -> bool:
        """Whether a switch's value may make something heard that was not."""
        m = self.matrix
        if m.channel_mute <= slot < m.send or m.mute <= slot < m.open or m.dim <= slot <= m.silence:
            return value == 0.0
        return (
            value == 1.0
            if m.on <= slot < m.tap or m.open <= slot < m.dim
            else m.tap <= slot < m.pan
        )

    def regate(self, bus: int, *, urgent: bool) -> None:
        """A bus was shut or opened: its master, its switches, and in a hurry when it must be."""
        m, rank = self.matrix, URGENT if urgent else OTHER
        m.left[m.master + bus] = 0
        for slot, _ in self.gates.switches(bus):
            self.engine.refresh(slot, rank)
        self.engine.free_again(m.master + bus, rank)

    def behind(self, slot: int, visit: Callable[[int], None]) -> None:
        """Visit every level behind a gate."""
        m = self.matrix
        if m.on <= slot < m.pan:
            visit((slot - m.on) % (m.channels * m.buses) + m.send)
        elif m.mute <= slot < m.dim:
            visit((slot - m.mute) % m.buses + m.master)
        elif m.channel_mute <= slot < m.send:
            for send in m.sends_of_channel(slot - m.channel_mute):
                visit(send)
        elif slot == m.silence:
            for bus in range(m.buses):
                visit(m.master + bus)

    # -- the start ------------------------------------------------------------------------------

    def begin(self, heard: Mapping[int, float], now_s: float) -> None:
        """Take what was read, then send every master low."""
        m = self.matrix
        for slot, value in heard.items():
            self._adopt_at_start(slot, value, now_s)
        for slot in range(m.size):
            if m.kind[slot] == LEVEL:
                m.free[slot] = m.is_fader(slot)
        self.engine.phase = MASTERS
        for bus in range(m.buses):
            self.regate(bus, urgent=False)

    def _adopt_at_start(self, slot: int, value: float, now_s: float) -> None:
        """Channels stay as the desk has them; cells begin from there when the rig names no mix."""
        m = self.matrix
        if m.master <= slot:
            return  # masters and their gates are told, whatever they are now
        self._stand(slot, value, now_s)
        if slot < m.send or m.pan <= slot:
            m.asked[slot] = m.goal[slot] = value
            m.out[slot] = 1
            m.left[slot] = m.is_fader(slot)
        elif slot < m.tap:
            bus = (slot - m.send) % m.buses
            if not self.engine.rig.file.bus[bus].start_mix:
                m.asked[slot] = value

    def _words_of_start(self, bus: int) -> list[int]:
        """Everything about a bus that must be out before it may open."""
        m = self.matrix
        first = (m.send, m.on, m.tap)
        cells = range(bus, m.channels * m.buses, m.buses)
        return [start + cell for start in first for cell in cells if m.can_set[start + cell]]

    def start_further(self) -> None:
        """Bring the start one step further, when the console has what it was told so far."""
        m = self.matrix
        if self.engine.phase == MASTERS:
            low = [slot for slot in range(m.master, m.dim) if m.can_set[slot]]
            if all(m.out[slot] for slot in low):
                self.engine.phase = SENDS
                self._tell_sends()
            return
        for bus in range(m.buses):
            if not self.gates.ready[bus]:
                self._make_ready(bus)
        if all(self.gates.ready):
            self.engine.phase = RUNNING

    def _tell_sends(self) -> None:
        m = self.matrix
        for slot in (*range(m.send, m.on), *range(m.on, m.pan)):
            self.engine.free_again(slot)
            if m.can_set[slot]:
                self.engine.marked.setdefault(slot, OTHER)

    def _make_ready(self, bus: int) -> None:
        m = self.matrix
        if not all(m.out[slot] for slot in self._words_of_start(bus)):
            return
        self.gates.ready[bus] = 1
        if self.engine.rig.file.bus[bus].auto_open:
            m.asked[m.open + bus] = 1.0
            self.engine.news[m.open + bus] = None
        self.regate(bus, urgent=False)

    # -- the desk -------------------------------------------------------------------------------

    def desk(self, slot: int, value: float, now_s: float) -> None:
        """Follow what the desk did; the bridge answers nothing to it."""
        m, engine = self.matrix, self.engine
        if engine.phase < RUNNING and not (slot < m.send or m.pan <= slot < m.master):
            self._overrule(slot, value, now_s)
            return
        self._stand(slot, value, now_s)
        engine.moving.pop(slot, None)
        engine.waiting.pop(slot, None)
        engine.marked.pop(slot, None)
        engine.news[slot] = None
        if m.kind[slot] != LEVEL:
            self._desk_switch(slot, value)
            return
        m.asked[slot] = m.goal[slot] = value
        m.left[slot] = 1
        if m.is_master(slot):
            self._desk_master(slot - m.master, value)

    def _stand(self, slot: int, value: float, now_s: float) -> None:
        m = self.matrix
        m.settled[slot] = 1
        if m.kind[slot] == LEVEL:
            m.rides.told_now(slot, value, now_s)
        else:
            m.told[slot] = value

    def _overrule(self, slot: int, value: float, now_s: float) -> None:
        """During the start the masters stay low, whoever moved them: tell it again."""
        self._stand(slot, value, now_s)
        if self.matrix.kind[slot] == LEVEL:
            self.engine.free_again(slot)
        else:
            self.engine.refresh(slot)

    def _desk_master(self, bus: int, value: float) -> None:
        m = self.matrix
        m.asked[m.dim + bus] = 0.0
        if value > m.floor_db and self.gates.shut(bus) and not self.gates.has_switch(bus):
            self._desk_opened(bus)

    def _desk_opened(self, bus: int) -> None:
        m = self.matrix
        m.asked[m.open + bus], m.asked[m.mute + bus] = 1.0, 0.0
        self.gates.silenced[bus] = 0
        m.asked[m.silence] = float(any(self.gates.silenced))
        self.engine.news.update(dict.fromkeys((m.open + bus, m.mute + bus, m.silence)))
        m.free[m.master + bus] = self.gates.master_free(bus)

    def _desk_switch(self, slot: int, value: float) -> None:
        m, engine = self.matrix, self.engine
        if m.mute <= slot < m.dim:
            bus = (slot - m.mute) % m.buses
            if (slot, value) in self.gates.switches(bus):
                self._desk_opened(bus)
                for other, _ in self.gates.switches(bus):
                    engine.refresh(other)
                engine.free_again(m.master + bus)
                return
            self._leave(m.master + bus)
            m.asked[slot] = value
            m.goal[slot] = value
            return
        m.asked[slot] = m.goal[slot] = value
        closes = self.louder(slot, 1.0 - value)
        if closes or m.tap <= slot < m.pan:
            self.behind(slot, self._leave)
        else:
            self.behind(slot, engine.free_again)

    def _leave(self, level: int) -> None:
        """The desk closed a gate in front of a level that sounds: the level itself stays put."""
        m = self.matrix
        if m.free[level]:
            m.left[level] = 1
            m.goal[level] = m.told[level]
            self.engine.moving.pop(level, None)
            self.engine.marked.pop(level, None)

    # -- after a fault --------------------------------------------------------------------------

    def reconcile(self, heard: Mapping[int, float], now_s: float) -> None:
        """Take the lower of what we told and what the console has now, everywhere.

        What was behind a closed gate, whoever closed it, counts as off: it is parked.
        """
        m, engine = self.matrix, self.engine
        for slot in engine.moving:
            m.asked[slot] = min(m.asked[slot], m.told[slot])  # no ramp goes on by itself
        levels = [
            slot
            for slot in range(m.size)
            if m.kind[slot] == LEVEL and m.can_set[slot] and m.asked[slot] == m.asked[slot]
        ]  # a fader that nobody knows is left alone
        for slot in heard:
            if m.kind[slot] == LEVEL:
                self._lower_of_two(slot, m.told[slot], heard[slot])
        for slot, value in heard.items():
            if m.kind[slot] == LEVEL and value <= m.told[slot]:
                m.settled[slot] = 1
                m.rides.slipped(slot, value, now_s)  # no new step is earned by a fault
                continue
            self._stand(slot, value, now_s)
            if m.kind[slot] != LEVEL:
                self._closed_of_two(slot, value)
        for slot in heard:
            if m.kind[slot] != LEVEL:
                engine.refresh(slot, URGENT)
        for slot in levels:
            engine.free_again(slot)

    def _lower_of_two(self, slot: int, told: float, value: float) -> None:
        m = self.matrix
        if m.is_fader(slot):
            m.asked[slot], m.left[slot] = value, 1
            return
        was_free = m.free[slot] and self._open_before(slot)
        m.left[slot] = 0
        if was_free:
            # a ramp that was under way counts as far as it had come, not as far as it would go
            dim_db = 0.0  # a dim lies on top of what is asked, and is not to be asked for twice
            if m.is_master(slot) and m.asked[m.dim + slot - m.master]:
                dim_db = self.engine.rig.file.bus[slot - m.master].dim_db
            had = min(value, told if told == told else OFF)
            m.asked[slot] = min(m.asked[slot], had + dim_db)

    def _open_before(self, slot: int) -> bool:
        """Whether a level sounded before the fault, by the gates as they were told then."""
        m = self.matrix
        if m.is_master(slot):
            return self.gates.master_free(slot - m.master)
        return self.gates.send_free(slot)

    def _closed_of_two(self, slot: int, value: float) -> None:
        """A gate that the console has closed stays closed; one that it opened is closed again."""
        m = self.matrix
        if m.mute <= slot < m.dim:
            bus = (slot - m.mute) % m.buses
            if (slot, 1.0 - value) in self.gates.switches(bus) and not self.gates.shut(bus):
                m.asked[m.mute + bus] = 1.0
                self.engine.news[m.mute + bus] = None
        elif m.on <= slot < m.tap:
            m.asked[slot] = min(m.asked[slot], value)
        elif m.channel_mute <= slot < m.send:
            m.asked[slot] = max(m.asked[slot], value)
        elif m.pan <= slot < m.master:
            m.asked[slot] = value

"""What the console holds, and how much of it is heard behind its gates. Pure.

A level is held until the next message. Below the ramp floor all levels are one, and so is whatever
stands behind a closed gate: a mute, a closed bus, a send that is off.
"""

from __future__ import annotations

from collections.abc import Sequence

from bridge.rig.layout import Parameter
from bridge.simulator.recording import Facts

FADER, CHANNEL_MUTE, SEND, ON, TAP, MASTER, MUTE, OPEN, SILENCE, OTHER = range(10)
LEVELS = frozenset({FADER, SEND, MASTER})

_KIND = {
    Parameter.CHANNEL_FADER: FADER,
    Parameter.CHANNEL_MUTE: CHANNEL_MUTE,
    Parameter.SEND_LEVEL: SEND,
    Parameter.SEND_ON: ON,
    Parameter.SEND_TAP: TAP,
    Parameter.BUS_MASTER: MASTER,
    Parameter.BUS_MUTE: MUTE,
    Parameter.BUS_OPEN: OPEN,
    Parameter.SILENCE: SILENCE,
}


class Held:
    """The console's values, twice: as they are, and as the newest words would have them.

    The two differ when the network lets an older word overtake a newer one.

    Attributes:
        actual: What the console holds, a value a slot.
        newest: The same without overtaken words: speed and gates are judged on these.
        kind: A slot's kind, one of the numbers of this module.
        channel: A slot's channel, -1 without.
        bus: A slot's bus, -1 without.
    """

    def __init__(self, facts: Facts) -> None:
        layout = facts.layout
        self.actual = list(facts.values)
        self.newest = list(facts.values)
        self.floor_db = facts.ramp_floor_db
        places = [layout.place(slot) for slot in layout]
        self.kind = bytes(_KIND.get(place.parameter, OTHER) for place in places)
        self.channel = [place.channel for place in places]
        self.bus = [place.bus for place in places]
        self.there = bytearray(layout.size)
        for slot in facts.can_set | facts.can_read:
            self.there[slot] = 1
        self._cuts = ("pre" in facts.mute_cuts, "post" in facts.mute_cuts)
        self._buses, self._channels = len(layout.buses), len(layout.channels)
        self._base = {kind: layout.base(parameter) for parameter, kind in _KIND.items()}
        self.level_slots = tuple(slot for slot in layout if self.kind[slot] in LEVELS)
        self._send, self._on = self._base[SEND], self._base[ON]
        self._tap, self._master = self._base[TAP], self._base[MASTER]

    def sends_of_channel(self, channel: int) -> range:
        """The send levels of a channel."""
        first = self._send + channel * self._buses
        return range(first, first + self._buses)

    def sends_of_bus(self, bus: int) -> range:
        """The send levels of a bus."""
        return range(self._send + bus, self._send + self._channels * self._buses, self._buses)

    def tap_of(self, send: int) -> int:
        """The tap that belongs to a send level."""
        return send - self._send + self._tap

    def fader_of(self, send: int) -> int:
        """The channel fader that belongs to a send level."""
        return self._base[FADER] + self.channel[send]

    def send_of(self, slot: int) -> int:
        """The send level that a tap or a send's switch belongs to."""
        return slot - self._base[self.kind[slot]] + self._send

    def master_of(self, bus: int) -> int:
        """The master of a bus."""
        return self._master + bus

    def gates_of(self, bus: int) -> tuple[int, int]:
        """The mute and the open switch of a bus."""
        return self._base[MUTE] + bus, self._base[OPEN] + bus

    def is_post(self, send: int) -> bool:
        """Whether a send is taken after the channel fader."""
        return self.newest[send - self._send + self._tap] >= 0.5

    def behind(self, slot: int) -> Sequence[int]:
        """The levels that a slot moves what is heard of: itself, or those behind a gate."""
        kind = self.kind[slot]
        if kind in LEVELS:
            return (slot,)
        if kind in (ON, TAP):
            return (self.send_of(slot),)
        if kind == CHANNEL_MUTE:
            return self.sends_of_channel(self.channel[slot])
        if kind in (MUTE, OPEN):
            return (self._master + self.bus[slot],)
        return range(self._master, self._master + self._buses) if kind == SILENCE else ()

    def heard(self, slot: int) -> float:
        """A level as it is heard, dB: the ramp floor when it is lower or behind a gate."""
        level_db = self.newest[slot]
        if not level_db > self.floor_db or self._gated(slot):
            return self.floor_db
        return level_db

    def _gated(self, slot: int) -> bool:
        kind = self.kind[slot]
        if kind == SEND:
            return self._send_gated(slot)
        return kind == MASTER and self._master_gated(self.bus[slot])

    def _send_gated(self, send: int) -> bool:
        on = send - self._send + self._on
        if self.there[on] and not self.newest[on] >= 0.5:
            return True
        mute = self._base[CHANNEL_MUTE] + self.channel[send]
        return bool(
            self._cuts[self.is_post(send)] and self.there[mute] and self.newest[mute] >= 0.5
        )

    def _master_gated(self, bus: int) -> bool:
        mute, opened = self.gates_of(bus)
        if self.there[mute] and self.newest[mute] >= 0.5:
            return True
        if self.there[opened] and not self.newest[opened] >= 0.5:
            return True
        silence = self._base[SILENCE]
        return bool(self.there[silence] and self.newest[silence] >= 0.5)

    def effective(self, send: int, fader_db: float) -> float:
        """A send as it is heard through its tap, dB; the bus aside."""
        if self._send_gated(send):
            return self.floor_db
        level_db = self.newest[send] + (fader_db if self.is_post(send) else 0.0)
        return level_db if level_db > self.floor_db else self.floor_db

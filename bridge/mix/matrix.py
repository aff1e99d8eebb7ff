"""The mix matrix: what is asked of every parameter and what the console was told. Pure."""

from __future__ import annotations

import math

from bridge.mix.slew import Rides, reserved
from bridge.rig.layout import KINDS, Kind, Parameter
from bridge.rig.rig import Rig
from bridge.units import OFF

LEVEL, SWITCH, TAP, PAN, SOUND = range(5)

URGENT, FALL, OTHER, RAISE = range(4)
"""How a marked slot ranks on its way out; the lower goes first."""

UNREAD, MASTERS, SENDS, RUNNING = range(4)
"""How far the start has come: nothing told, masters going low, sends going out, all open to use."""

_KIND = {
    Kind.LEVEL: LEVEL,
    Kind.SWITCH: SWITCH,
    Kind.TAP: TAP,
    Kind.PAN: PAN,
    Kind.SOUND: SOUND,
}


class Matrix:
    """Lists indexed by slot; the first slot of each parameter as a plain attribute.

    Attributes:
        asked: Where each value was asked to go: dB for levels, else 0/1 or a pan.
        told: What the console was last told; NaN before the first word. Shared with ``rides``.
        goal: Where each value goes now, all gates and ceilings considered.
        settled: 1 where the console is known to have the told value.
        out: 1 where the console was told since the start, and is known to have had it.
        left: 1 where the desk moved a level last, which the bridge leaves alone.
        free: 1 for a level behind no closed gate.
        can_set: 1 where the console can be told.
        kind: ``LEVEL``, ``SWITCH``, ``TAP``, ``PAN`` or ``SOUND`` a slot.
    """

    def __init__(self, rig: Rig, can_set: frozenset[int], slack_s: float) -> None:
        layout = rig.layout
        self.rig, self.layout, self.size = rig, layout, layout.size
        self.channels, self.buses = len(layout.channels), len(layout.buses)
        self.fader = layout.base(Parameter.CHANNEL_FADER)
        self.channel_mute = layout.base(Parameter.CHANNEL_MUTE)
        self.send = layout.base(Parameter.SEND_LEVEL)
        self.on = layout.base(Parameter.SEND_ON)
        self.tap = layout.base(Parameter.SEND_TAP)
        self.pan = layout.base(Parameter.SEND_PAN)
        self.master = layout.base(Parameter.BUS_MASTER)
        self.mute = layout.base(Parameter.BUS_MUTE)
        self.open = layout.base(Parameter.BUS_OPEN)
        self.dim = layout.base(Parameter.BUS_DIM)
        self.silence = layout.base(Parameter.SILENCE)
        self.freeze = layout.base(Parameter.FREEZE)
        self.group = layout.base(Parameter.GROUP)
        self.sound = layout.base(Parameter.SOUND_LEVEL)
        self.hold = layout.base(Parameter.BUS_HOLD)
        self.ask = layout.base(Parameter.ASK)
        self.preset = layout.base(Parameter.PRESET)
        self.rides = Rides(self.size, rig.file.limits.ramp_floor_db)
        self.floor_db = self.rides.floor_db
        self.told = self.rides.told
        self.asked = [0.0] * self.size
        self.goal = [math.nan] * self.size
        self.settled = bytearray(self.size)
        self.out = bytearray(self.size)
        self.left = bytearray(self.size)
        self.free = bytearray(self.size)
        self.can_set = bytearray(slot in can_set for slot in layout)
        self.kind = bytearray(self.size)
        for parameter, (kind, _) in KINDS.items():
            for slot in layout.slots(parameter):
                self.kind[slot] = _KIND[kind]
        self._declare(slack_s)

    def _declare(self, slack_s: float) -> None:
        """Fill in what the rig declares."""
        limits = self.rig.file.limits
        for slot in range(self.fader, self.fader + self.channels):
            self.asked[slot] = math.nan  # unknown until the console says
            self.free[slot] = 1
            self._speed(slot, limits.rise_db_per_s, limits.step_db, slack_s)
        for b, bus in enumerate(self.rig.file.bus):
            ears = [one for one in self.rig.file.performer if bus.id in one.buses]
            rises = (bus.rise_db_per_s, *(one.rise_db_per_s for one in ears))
            steps = (bus.step_db, *(one.step_db for one in ears))
            rise = min([limits.rise_db_per_s, *(db for db in rises if db is not None)])
            step = min([limits.step_db, *(db for db in steps if db is not None)])
            self.asked[self.master + b] = bus.start_db
            self._speed(self.master + b, rise, step, slack_s)
            for c, channel in enumerate(self.layout.channels):
                cell = c * self.buses + b
                self.asked[self.send + cell] = bus.start_mix.get(channel, OFF)
                self.asked[self.on + cell] = 1.0
                self.asked[self.tap + cell] = 1.0 if bus.tap == "post" else 0.0
                self._speed(self.send + cell, rise, step, slack_s)

    def _speed(self, slot: int, rise: float, step: float, slack_s: float) -> None:
        self.rides.rise[slot], self.rides.step[slot] = reserved(rise, step, slack_s)

    def is_send(self, slot: int) -> bool:
        """Whether a slot is a send level."""
        return self.send <= slot < self.on

    def is_master(self, slot: int) -> bool:
        """Whether a slot is a bus master."""
        return self.master <= slot < self.mute

    def is_fader(self, slot: int) -> bool:
        """Whether a slot is a channel fader."""
        return self.fader <= slot < self.channel_mute

    def fader_db(self, channel: int) -> float:
        """A channel fader as far as known; an unknown one counts as fully up."""
        told, asked = self.told[self.fader + channel], self.asked[self.fader + channel]
        known = max((x for x in (told, asked) if x == x), default=None)
        return self.rig.file.limits.fader_ceiling_db if known is None else known

    def sends_of_bus(self, bus: int) -> range:
        """Send levels into a bus, in channel order."""
        return range(self.send + bus, self.on, self.buses)

    def sends_of_channel(self, channel: int) -> range:
        """Send levels of a channel, in bus order."""
        start = self.send + channel * self.buses
        return range(start, start + self.buses)

"""What a console's matrix makes of its values: the effective level of every send. Pure.

A send, the channel fader where it is tapped after it, and the bus master add up; behind a closed
gate that the console has, it is off. A level that the console does not have, or that nobody can
set or read, stands at unity.
"""

from __future__ import annotations

from collections.abc import Sequence

from bridge.rig.layout import Parameter
from bridge.simulator.recording import Facts
from bridge.units import OFF

Cell = tuple[int, int]

_ROWS = (Parameter.CHANNEL_FADER, Parameter.CHANNEL_MUTE)
_CELLS = (Parameter.SEND_LEVEL, Parameter.SEND_ON, Parameter.SEND_TAP)
_COLUMNS = (Parameter.BUS_MASTER, Parameter.BUS_MUTE, Parameter.BUS_OPEN)


class Mixing:
    """The sums of one console.

    Args:
        facts: The rig facts.
        post: Whether a bus is declared to be tapped after the faders, one a bus; counts where the
            console's own tap can be neither set nor read. Before the faders when missing.
    """

    def __init__(self, facts: Facts, post: Sequence[bool] = ()) -> None:
        layout = facts.layout
        self.channels, self.buses = len(layout.channels), len(layout.buses)
        self._there = bytearray(layout.size)
        for slot in facts.can_set | facts.can_read:
            self._there[slot] = 1
        self._cuts = ("pre" in facts.mute_cuts, "post" in facts.mute_cuts)
        bases = [layout.base(each) for each in (*_ROWS, *_CELLS, *_COLUMNS)]
        self._fader, self._cut, self._send, self._on, self._tap = bases[:5]
        self._master, self._mute, self._open = bases[5:]
        self._silence = layout.base(Parameter.SILENCE)
        self._post = tuple(post) or (False,) * self.buses
        self.pan = layout.base(Parameter.SEND_PAN)
        self._moved = {slot: self._moved_by(layout.place(slot)) for slot in layout}

    def _moved_by(self, place: tuple[Parameter, int, int]) -> tuple[Cell, ...]:
        parameter, channel, bus = place
        if parameter in _CELLS:
            return ((channel, bus),)
        if parameter in _ROWS:
            return tuple((channel, each) for each in range(self.buses))
        if parameter in _COLUMNS:
            return tuple((each, bus) for each in range(self.channels))
        if parameter is Parameter.SILENCE:
            return tuple((c, b) for c in range(self.channels) for b in range(self.buses))
        return ()

    def cells(self, slot: int) -> tuple[Cell, ...]:
        """The sends whose effective level a slot may move."""
        return self._moved[slot]

    def effective_db(self, values: Sequence[float], channel: int, bus: int) -> float:
        """The effective level of a send, dB.

        Args:
            values: What the console holds, a value a slot.
            channel: Number of the channel.
            bus: Number of the bus.
        """
        cell, there = channel * self.buses + bus, self._there
        tap = self._tap + cell
        post = values[tap] >= 0.5 if there[tap] else self._post[bus]
        if (there[self._on + cell] and not values[self._on + cell] >= 0.5) or (
            self._cuts[post] and there[self._cut + channel] and values[self._cut + channel] >= 0.5
        ):
            return OFF
        master = self._level(values, self._master + bus) if not self._closed(values, bus) else OFF
        send = self._level(values, self._send + cell)
        return send + master + (self._level(values, self._fader + channel) if post else 0.0)

    def all_db(self, values: Sequence[float]) -> list[list[float]]:
        """All effective levels, channels x buses, dB."""
        return [[self.effective_db(values, channel, bus) for bus in range(self.buses)]
                for channel in range(self.channels)]  # fmt: skip

    def pans(self, values: Sequence[float]) -> list[list[float]]:
        """Where every send stands on its bus, channels x buses, -1..1."""
        rows = range(self.pan, self.pan + self.channels * self.buses, self.buses)
        return [list(values[row : row + self.buses]) for row in rows]

    def _level(self, values: Sequence[float], slot: int) -> float:
        return values[slot] if self._there[slot] else 0.0

    def _closed(self, values: Sequence[float], bus: int) -> bool:
        there, mute, opened = self._there, self._mute + bus, self._open + bus
        return bool(
            (there[mute] and values[mute] >= 0.5)
            or (there[opened] and not values[opened] >= 0.5)
            or (there[self._silence] and values[self._silence] >= 0.5)
        )

"""The numbering of parameters: one integer a parameter, the same in every station. Pure.

A *slot* is that integer. The matrix keeps its values in lists indexed by slot, address maps are
compiled to slots, and pacing keeps one latest value a slot.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

SET, STEP, FLIP = 0, 1, 2
"""What a movement does to a parameter: to a value, by so many dB, to the other state. Plain ints:
they are compared for every message."""


class Parameter(StrEnum):
    """What a control can move. The value's meaning stands in ``KINDS``."""

    CHANNEL_FADER = "channel fader"
    CHANNEL_MUTE = "channel mute"
    SEND_LEVEL = "send level"
    SEND_ON = "send on"
    SEND_TAP = "send tap"
    SEND_PAN = "send pan"
    BUS_MASTER = "bus master"
    BUS_MUTE = "bus mute"
    BUS_OPEN = "bus open"
    BUS_DIM = "bus dim"
    SILENCE = "silence all"
    FREEZE = "freeze"
    GROUP = "group"
    SOUND_LEVEL = "sound level"
    BUS_HOLD = "bus hold"
    ASK = "ask"
    PRESET = "preset"
    PRESET_NEXT = "next preset"
    PRESET_PREVIOUS = "previous preset"
    PRESET_HOUSE = "house preset"
    PRESET_UNDO = "undo preset"


class Kind(StrEnum):
    """What a parameter's value (always a float) means."""

    LEVEL = "level"
    """dB, ``-inf`` is off."""
    SWITCH = "switch"
    """0.0 or 1.0: 1.0 is muted, on, open, dimmed, silent, frozen."""
    TAP = "tap"
    """0.0 is pre, 1.0 is post the channel fader."""
    PAN = "pan"
    """-1.0 (left) .. 0.0 (centre) .. 1.0 (right)."""
    SOUND = "sound"
    """A measured sound level at a performer's ear, dB(A)."""


class Scope(StrEnum):
    """What a parameter is counted over."""

    CHANNEL = "channel"
    CELL = "channel and bus"
    BUS = "bus"
    PERFORMER = "performer"
    GROUP = "group"
    PRESET = "preset"
    WHOLE = "whole"


KINDS: dict[Parameter, tuple[Kind, Scope]] = {
    Parameter.CHANNEL_FADER: (Kind.LEVEL, Scope.CHANNEL),
    Parameter.CHANNEL_MUTE: (Kind.SWITCH, Scope.CHANNEL),
    Parameter.SEND_LEVEL: (Kind.LEVEL, Scope.CELL),
    Parameter.SEND_ON: (Kind.SWITCH, Scope.CELL),
    Parameter.SEND_TAP: (Kind.TAP, Scope.CELL),
    Parameter.SEND_PAN: (Kind.PAN, Scope.CELL),
    Parameter.BUS_MASTER: (Kind.LEVEL, Scope.BUS),
    Parameter.BUS_MUTE: (Kind.SWITCH, Scope.BUS),
    Parameter.BUS_OPEN: (Kind.SWITCH, Scope.BUS),
    Parameter.BUS_DIM: (Kind.SWITCH, Scope.BUS),
    Parameter.SILENCE: (Kind.SWITCH, Scope.WHOLE),
    Parameter.FREEZE: (Kind.SWITCH, Scope.PERFORMER),
    Parameter.GROUP: (Kind.LEVEL, Scope.GROUP),
    Parameter.SOUND_LEVEL: (Kind.SOUND, Scope.PERFORMER),
    Parameter.BUS_HOLD: (Kind.SWITCH, Scope.BUS),
    Parameter.ASK: (Kind.SWITCH, Scope.CELL),
    Parameter.PRESET: (Kind.SWITCH, Scope.PRESET),
    Parameter.PRESET_NEXT: (Kind.SWITCH, Scope.WHOLE),
    Parameter.PRESET_PREVIOUS: (Kind.SWITCH, Scope.WHOLE),
    Parameter.PRESET_HOUSE: (Kind.SWITCH, Scope.WHOLE),
    Parameter.PRESET_UNDO: (Kind.SWITCH, Scope.WHOLE),
}


class Place(NamedTuple):
    """A parameter at a place; -1 where it has no channel or no bus.

    ``channel`` also numbers the performer of a freeze (-1 is everybody), the group of a group
    and the preset of a preset.
    """

    parameter: Parameter
    channel: int = -1
    bus: int = -1


@dataclass(frozen=True, slots=True)
class Layout:
    """How many there are of everything, and so which slot is which parameter.

    Attributes:
        channels: Ids of the channels, in rig order.
        buses: Ids of the buses, in rig order.
        performers: Ids of the performers, in rig order.
        groups: Ids of the groups, in rig order.
        presets: Names of the presets that controllers reach, in their order.
    """

    channels: tuple[str, ...]
    buses: tuple[str, ...]
    performers: tuple[str, ...] = ()
    groups: tuple[str, ...] = ()
    presets: tuple[str, ...] = ()

    def _size(self, scope: Scope) -> int:
        return {
            Scope.CHANNEL: len(self.channels),
            Scope.CELL: len(self.channels) * len(self.buses),
            Scope.BUS: len(self.buses),
            Scope.PERFORMER: len(self.performers) + 1,  # the last one is everybody
            Scope.GROUP: len(self.groups),
            Scope.PRESET: len(self.presets),
            Scope.WHOLE: 1,
        }[scope]

    def base(self, parameter: Parameter) -> int:
        """First slot of a parameter; its cells lie at ``channel * buses + bus``."""
        start = 0
        for other, (_, scope) in KINDS.items():
            if other is parameter:
                return start
            start += self._size(scope)
        raise AssertionError("every parameter stands in KINDS")

    @property
    def size(self) -> int:
        """How many slots there are."""
        return sum(self._size(scope) for _, scope in KINDS.values())

    def slot(self, parameter: Parameter, channel: int = -1, bus: int = -1) -> int:
        """The slot of a parameter at a place.

        Raises:
            ValueError: there is no such place.
        """
        scope = KINDS[parameter][1]
        within = {
            Scope.CHANNEL: channel,
            Scope.CELL: channel * len(self.buses) + bus,
            Scope.BUS: bus,
            Scope.PERFORMER: channel if channel >= 0 else len(self.performers),
            Scope.GROUP: channel,
            Scope.PRESET: channel,
            Scope.WHOLE: 0,
        }[scope]
        wrong_bus = scope is Scope.CELL and not 0 <= bus < len(self.buses)
        if wrong_bus or not 0 <= within < self._size(scope):
            raise ValueError(f"no {parameter} at channel {channel}, bus {bus}")
        return self.base(parameter) + within

    def place(self, slot: int) -> Place:
        """The parameter and place of a slot.

        Raises:
            ValueError: there is no such slot.
        """
        within = slot
        for parameter, (_, scope) in KINDS.items():
            size = self._size(scope)
            if 0 <= within < size:
                return self._place(parameter, scope, within)
            within -= size
        raise ValueError(f"no slot {slot} in 0..{self.size - 1}")

    def _place(self, parameter: Parameter, scope: Scope, within: int) -> Place:
        if scope is Scope.CELL:
            return Place(parameter, *divmod(within, len(self.buses)))
        if scope is Scope.BUS:
            return Place(parameter, -1, within)
        if scope is Scope.WHOLE or (scope is Scope.PERFORMER and within == len(self.performers)):
            return Place(parameter)
        return Place(parameter, within)

    def slots(self, parameter: Parameter) -> range:
        """All slots of a parameter."""
        start = self.base(parameter)
        return range(start, start + self._size(KINDS[parameter][1]))

    def __iter__(self) -> Iterator[int]:
        return iter(range(self.size))

    def name(self, slot: int) -> str:
        """The slot in words: ``send level of accordion in kit``."""
        parameter, channel, bus = self.place(slot)
        scope = KINDS[parameter][1]
        if scope is Scope.CELL:
            return f"{parameter} of {self.channels[channel]} in {self.buses[bus]}"
        names = {
            Scope.CHANNEL: self.channels,
            Scope.PERFORMER: self.performers,
            Scope.GROUP: self.groups,
            Scope.PRESET: self.presets,
        }
        if scope is Scope.BUS:
            return f"{parameter} of {self.buses[bus]}"
        if scope is Scope.WHOLE or channel < 0:
            return str(parameter)
        return f"{parameter} of {names[scope][channel]}"

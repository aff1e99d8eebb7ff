"""Complete MIDI messages to typed events; 14-bit pairs, NRPN and RPN put together. Pure.

An event is a plain tuple ``(kind, midi_channel, number, value, resolution)``: ``midi_channel`` is
1..16, ``resolution`` is the largest value possible, so ``value / resolution`` is a position 0..1.

    kind                 number               value                          resolution
    NOTE                 note 0..127          velocity 0..127, 0 is off      127
    CONTROL              controller 0..127    0..127                         127
    CONTROL14            controller 0..31     0..16383                       16383
    NRPN, RPN            parameter 0..16383   0..16383                       16383
    NRPN_STEP, RPN_STEP  parameter 0..16383   +1 or -1                       1
    BEND                 0                    0..16383, 8192 is the centre   16383
    PROGRAM              program 0..127       127 (the press of a switch)    127
    PRESSURE             0                    0..127                         127
    POLY_PRESSURE        note 0..127          0..127                         127
    SYSEX                0 (channel 0 too)    bytes, F0 and F7 included      0

Facts: MIDI 1.0 Detailed Specification 4.2, tables 1-5 and "Control Change".
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from bridge.wire.midi_halves import NULL, SELECTORS, Halves, Selection

NOTE, CONTROL, CONTROL14, NRPN, RPN, NRPN_STEP, RPN_STEP = range(7)
BEND, PROGRAM, PRESSURE, POLY_PRESSURE, SYSEX = range(7, 12)
"""Kinds of events. Plain ints: they are compared and hashed for every message."""

KIND_NAMES: Final = (
    "note",
    "control change",
    "control change 14-bit",
    "nrpn",
    "rpn",
    "nrpn step",
    "rpn step",
    "pitch bend",
    "program change",
    "channel pressure",
    "poly pressure",
    "sysex",
)
"""What a person reads for each kind, by its number."""

Event = tuple[int, int, int, int, int] | tuple[int, int, int, bytes, int]
_Handler = Callable[[int, int, int], list[Event]]

FULL7, FULL14 = 127, 16383

DATA_MSB, DATA_LSB, INCREMENT, DECREMENT, RESET_CONTROLLERS = 6, 38, 96, 97, 121

_ENTERED, _STEPPED = (NRPN, RPN), (NRPN_STEP, RPN_STEP)
"""Kinds of data entry and of steps, by whether the parameter is registered."""


class EventAssembler:
    """One port's complete messages to events; the memory of MIDI channels is separate and bounded.

    A controller 0..31 listed in ``pairs`` forms a 14-bit value with the controller 32 above. On a
    MIDI channel that ``parameters`` names, controllers 98..101 select, 6 and 38 enter and 96 and 97
    step a parameter; numbers that are not listed give events too, so that a person can see them.
    All else stays a plain ``CONTROL``. Nothing that is fed raises.

    An MSB of those in ``awaited`` makes no event before its LSB. It waits until then at most: the
    MSB of any other value, the choice of another parameter and ``release`` let it act with LSB 0.
    So one value a port waits, and an LSB that is late refines it.

    Attributes:
        ignored: Messages that gave no event although they were meant to: data entry with nothing
            selected, an LSB before any MSB, bytes that are no message.
    """

    __slots__ = ("_by_status", "_open", "_pairs", "_selections", "_special", "ignored")

    def __init__(
        self,
        pairs: frozenset[tuple[int, int]] = frozenset(),
        parameters: frozenset[tuple[int, int, int]] = frozenset(),
        *,
        lsb_first: frozenset[tuple[int, int, int]] = frozenset(),
        awaited: frozenset[tuple[int, int, int]] = frozenset(),
    ) -> None:
        """Compile what to put together.

        Args:
            pairs: ``(midi_channel, control)``, control 0..31.
            parameters: ``(kind, midi_channel, number)``, kind ``NRPN`` or ``RPN``, number 0..16382.
            lsb_first: ``(kind, midi_channel, number)`` of those whose sender sends the LSB first;
                kind ``CONTROL14``, ``NRPN`` or ``RPN``.
            awaited: The same for those whose sender sends an LSB after each MSB.

        Raises:
            ValueError: a channel, a control or a number out of its range, or a pair that the data
                entry of the same channel needs, or an ``lsb_first`` or ``awaited`` that neither of
                them lists, or one that is both.
        """
        _check(pairs, parameters)
        _check_order("LSB first", lsb_first, pairs, parameters)
        _check_order("LSB awaited", awaited, pairs, parameters)
        if lsb_first & awaited:
            raise ValueError(f"LSB first and awaited: {min(lsb_first & awaited)}, expected one")
        self.ignored = 0
        self._open: tuple[Halves, int, int, int] | None = None
        self._pairs: dict[int, Halves] = {}
        self._special: dict[tuple[int, int], _Handler] = {}
        for midi_channel, control in pairs:
            place = (CONTROL14, midi_channel, control)
            self._pairs[midi_channel << 7 | control] = Halves(
                place in lsb_first, awaited=place in awaited
            )
            self._special[midi_channel, control] = self._pair_msb
            self._special[midi_channel, control + 32] = self._pair_lsb
        self._selections: dict[int, Selection] = {}
        for midi_channel in {place[1] for place in parameters}:
            self._add_parameters(midi_channel, parameters, lsb_first, awaited)
        self._by_status = self._table()

    def clear(self) -> None:
        """Forget every half value and selection, as after a reconnect."""
        self._open = None
        for halves in self._pairs.values():
            halves.forget()
        for selection in self._selections.values():
            selection.clear()

    def feed(self, message: bytes) -> list[Event]:
        """Take one complete message; answer the events that it makes: none, one, or two.

        Two, where it lets a value act that waited for its LSB. System common and real-time messages
        make none.
        """
        if len(message) == 3:
            status, number, value = message
            handler = self._by_status.get(status)
            if handler is not None and number < 0x80 > value:
                return handler((status & 0x0F) + 1, number, value)
        return self._feed_other(message)

    def _feed_other(self, message: bytes) -> list[Event]:
        status = message[0] if message else 0
        if len(message) == 2 and message[1] < 0x80:
            if status & 0xF0 == 0xC0:
                return [(PROGRAM, (status & 0x0F) + 1, message[1], FULL7, FULL7)]
            if status & 0xF0 == 0xD0:
                return [(PRESSURE, (status & 0x0F) + 1, 0, message[1], FULL7)]
        if status == 0xF0 and len(message) >= 2 and message[-1] == 0xF7:
            return [(SYSEX, 0, 0, bytes(message), 0)]
        if status <= 0xF0 or status == 0xF7:
            self.ignored += 1
        return []

    def _table(self) -> dict[int, _Handler]:
        rows = {
            0x80: _note_off,
            0x90: _note_on,
            0xA0: _poly_pressure,
            0xB0: self._control,
            0xE0: _bend,
        }
        return {status | low: handler for status, handler in rows.items() for low in range(16)}

    def _control(self, midi_channel: int, control: int, value: int) -> list[Event]:
        special = self._special.get((midi_channel, control))
        if special is not None:
            return special(midi_channel, control, value)
        return [(CONTROL, midi_channel, control, value, FULL7)]

    @property
    def waiting(self) -> bool:
        """Whether a value waits for its LSB: ``release`` would let it act."""
        return self._open is not None and self._open[0].waiting

    def release(self) -> list[Event]:
        """Let the value act, with LSB 0, that waits for its LSB: it waited for long enough."""
        if self._open is None:
            return []
        halves, kind, midi_channel, number = self._open
        self._open = None
        whole = halves.release()
        return [] if whole < 0 else [(kind, midi_channel, number, whole, FULL14)]

    def _msb(self, halves: Halves, place: tuple[int, int, int], value: int) -> list[Event]:
        """Take an MSB: of all values on this port at most one waits, the newest."""
        before = self.release() if self._open is not None and self._open[0] is not halves else []
        whole = halves.take_msb(value)
        if whole < 0:
            self._open = (halves, *place)
            return before
        return [*before, (*place, whole, FULL14)]

    def _lsb(self, halves: Halves, place: tuple[int, int, int], value: int) -> list[Event]:
        whole = halves.take_lsb(value)
        if whole < 0:
            return [] if halves.lsb_first else self._nothing()
        return [(*place, whole, FULL14)]

    def _pair_msb(self, midi_channel: int, control: int, value: int) -> list[Event]:
        halves = self._pairs[midi_channel << 7 | control]
        return self._msb(halves, (CONTROL14, midi_channel, control), value)

    def _pair_lsb(self, midi_channel: int, control: int, value: int) -> list[Event]:
        halves = self._pairs[midi_channel << 7 | control - 32]
        return self._lsb(halves, (CONTROL14, midi_channel, control - 32), value)

    def _add_parameters(
        self,
        midi_channel: int,
        parameters: frozenset[tuple[int, int, int]],
        lsb_first: frozenset[tuple[int, int, int]],
        awaited: frozenset[tuple[int, int, int]],
    ) -> None:
        listed = {
            (place[0] == RPN, place[2]): Halves(place in lsb_first, awaited=place in awaited)
            for place in parameters
            if place[1] == midi_channel
        }
        self._selections[midi_channel] = Selection(listed)
        rows: dict[int, _Handler] = dict.fromkeys(SELECTORS, self._select)
        rows |= {DATA_MSB: self._data_msb, DATA_LSB: self._data_lsb}
        rows |= {INCREMENT: self._step, DECREMENT: self._step, RESET_CONTROLLERS: self._reset}
        self._special.update({(midi_channel, control): row for control, row in rows.items()})

    def _select(self, midi_channel: int, control: int, value: int) -> list[Event]:
        selection = self._selections[midi_channel]
        before = selection.halves
        selection.select(control, value)
        if self._open is None or self._open[0] is not before or selection.halves is before:
            return []
        return self.release()

    def _entry(self, midi_channel: int) -> tuple[Halves, tuple[int, int, int]] | None:
        """The value that data entry is about, and where; None while nothing is selected."""
        selection = self._selections[midi_channel]
        if selection.halves is None:
            return None
        return selection.halves, (_ENTERED[selection.registered], midi_channel, selection.number)

    def _data_msb(self, midi_channel: int, _control: int, value: int) -> list[Event]:
        entry = self._entry(midi_channel)
        return self._nothing() if entry is None else self._msb(*entry, value)

    def _data_lsb(self, midi_channel: int, _control: int, value: int) -> list[Event]:
        entry = self._entry(midi_channel)
        return self._nothing() if entry is None else self._lsb(*entry, value)

    def _step(self, midi_channel: int, control: int, _value: int) -> list[Event]:
        """One step, whatever the third byte says.

        Source: MMA RP-018, "Response to Data Increment/Decrement Controllers" (from memory). The
        value that the halves remember is then out of date, so a lone LSB may not refine it.
        """
        selection = self._selections[midi_channel]
        if selection.halves is None:
            return self._nothing()
        waited = self.release()
        selection.halves.forget()
        kind, direction = _STEPPED[selection.registered], 1 if control == INCREMENT else -1
        return [*waited, (kind, midi_channel, selection.number, direction, 1)]

    def _reset(self, midi_channel: int, control: int, value: int) -> list[Event]:
        """Reset All Controllers sets both parameter numbers to null.

        Source: MMA RP-015, "Response to Reset All Controllers" (from memory).
        """
        selection = self._selections[midi_channel]
        waited = self._open is not None and self._open[0] is selection.halves
        before = self.release() if waited else []
        selection.deselect()
        return [*before, (CONTROL, midi_channel, control, value, FULL7)]

    def _nothing(self) -> list[Event]:
        self.ignored += 1
        return []


def _check(pairs: frozenset[tuple[int, int]], parameters: frozenset[tuple[int, int, int]]) -> None:
    """Refuse a table that no message could ever match, or that two readings claim."""
    data_entry = {midi_channel for _kind, midi_channel, _number in parameters}
    for midi_channel, control in pairs:
        if not (1 <= midi_channel <= 16 and 0 <= control <= 31):
            raise ValueError(f"pair {(midi_channel, control)}, expected channel 1..16, 0..31")
        if control == DATA_MSB and midi_channel in data_entry:
            raise ValueError(f"pair 6/38 on MIDI channel {midi_channel}, but NRPN or RPN needs it")
    for kind, midi_channel, number in parameters:
        if kind not in _ENTERED:
            raise ValueError(f"parameter of kind {kind}, expected NRPN or RPN")
        if not (1 <= midi_channel <= 16 and 0 <= number < NULL):
            raise ValueError(f"parameter {number} on {midi_channel}, expected 0..16382 on 1..16")


def _check_order(
    what: str,
    order: frozenset[tuple[int, int, int]],
    pairs: frozenset[tuple[int, int]],
    parameters: frozenset[tuple[int, int, int]],
) -> None:
    """Refuse an order declared for something that is not put together."""
    strangers = order - parameters - {(CONTROL14, *pair) for pair in pairs}
    if strangers:
        raise ValueError(f"{what} for {min(strangers)}, which is no pair and no parameter")


def _note_off(midi_channel: int, note: int, _velocity: int) -> list[Event]:
    return [(NOTE, midi_channel, note, 0, FULL7)]


def _note_on(midi_channel: int, note: int, velocity: int) -> list[Event]:
    return [(NOTE, midi_channel, note, velocity, FULL7)]


def _poly_pressure(midi_channel: int, note: int, value: int) -> list[Event]:
    return [(POLY_PRESSURE, midi_channel, note, value, FULL7)]


def _bend(midi_channel: int, lsb: int, msb: int) -> list[Event]:
    return [(BEND, midi_channel, 0, msb << 7 | lsb, FULL14)]

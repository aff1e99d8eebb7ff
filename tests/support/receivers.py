"""Consoles of several minds about the halves of a 14-bit MIDI value; no code of the bridge's.

MIDI 1.0 Detailed Specification 4.2, "Control Change": controllers 32..63 are the LSB of 0..31; the
LSB may be left out; after both, an LSB alone adjusts finely; "when an MSB is received, the receiver
should set its concept of the LSB to zero". "Registered and Non-Registered Parameter Numbers": 99
and 98 select a parameter, 6 and 38 enter its value. The other minds are common practice.
"""

from __future__ import annotations

from collections.abc import Iterable

Place = tuple[str, int, int]
"""``pair`` or ``nrpn``, MIDI channel 0..15, number."""


class Receiver:
    """Acts on control changes as they come, and can do only one thing: hold values 0..16383."""

    waits_for_lsb = False
    waits_for_msb = False
    zeroes_lsb = False
    shares_data_entry = False

    def __init__(self) -> None:
        self.halves: dict[Place, tuple[int, int]] = {}
        self.number: dict[int, dict[int, int]] = {}

    def hear(self, messages: Iterable[bytes]) -> list[tuple[Place, int]]:
        """What it acts on: place and value, one after the other."""
        return [done for message in messages for done in self._take(message)]

    def _take(self, message: bytes) -> list[tuple[Place, int]]:
        midi_channel, control, value = message[0] & 15, message[1], message[2]
        if control in (98, 99):
            self.number.setdefault(midi_channel, {})[control] = value
            return []
        if control > 63:
            return []
        if control in (6, 38):
            number = self.number[midi_channel]
            place = ("nrpn", midi_channel, number[99] * 128 + number[98])
        else:
            place = ("pair", midi_channel, control % 32)
        return self._enter(place, value, is_lsb=control >= 32)

    def _enter(self, place: Place, value: int, *, is_lsb: bool) -> list[tuple[Place, int]]:
        held = ("nrpn", place[1], -1) if self.shares_data_entry and place[0] == "nrpn" else place
        msb, lsb = self.halves.get(held, (0, 0))
        if is_lsb:
            lsb = value
        else:
            msb, lsb = value, 0 if self.zeroes_lsb else lsb
        self.halves[held] = (msb, lsb)
        if (self.waits_for_lsb and not is_lsb) or (self.waits_for_msb and is_lsb):
            return []
        return [(place, msb * 128 + lsb)]


class AsTheStandardSays(Receiver):
    """An MSB acts at once and sets the LSB to zero."""

    zeroes_lsb = True


class WaitsForTheLsb(Receiver):
    """A value is whole at its LSB."""

    waits_for_lsb = True


class KeepsTheLsb(Receiver):
    """Each half acts at once, and the other half stays as it was."""


class KeepsAnyLsb(Receiver):
    """The same, with one data entry for all parameters of a MIDI channel."""

    shares_data_entry = True


class WaitsForTheMsb(Receiver):
    """A value is whole at its MSB; the LSB comes before it."""

    waits_for_msb = True

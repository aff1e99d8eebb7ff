"""What a receiver of 14-bit MIDI values has to remember between two messages. Pure.

Facts: MIDI 1.0 Detailed Specification 4.2, "Control Change" (controllers 0..63: the LSB may be left
out, an LSB alone adjusts finely, and a receiver takes the LSB as zero when an MSB comes) and
"Registered and Non-Registered Parameter Numbers" (6, 38, 96..101).
"""

from __future__ import annotations

from typing import Final

NRPN_LSB, NRPN_MSB, RPN_LSB, RPN_MSB = 98, 99, 100, 101

SELECTORS: Final = {
    NRPN_MSB: (False, 7),
    NRPN_LSB: (False, 0),
    RPN_MSB: (True, 7),
    RPN_LSB: (True, 0),
}
"""Controllers that select a parameter: is it registered, and how far its half is shifted (bits)."""

NULL: Final = 16383
"""Parameter number 127/127: nothing is selected any more, neither NRPN nor RPN."""


class Halves:
    """The two halves of one 14-bit value, in the order in which their sender sends them.

    MSB first (the standard's order): the MSB acts at once with LSB 0, and each LSB refines it. So a
    lone MSB reads no higher than any value that it can be the beginning of, and on a rising law
    never louder. Where the sender is known to send both (``awaited``), the MSB waits for its LSB
    instead, so that nobody sees the dip in between; an LSB alone still refines. LSB first (only
    where declared): the LSB waits, acts together with the next MSB, and is spent; another MSB alone
    reads as LSB 0. An LSB before any MSB says nothing yet.

    The two orders cannot be told apart by listening: M L M L is L M L M, joined late. A sender that
    leaves the LSB out can: after an MSB that stayed alone, the next ones act at once until an LSB
    comes. So such a sender is never more than one message behind.

    Attributes:
        lsb_first: The sender's order.
        waiting: An MSB waits for its LSB.
    """

    __slots__ = ("_alone", "_awaited", "_msb", "_waiting_lsb", "lsb_first", "waiting")

    def __init__(self, lsb_first: bool = False, *, awaited: bool = False) -> None:
        self.lsb_first = lsb_first
        self._awaited = awaited
        self.forget()

    def forget(self) -> None:
        """Know nothing: the next LSB has no MSB to refine."""
        self._msb = -1
        self._waiting_lsb = 0
        self.waiting = self._alone = False

    def take_msb(self, value: int) -> int:
        """The value 0..16383 after an MSB of 0..127; -1 where it waits for its LSB."""
        self._msb = value
        self._alone = self._alone or self.waiting
        self.waiting = self._awaited and not self._alone
        if self.waiting:
            return -1
        lsb, self._waiting_lsb = self._waiting_lsb, 0
        return value << 7 | lsb

    def take_lsb(self, value: int) -> int:
        """The value 0..16383 after an LSB of 0..127; -1 where it has to wait or refines nothing."""
        if self.lsb_first:
            self._waiting_lsb = value
            return -1
        self.waiting = self._alone = False
        return self._msb << 7 | value if self._msb >= 0 else -1

    def release(self) -> int:
        """The value 0..16383 of an MSB that waited and stays alone, its LSB 0; -1 where none is."""
        if not self.waiting:
            return -1
        self.waiting, self._alone = False, True
        return self._msb << 7


class Selection:
    """Which parameter the data entry of one MIDI channel speaks about.

    A half number is remembered, so a sender may leave out the half that stays. Null (127/127)
    selects nothing and forgets both numbers: data entry then waits for a whole new one. Values of
    numbers that nobody listed are remembered only while selected, so the memory is bounded.

    Attributes:
        registered: Whether the number is an RPN.
        number: 0..16382; ``NULL`` while nothing is selected.
        halves: The selected parameter's value, None while nothing is selected.
    """

    __slots__ = ("_listed", "_parts", "_unlisted", "halves", "number", "registered")

    def __init__(self, listed: dict[tuple[bool, int], Halves]) -> None:
        """``listed``: the values to keep, by ``(registered, number)``."""
        self._listed = listed
        self._unlisted = Halves()
        self.deselect()

    def clear(self) -> None:
        """Select nothing and forget every value, as after a reconnect."""
        for halves in self._listed.values():
            halves.forget()
        self.deselect()

    def deselect(self) -> None:
        """Select nothing; data entry waits for a whole new number."""
        self._parts = dict.fromkeys(SELECTORS.values(), -1)
        self._point_nowhere()

    def _point_nowhere(self) -> None:
        self.registered, self.number = False, NULL
        self.halves: Halves | None = None

    def select(self, control: int, value: int) -> None:
        """Take half a parameter number, 0..127, from one of the ``SELECTORS``."""
        registered, shift = SELECTORS[control]
        self._parts[registered, shift] = value
        msb, lsb = self._parts[registered, 7], self._parts[registered, 0]
        if msb == lsb == 127:
            self.deselect()
        elif msb < 0 or lsb < 0:
            self._point_nowhere()
        elif (registered, msb << 7 | lsb) != (self.registered, self.number):
            self._point_at(registered, msb << 7 | lsb)

    def _point_at(self, registered: bool, number: int) -> None:
        self.registered, self.number = registered, number
        self.halves = self._listed.get((registered, number))
        if self.halves is None:
            self._unlisted.forget()
            self.halves = self._unlisted

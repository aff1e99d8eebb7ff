"""The judge of promise 3: the order at start. Pure.

The first word about a master is low; nothing else goes out before all masters were told low; a bus
opens only after its sends and taps went out, and only when somebody may open it. A word counts as
gone out also when the network ate it. Where packets can overtake each other, a word that seems to
come too soon waits for the longest delay: one that was sent before it may still arrive.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from bridge.simulator.held import CHANNEL_MUTE, MASTER, MUTE, OPEN, SILENCE, Held
from bridge.simulator.recording import Facts

_CLOSING = {MUTE: 1.0, OPEN: 0.0, SILENCE: 1.0, CHANNEL_MUTE: 1.0}
"""Switches that may go out before the masters, in this position."""


class Breaks(NamedTuple):
    """A breach in the making: when, about which slot, in words."""

    at_s: float
    slot: int
    text: str


class _Early(NamedTuple):
    """A word that came before those in ``needs``; they may still arrive until ``until_s``."""

    until_s: float
    seq: int | None
    needs: tuple[int, ...]
    breaks: Breaks


class OrderJudge:
    """Follows what goes out from a cold start on."""

    def __init__(self, facts: Facts, held: Held, tolerance_db: float) -> None:
        self._facts, self._held, self._tolerance_db = facts, held, tolerance_db
        self._firsts = [self._first_words(bus) for bus in range(len(facts.layout.buses))]
        self._early: list[_Early] = []
        self._out: dict[int, int | None] = {}
        self._all_firsts = frozenset(slot for slots in self._firsts for slot in slots)
        self._closed: set[int] = set()
        self._allowed: set[int] = set()

    def _first_words(self, bus: int) -> tuple[int, ...]:
        """What must go out first about a bus: its master, or where it has none, its gates."""
        master = self._held.master_of(bus)
        if master in self._facts.can_set:
            return (master,)
        return tuple(slot for slot in self._held.gates_of(bus) if slot in self._facts.can_set)

    def start(self) -> None:
        """A bridge starts cold."""
        self._out, self._early = {}, []
        self._closed = set(range(len(self._firsts)))
        self._allowed = {bus for bus, opens in enumerate(self._facts.auto_open) if opens}

    def allow(self, bus: int | None) -> None:
        """The engineer opens a bus, or all."""
        self._allowed |= self._closed if bus is None else {bus}

    def word(self, at_s: float, slot: int, value: float, seq: int | None) -> Iterator[Breaks]:
        """A word went out, whether it arrived or not."""
        first_time = slot not in self._out
        known = self._out.setdefault(slot, seq)
        if seq is not None and known is not None and seq < known:
            self._out[slot] = seq
        if self._closed and first_time:
            yield from self._first(at_s, slot, value, seq)

    def _first(self, at_s: float, slot: int, value: float, seq: int | None) -> Iterator[Breaks]:
        kind, held = self._held.kind[slot], self._held
        others = self._all_firsts - {slot}
        needs = tuple(first for first in others if not self._sent_before(first, seq))
        awaited = slot in self._all_firsts
        if kind == MASTER:
            start_db = self._facts.start_db[held.bus[slot]]
            if not value <= start_db + self._tolerance_db:
                text = f"first word about it is {value:.2f} dB, expected at most {start_db:.2f} dB"
                yield Breaks(at_s, slot, text)
        elif awaited and _CLOSING[kind] != value:
            yield Breaks(at_s, slot, f"first word about it is {value:g}, expected it closed")
        elif _CLOSING.get(kind) != value and needs:
            breaks = Breaks(at_s, slot, "went out before the masters of all buses were low")
            yield from self._too_early(seq, needs, breaks)

    def opened(self, at_s: float, slot: int, seq: int | None) -> Iterator[Breaks]:
        """What is heard of a master rose above the ramp floor by a word.

        Args:
            at_s: When, s.
            slot: The master.
            seq: The sending number of the word that did it.
        """
        bus = self._held.bus[slot]
        if bus not in self._closed:
            return
        self._closed.discard(bus)
        if bus not in self._allowed:
            yield Breaks(at_s, slot, "opened though nobody opened this bus")
        sends = self._held.sends_of_bus(bus)
        parts = [part for send in sends for part in (send, self._held.tap_of(send))]
        needed = [part for part in parts if part in self._facts.can_set]
        needs = tuple(part for part in needed if not self._sent_before(part, seq))
        if needs:
            text = "opened before all its sends and taps went out"
            yield from self._too_early(seq, needs, Breaks(at_s, slot, text))

    def _too_early(
        self, seq: int | None, needs: tuple[int, ...], breaks: Breaks
    ) -> Iterator[Breaks]:
        if seq is None or not self._facts.delay_s > 0.0:
            yield self._named(breaks, needs)
            return
        self._early.append(_Early(breaks.at_s + self._facts.delay_s, seq, needs, breaks))

    def passed(self, at_s: float) -> Iterator[Breaks]:
        """Time has passed: judge the words that waited for those sent before them."""
        while self._early and self._early[0].until_s < at_s:
            early = self._early.pop(0)
            still = tuple(slot for slot in early.needs if not self._sent_before(slot, early.seq))
            if still:
                yield self._named(early.breaks, still)

    def _sent_before(self, slot: int, seq: int | None) -> bool:
        out = self._out.get(slot)
        return slot in self._out and (out is None or seq is None or out <= seq)

    def _named(self, breaks: Breaks, needs: tuple[int, ...]) -> Breaks:
        name = self._facts.layout.name(min(needs))
        return breaks._replace(text=f"{breaks.text}: {name} was not told yet")

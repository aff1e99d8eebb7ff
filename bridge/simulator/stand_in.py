"""The console stand-in: a console's conversation without its sound. Pure.

It has a matrix of its own, takes the words that its address map gives it, answers, forgets
subscriptions, restarts with other levels, falls silent, and moves its own faders. It acts on words
in the order in which they arrive, as a console does. All that it is told it records.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Mapping
from typing import Any, Protocol

from bridge.maps.console import ASK_ALL, ASKED, PROBE, RENEW
from bridge.rig.layout import KINDS, Kind, Layout, Parameter
from bridge.simulator.recording import desk, lost, note, packet, told
from bridge.units import OFF

RENEWALS_MISSED = 2.5
"""A subscription lives for so many renewal times, as customary: one lost packet does not end it."""


class Words(Protocol):
    """What the stand-in needs of a compiled address map, read from the console's end."""

    can_set: frozenset[int]
    can_read: frozenset[int]
    echoes: bool
    renew_every_s: float
    alive: tuple[bytes, ...]

    @property
    def language(self) -> str:
        """``osc`` or ``midi``."""

    def encode(self, slot: int, value: float) -> tuple[bytes, ...]:
        """Messages by which the console reports a value."""

    def held(self, slot: int, value: float) -> float:
        """What the bridge understands of such a report."""

    def decode(self, data: bytes) -> tuple[tuple[int, float], ...]:
        """What a message of the bridge says."""

    def clear(self) -> None:
        """Forget half a value."""


Record = Callable[[dict[str, Any]], None]


def power_on_values(layout: Layout) -> list[float]:
    """A harmless state after power-on: all levels off, sends on, nothing muted, taps pre."""
    values = [0.0] * layout.size
    for parameter, (kind, _) in KINDS.items():
        usual = OFF if kind is Kind.LEVEL else float(parameter is Parameter.SEND_ON)
        for slot in layout.slots(parameter):
            values[slot] = usual
    return values


def random_levels(layout: Layout, slots: Iterable[int], seed: int) -> dict[int, float]:
    """Values as somebody may have left them, loud ones too, for the given slots."""
    draw = random.Random(seed)
    out: dict[int, float] = {}
    for slot in sorted(slots):
        chance, number = draw.random(), draw.random()
        kind = KINDS[layout.place(slot).parameter][0]
        if kind is Kind.LEVEL:
            out[slot] = OFF if chance < 0.1 else -60.0 + 70.0 * number
        elif kind is Kind.PAN:
            out[slot] = 2.0 * number - 1.0
        else:
            out[slot] = float(chance < 0.5)
    return out


class StandIn:
    """A console as the bridge sees it.

    Attributes:
        values: What it holds, a value a slot.
    """

    def __init__(
        self,
        words: Words,
        layout: Layout,
        record: Record,
        *,
        power_on: Mapping[int, float] | None = None,
        subscription_s: float | None = None,
    ) -> None:
        """Switch it on.

        Args:
            words: The compiled address map, ``end="console"``.
            layout: The numbering of the slots.
            record: Takes each line of the recording, the header not included.
            power_on: What it holds after power-on, where it is not ``power_on_values``.
            subscription_s: How long a subscription lives, s; without it as many renewal times as
                customary, and for ever where the map renews nothing.
        """
        self._words, self._layout, self._record = words, layout, record
        self._power_on = power_on_values(layout)
        for slot, value in (power_on or {}).items():
            self._power_on[slot] = value
        self._power_on = [self._holds(slot, value) for slot, value in enumerate(self._power_on)]
        self.values = list(self._power_on)
        usual_s = RENEWALS_MISSED * words.renew_every_s or float("inf")
        self._subscription_s = usual_s if subscription_s is None else subscription_s
        self._subscribed_until_s = float("inf") if not words.renew_every_s else -1.0
        self._down_until_s = -1.0
        self._silences: list[tuple[float, float, bool]] = []

    def _holds(self, slot: int, value: float) -> float:
        """A value as this console can hold it: no finer than what it tells."""
        return self._words.held(slot, value) if slot in self._words.can_read else value

    def fall_silent(self, from_s: float, to_s: float, *, deaf: bool = False) -> None:
        """Say nothing in that time; when deaf, act on nothing either."""
        self._silences.append((from_s, to_s, deaf))

    def silent(self, now_s: float) -> bool:
        """Whether it says nothing now: it fell silent, or it is starting up."""
        return now_s < self._down_until_s or self._in_silence(now_s, deaf_only=False)

    def deaf(self, now_s: float) -> bool:
        """Whether it acts on nothing now."""
        return now_s < self._down_until_s or self._in_silence(now_s, deaf_only=True)

    def _in_silence(self, now_s: float, *, deaf_only: bool) -> bool:
        return any(
            from_s <= now_s < to_s and (deaf or not deaf_only)
            for from_s, to_s, deaf in self._silences
        )

    def receive(
        self, data: bytes, now_s: float, seq: int | None = None, sent_s: float | None = None
    ) -> list[bytes]:
        """Take a packet and give the replies.

        Args:
            data: The packet's bytes, any.
            now_s: This moment, s.
            seq: Its number in the order of sending, where known.
            sent_s: When it was sent, s, where known.
        """
        self._record(packet(now_s, len(data), 1, sent_s))
        if self.deaf(now_s):
            return []
        replies: list[bytes] = []
        for slot, value in self._words.decode(data):
            if slot >= 0:
                replies += self._set(slot, value, now_s, seq, sent_s)
            else:
                replies += self._asked(slot, now_s)
        return [] if self.silent(now_s) else replies

    def missed(self, data: bytes, now_s: float, seq: int, sent_s: float) -> None:
        """Note a packet that will never arrive: it went out, and the link carried it.

        A MIDI message may be a part of a value only, and what never came must not be put together
        with what did; so there only its bytes are noted.
        """
        self._record(packet(now_s, len(data), 1, sent_s))
        if self._words.language == "midi":
            return
        for slot, value in self._words.decode(data):
            if slot >= 0:
                self._record(lost(now_s, slot, value, seq, sent_s))

    def _set(
        self, slot: int, value: float, now_s: float, seq: int | None, sent_s: float | None
    ) -> list[bytes]:
        self._record(told(now_s, slot, value, seq, sent_s))
        self.values[slot] = value
        if self._words.echoes and slot in self._words.can_read:
            return list(self._words.encode(slot, value))
        return []

    def _asked(self, what: int, now_s: float) -> list[bytes]:
        if what == PROBE:
            return list(self._words.alive)
        if what == RENEW:
            self._subscribed_until_s = now_s + self._subscription_s
            return []
        slots = sorted(self._words.can_read) if what == ASK_ALL else [ASKED - what]
        return [data for slot in slots if slot in self._words.can_read
                for data in self._words.encode(slot, self.values[slot])]  # fmt: skip

    def move(self, slot: int, value: float, now_s: float) -> list[bytes]:
        """Move something at the desk itself.

        Returns:
            What it tells its subscriber.
        """
        readable = slot in self._words.can_read
        value = self.values[slot] = self._holds(slot, value)
        self._record(desk(now_s, slot, value, hidden=not readable))
        if not readable or self.silent(now_s) or now_s > self._subscribed_until_s:
            return []
        return list(self._words.encode(slot, value))

    def restart(
        self, now_s: float, levels: Mapping[int, float] | None = None, *, down_s: float = 0.0
    ) -> None:
        """Switch off and on again.

        Args:
            now_s: This moment, s.
            levels: What it holds afterwards, where it is not the power-on state.
            down_s: How long it takes nothing and says nothing, s.
        """
        self._record(note(now_s, "restart"))
        self._down_until_s = now_s + down_s
        if self._words.renew_every_s:
            self._subscribed_until_s = -1.0
        self._words.clear()
        fresh = dict(enumerate(self._power_on)) | dict(levels or {})
        for slot, wish in fresh.items():
            value = self._holds(slot, wish)
            if value != self.values[slot]:
                self.values[slot] = value
                hidden = slot not in self._words.can_read
                self._record(desk(now_s, slot, value, hidden=hidden, restart=True))

"""What a controller says while a control is moved, kept within bounds. Pure.

Messages are sorted by *key*: a MIDI message by kind, MIDI channel and number, an OSC message by its
address. A control may have several keys (the halves of a 14-bit value), so every sample knows its
place in the order of all.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from enum import Enum
from typing import NamedTuple, TypeAlias

from bridge.errors import WireError
from bridge.wire import midi_events, osc

KEYS_MAX = 32
"""Different messages that are told apart in one take: a hand moves one control, a surface that says
everything at once is noise."""

SAMPLES_MAX = 512
"""Samples kept of one message: a slow movement through 14 bits is told in some hundreds."""

TAKES_MAX = 8
"""Movements that are looked at together; the oldest is forgotten."""

ARGUMENTS_MAX = 16
"""Most arguments of an OSC message that can be a control's; a map takes no more."""

ARGUMENT_CHARACTERS_MAX = 200
"""Longest texts of one OSC message, together."""

FLOOD_PER_S = 300.0
"""More messages a second than a hand makes and a MIDI wire comfortably carries."""

JITTER = 2
"""Steps of a 7-bit value by which a cheap potentiometer trembles (common practice)."""

MidiKey: TypeAlias = tuple[int, int, int]
"""Kind as in ``wire.midi_events``, MIDI channel 1..16, number."""

OscKey: TypeAlias = str
Key: TypeAlias = MidiKey | OscKey
Argument: TypeAlias = bool | int | float | str | None
"""An OSC argument as far as a map can say it; None where it cannot."""

Value: TypeAlias = int | tuple[tuple[str, Argument], ...]
"""MIDI: the value. OSC: type tag and value of each argument."""


class Direction(Enum):
    """What the person was asked to do in a take."""

    FREE = "free"
    UP = "up"
    DOWN = "down"
    HOLD = "hold"


class Sample(NamedTuple):
    """One message: its place in the order of all, when it came (s), what it said."""

    order: int
    at_s: float
    value: Value


@dataclass(slots=True)
class Trace:
    """Everything that was said with one key in one take.

    Attributes:
        samples: The newest samples, oldest first.
        heard: How many there were in all.
        first_s: When the first came, seconds.
        changed_s: When one came that was another than the one before, seconds.
        low: Lowest number that came; inf where none did.
        high: Highest number that came; -inf where none did.
    """

    first_s: float
    changed_s: float
    samples: deque[Sample] = field(default_factory=lambda: deque(maxlen=SAMPLES_MAX))
    heard: int = 0
    low: float = math.inf
    high: float = -math.inf

    def add(self, sample: Sample) -> None:
        """Keep one more message."""
        value = sample.value
        if self.samples and self.samples[-1].value != value:
            self.changed_s = sample.at_s
        if isinstance(value, int):
            self.low, self.high = min(self.low, value), max(self.high, value)
        self.samples.append(sample)
        self.heard += 1

    @property
    def last_s(self) -> float:
        """When the newest came, seconds."""
        return self.samples[-1].at_s

    @property
    def per_s(self) -> float:
        """Messages a second, 0 where there are too few to say."""
        lasted_s = self.last_s - self.first_s
        return self.heard / lasted_s if lasted_s > 0.2 else 0.0

    @property
    def trembles(self) -> bool:
        """It says numbers that lie within a tremble, and more than one of them."""
        return 0 < self.high - self.low <= JITTER


@dataclass(slots=True)
class Take:
    """One movement: what was asked for, and what came."""

    direction: Direction
    traces: dict[Key, Trace] = field(default_factory=dict)


class Watch:
    """One controller's messages while a person moves a control.

    Attributes:
        takes: The movements so far, the present one last.
        heard: Messages that were kept.
        left_out: Messages beyond the bounds.
        meaningless: Messages that no map can describe, by what they are.
    """

    def __init__(self, language: str) -> None:
        """Watch ``osc`` or ``midi``."""
        self._midi = language == "midi"
        self._assembler = midi_events.EventAssembler()
        self._strange: set[str] = set()
        self.clear()

    def clear(self) -> None:
        """Forget everything: another control's turn."""
        self.takes = [Take(Direction.FREE)]
        self.heard = self.left_out = 0
        self.meaningless: dict[str, int] = {}

    @property
    def strange(self) -> int:
        """How many kinds of messages without a meaning there ever were, up to a bound."""
        return len(self._strange)

    def begin(self, direction: Direction) -> None:
        """From now on the person does what they were asked for."""
        self.takes.append(Take(direction))
        del self.takes[:-TAKES_MAX]

    def hear(self, data: bytes, now_s: float) -> None:
        """Take one message; never raises, whatever it is.

        Args:
            data: One complete MIDI message, or a datagram.
            now_s: This moment, seconds.
        """
        for key, value in self._midi_values(data) if self._midi else self._osc_values(data):
            self._keep(key, value, now_s)

    def _keep(self, key: Key, value: Value, now_s: float) -> None:
        traces = self.takes[-1].traces
        trace = traces.get(key)
        if trace is None:
            if len(traces) >= KEYS_MAX:
                self.left_out += 1
                return
            trace = traces[key] = Trace(now_s, now_s)
        if len(trace.samples) == SAMPLES_MAX:
            self.left_out += 1
        trace.add(Sample(self.heard, now_s, value))
        self.heard += 1

    def _midi_values(self, data: bytes) -> Iterator[tuple[Key, Value]]:
        if 0xF1 <= (data[0] if data else 0xF8) <= 0xFF:
            return  # clocks and signs of life are no control
        events = self._assembler.feed(data)
        for kind, channel, number, value, _ in events:
            if isinstance(value, bytes):
                self._odd(f"system exclusive {value[:8].hex(' ').upper()}")
            else:
                yield (kind, channel, number), value
        if not events:
            self._odd(f"bytes {data[:8].hex(' ').upper()}")

    def _osc_values(self, data: bytes) -> Iterator[tuple[Key, Value]]:
        try:
            messages = osc.decode(data)
        except WireError as problem:
            self._odd(problem.reason)
            return
        for message in messages:
            arguments = _arguments(message.tags, message.args)
            if arguments is None or len(message.address) > ARGUMENT_CHARACTERS_MAX:
                self._odd(f"{message.address[:40]} ,{message.tags[:20]}")
            else:
                yield message.address, arguments

    def _odd(self, what: str) -> None:
        if what in self.meaningless or len(self.meaningless) < KEYS_MAX:
            self.meaningless[what] = self.meaningless.get(what, 0) + 1
        if len(self._strange) < KEYS_MAX:
            self._strange.add(what)

    # -- when a movement is over ----------------------------------------------------------------

    def moved_s(self) -> float:
        """When something last moved that does more than tremble, seconds; -inf where nothing did.

        A control that goes on telling one and the same value, or trembles, is not being moved:
        it counts only as long as it is all that there is.
        """
        traces = self.takes[-1].traces.values()
        moving = [trace for trace in traces if not trace.trembles] or traces
        return max((one.changed_s if one.per_s >= FLOOD_PER_S else one.last_s for one in moving),
                   default=-math.inf)  # fmt: skip


def _arguments(tags: str, args: Iterable[object]) -> Value | None:
    """Arguments with their types; None where a map cannot say so many or such long ones."""
    values = list(args)
    if len(values) > ARGUMENTS_MAX or len(values) != len(tags):
        return None
    kept: list[tuple[str, Argument]] = []
    characters = 0
    for tag, value in zip(tags, values, strict=True):
        known = isinstance(value, bool | int | float | str) and tag in "ifhdsTF"
        characters += len(value) if isinstance(value, str) else 0
        kept.append((tag, value if known and isinstance(value, bool | int | float | str) else None))
    if characters > ARGUMENT_CHARACTERS_MAX or any(value != value for _, value in kept):
        return None
    return tuple(kept)

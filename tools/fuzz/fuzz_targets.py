"""What bytes are thrown at: the codecs, the shipped maps, and whole houses. Pure."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterable, Sequence
from typing import Protocol

from fuzz_bytes import Mutator, midi_corpus, osc_corpus
from fuzz_house import Broken, FuzzHouse, midi_rig, osc_rig, shipped_map

from bridge.errors import WireError
from bridge.maps.console import ConsoleWords
from bridge.maps.controller import ControllerWords
from bridge.maps.places import ConsoleNames
from bridge.rig.layout import Layout
from bridge.wire import guard, midi_show, osc
from bridge.wire.framing import SizeFraming, SlipFraming
from bridge.wire.midi import MidiStream
from bridge.wire.midi_events import NRPN, RPN, EventAssembler

LAYOUT = Layout(("kick", "voice"), ("kit", "front", "side"), ("ines", "maud"), ("others",))
SIZE = LAYOUT.size
NAMES = {
    "console-osc-names.toml": ConsoleNames(("Kick", "Voice"), ("Kit", "Front", "Side")),
}
BATCH = 32
"""Messages that a house hears at once: as many as one read of a socket may bring."""

EVERY = 16
"""One input in so many goes to a house: its rules cost ten times what the codecs do."""


class Target(Protocol):
    """What inputs are thrown at, for one epoch."""

    def make(self) -> bytes:
        """The next input."""

    def take(self, data: bytes) -> None:
        """Take an input without lasting effects: it may be given again to time it."""

    def keep(self, data: bytes) -> None:
        """Let the same input act on what has a memory."""

    def ended(self) -> None:
        """Judge what has a memory."""


def controller_words(name: str) -> ControllerWords:
    """A shipped controller map in the small rig."""
    return ControllerWords(shipped_map(name), LAYOUT)


def both_ends(name: str) -> tuple[ConsoleWords, ConsoleWords]:
    """A shipped console map in the small rig, at the bridge's end and at the console's."""
    map_file, names = shipped_map(name), NAMES.get(name, ConsoleNames.counted(LAYOUT))
    return (ConsoleWords(map_file, LAYOUT, names),
            ConsoleWords(map_file, LAYOUT, names, end="console"))  # fmt: skip


def said_by(bridge: ConsoleWords, console: ConsoleWords) -> list[bytes]:
    """Everything that both ends of a console map say, at some values."""
    found = [*bridge.ask_all, *bridge.probe, *bridge.renew]
    for end, slots in ((bridge, bridge.can_set), (console, console.can_read)):
        for slot in sorted(slots):
            for value in (-6.0, 1.0, -math.inf):
                found += end.encode(slot, value)
    for slot in sorted(bridge.can_read):
        found += bridge.ask(slot)
    return list(dict.fromkeys(found))


def check_heard(heard: Iterable[tuple[int, float]], size: int) -> None:
    """What a console map may understand: slots that there are, or a question; never no number.

    Raises:
        Broken: it is something else.
    """
    for slot, value in heard:
        if slot >= size or (slot >= 0 and value != value):
            raise Broken(f"a console map understood slot {slot}, value {value}")


class _Words:
    """Shipped maps that take turns."""

    def __init__(self, controllers: Sequence[str], consoles: Sequence[str]) -> None:
        self._hands = [controller_words(name) for name in controllers]
        pairs = [both_ends(name) for name in consoles]
        self._ends = [end for pair in pairs for end in pair]
        self.said = [data for pair in pairs for data in said_by(*pair)]
        self._turn = 0

    def take(self, data: bytes) -> None:
        """Let one map make something of an input: a controller's and a console's in turn."""
        self._turn += 1
        turn, now_s = self._turn >> 1, 0.01 * self._turn
        if self._turn & 1:
            check_heard(self._ends[turn % len(self._ends)].decode(data), SIZE)
            return
        hands = self._hands[turn % len(self._hands)]
        for move in hands.decode(data, now_s):
            if not -1 <= move.slot < SIZE:
                raise Broken(f"a controller map moves slot {move.slot}")
        if turn & 7 == 0:
            hands.advance(now_s)


class _Fire:
    """Houses that hear what comes, in batches, with time passing between."""

    def __init__(self, houses: Sequence[FuzzHouse]) -> None:
        self._houses, self._waiting, self._count = houses, list[bytes](), 0

    def keep(self, data: bytes) -> None:
        """Take an input, if it is its turn."""
        self._count += 1
        if self._count % EVERY:
            return
        self._waiting.append(data)
        if len(self._waiting) < 1 + self._count % BATCH:
            return
        batch, self._waiting = self._waiting, []
        house = self._houses[self._count // EVERY % len(self._houses)]
        if house.lies and self._count % 3:
            house.answer(batch)
        else:
            house.hear(self._count % 7, batch)
        house.pass_time((self._count % 11) * 0.013)

    def ended(self) -> None:
        """Ask every witness."""
        for house in self._houses:
            house.ended()


class OscTarget:
    """Datagrams at the OSC codec, both framings of TCP, the maps, and three houses."""

    def __init__(self, seed: str) -> None:
        self._words = _Words(
            ("tablet.toml", "engineer-panel.toml", "sound-meter.toml"),
            ("console-osc-position.toml", "console-osc-cross.toml", "console-osc-names.toml"),
        )
        self._mutator = Mutator(seed, osc_corpus(self._words.said))
        self.make = self._mutator.make
        self._fire = _Fire([FuzzHouse(osc_rig()), FuzzHouse(osc_rig(readback=False)),
                            FuzzHouse(osc_rig(), lies=True)])  # fmt: skip
        self._size, self._slip = SizeFraming(), SlipFraming()
        self.keep = self._fire.keep
        self.ended = self._fire.ended
        self._count = 0

    def take(self, data: bytes) -> None:
        """Decode it in every way; what is understood must say the same again."""
        self._count += 1
        try:
            messages = osc.decode(data)
        except WireError:
            pass
        else:
            if self._count & 15 == 0:
                self._again(messages)
        self._words.take(data)
        if self._count & 7 == 0:
            self._framed(data)

    def _again(self, messages: Sequence[osc.OscMessage]) -> None:
        for message in messages:
            try:
                again = osc.decode(osc.encode(message.address, message.tags, message.args))
            except WireError:
                continue  # the writer is stricter: no broken patterns, no address of thousands
            if again[0][:3] != message[:3] and "f" not in message.tags and "d" not in message.tags:
                raise Broken(f"{message} became {again[0]}")

    def _framed(self, data: bytes) -> None:
        for framing in (self._size, self._slip):
            try:
                for packet in framing.feed(data):
                    guard.check_size(packet)
            except WireError:
                if framing is self._size:
                    self._size = SizeFraming()
                else:
                    self._slip = SlipFraming()


class MidiTarget:
    """Byte strings at the MIDI parser, the assembler of values, the maps, and three houses."""

    def __init__(self, seed: str) -> None:
        self._words = _Words(
            ("foot-board.toml", "knob-box.toml", "key-pad.toml"),
            ("console-midi-7bit.toml", "console-midi-nrpn.toml", "console-midi-sysex.toml"),
        )
        self._mutator = Mutator(seed, midi_corpus(self._words.said))
        self.make = self._mutator.make
        self._fire = _Fire([
            FuzzHouse(midi_rig("console-midi-7bit.toml", readback=False)),
            FuzzHouse(midi_rig("console-midi-nrpn.toml", readback=True)),
            FuzzHouse(midi_rig("console-midi-sysex.toml", readback=True), lies=True),
        ])  # fmt: skip
        self.ended = self._fire.ended
        self._streams = [MidiStream(), MidiStream(), MidiStream(8)]
        pairs = frozenset((channel, 7) for channel in range(2, 17))
        listed = frozenset((kind, 1, number) for kind in (NRPN, RPN) for number in (0, 300, 16382))
        awaited = frozenset((kind, 1, number) for kind, _, number in listed if number == 300)
        self._assemblers = [EventAssembler(), EventAssembler(pairs, listed),
                            EventAssembler(frozenset(), listed, awaited=awaited)]  # fmt: skip
        self._count = 0

    def take(self, data: bytes) -> None:
        """Cut it into messages, and let each mean what it may."""
        self._count += 1
        for message in self._streams[self._count % 3].feed(data):
            check_message(message)
            self._mean(message)
        self._mean(data)

    def _mean(self, message: bytes) -> None:
        self._assemblers[self._count % 3].feed(message)
        self._words.take(message)
        if message.startswith(b"\xf0"):
            with contextlib.suppress(WireError):
                midi_show.decode(message)

    def keep(self, data: bytes) -> None:
        """A house hears what a port would hand on: complete messages, and now and then rubbish."""
        messages = MidiStream().feed(data) if len(data) % 5 else [data]
        for message in messages:
            self._fire.keep(message)


def check_message(message: bytes) -> None:
    """Whether the parser handed on what a MIDI message is.

    Raises:
        Broken: no status in front, or one inside.
    """
    inside = message[1:-1] if message[:1] == b"\xf0" else message[1:]
    if not message or message[0] < 0x80 or any(byte >= 0x80 for byte in inside):
        raise Broken(f"the parser handed on {message[:12].hex(' ')}")
    if message[0] == 0xF0 and message[-1] != 0xF7:
        raise Broken(f"the parser handed on a sysex without its end: {message[:12].hex(' ')}")

"""Who moves what in real time: tablets, the engineer's panel, a MIDI board. I/O.

All together they say so many messages a second, evenly, in packets of a few: a row of fingers on
every tablet, each on a control of its own for a while. While nobody may ask for anything they go
on as fast, about what nobody hears.
"""

from __future__ import annotations

import asyncio
import random
import socket
from collections.abc import Callable

from soak_rig import CHANNELS, FIRST_CONTROL, PEOPLE, Places
from soak_tape import Tape

from bridge.wire import osc

BATCH_S = 0.01
"""Time between two batches of messages."""

CATCH_UP_S = 0.1
"""Most time that one batch makes up for, after this process was busy."""

FINGERS = 3
STAYS_S = 0.5, 3.0
"""How long a finger stays on a control."""

STRIDE = 0.04
"""How far a finger moves from one message to the next, of the whole travel."""

PANEL_S, BOARD_S = 0.3, 0.25
"""Time between two gestures of the engineer's, and on the board."""

JUNK = (
    b"", b"/", b"#bundle\0", b"/my/1/level\0", b"\xf0\x00\x7f", b"/my/1/level\0,f\0\0\x7f\xc0\0\0",
    b"/my/1/level\0,f\0\0\xff\x80\0\0",
)  # fmt: skip
"""Bytes that are no message, and levels that are no number."""


class Finger:
    """One finger of one hand."""

    def __init__(self, draw: random.Random) -> None:
        self._draw, self._until_s = draw, 0.0
        self._address, self._at = "", 0.0

    def message(self, now_s: float) -> bytes:
        """What it says now."""
        draw = self._draw
        if now_s > self._until_s:
            self._until_s = now_s + draw.uniform(*STAYS_S)
            row = draw.randint(1, CHANNELS)
            self._address = draw.choice((*[f"/my/{row}/level"] * 8, "/my/master"))
            self._at = draw.random()
        if draw.random() < 0.02:
            row = draw.randint(1, CHANNELS)
            address, tags, value = draw.choice((
                ("/my/*/level", "f", draw.choice((0.2, 0.9, 1.0))),
                (f"/my/{row}/on", "i", draw.choice((0, 1, 1))),
                (f"/my/{row}/pan", "f", draw.random()), ("/my/wheel", "i", draw.choice((-4, 3))),
            ))  # fmt: skip
            return osc.encode(address, tags, (value,))
        self._at = min(1.0, max(0.0, self._at + draw.uniform(-STRIDE, STRIDE)))
        return osc.encode(self._address, "f", (self._at,))


class Hands:
    """All of them.

    Args:
        places: Where everybody is.
        tape: Takes the notes of what is asked for.
        draw: Where all that they do comes from.
        per_s: Messages a second of all tablets.
        play: Sends one MIDI message from the board; None without a board.

    Attributes:
        asking: Whether they may ask for anything.
        resting: Whether they say nothing at all.
        said: Messages that they have said.
        flooding: A tablet that says far too much, its number; -1 when none does.
    """

    def __init__(
        self,
        places: Places,
        tape: Tape,
        draw: random.Random,
        per_s: float,
        play: Callable[[bytes], None] | None,
    ) -> None:
        self._draw, self._tape, self._per_s = draw, tape, per_s
        self._clock = asyncio.get_running_loop().time
        self._to = places.bridge, places.hands
        self._sockets = [_socket(address) for address in places.near]
        self._fingers = [[Finger(draw) for _ in range(FINGERS)] for _ in PEOPLE]
        self.play = play
        self.asking, self.resting, self.said, self.flooding = False, False, 0, -1

    async def run(self) -> None:
        """Move everything until cancelled."""
        said_s = panel_s = board_s = self._clock()
        while True:
            await asyncio.sleep(BATCH_S)
            now_s = self._clock()
            said_s = max(said_s, now_s - CATCH_UP_S)
            count = int((now_s - said_s) * self._per_s)
            said_s += count / self._per_s
            if self.resting:
                continue
            if self.asking:
                self._tape.note("person")
            self._batch(count, now_s)
            if self.asking and now_s > panel_s:
                panel_s = now_s + PANEL_S
                self._panel()
            if self.asking and self.play is not None and now_s > board_s:
                board_s = now_s + BOARD_S
                control = FIRST_CONTROL + self._draw.randrange(CHANNELS)
                self.play(bytes((0xB0, control, self._draw.randrange(128))))

    def _batch(self, count: int, now_s: float) -> None:
        draw = self._draw
        for _ in range(count):
            number = draw.randrange(len(PEOPLE))
            data = (
                draw.choice(self._fingers[number]).message(now_s) if self.asking else _unheard(draw)
            )
            self.say(number, data)
        if self.flooding >= 0:
            for _ in range(50):
                self.say(self.flooding, draw.choice(self._fingers[self.flooding]).message(now_s))

    def _panel(self) -> None:
        """The engineer does something."""
        draw = self._draw
        bus, row = draw.randint(1, len(PEOPLE)), draw.randint(1, CHANNELS)
        address, value = draw.choice((
            (f"/mix/{bus}/open", draw.choice((0, 1, 1, 1, 1))), (f"/mix/{bus}/open", 1),
            (f"/mix/{bus}/mute", draw.choice((0, 0, 1))), (f"/mix/{bus}/mute", 0),
            (f"/mix/{bus}/dim", draw.choice((0, 0, 1))), (f"/mix/{bus}/of/{row}/on", 1),
            ("/quiet", draw.choice((1, 0, 0, 0, 0, 0))), ("/quiet", 0), (f"/hold/{bus}", 0),
            (f"/hold/{bus}", draw.choice((0, 0, 0, 1))),
        ))  # fmt: skip
        self._tape.note("allowed_open")
        self.say(-1, osc.encode(address, "i", (value,)))

    def say(self, number: int, data: bytes, port: int | None = None) -> None:
        """Say something from one's address (the engineer's is -1), to another port if given."""
        self.said += 1
        host, usual = self._to
        try:
            self._sockets[number].sendto(data, (host, usual if port is None else port))
        except OSError:  # the cable is out, or nobody listens: what is said is lost
            return

    def close(self) -> None:
        """Put everything down."""
        for one in self._sockets:
            one.close()


def _unheard(draw: random.Random) -> bytes:
    """A message that asks for nothing louder."""
    if draw.random() < 0.05:
        return draw.choice((*JUNK, draw.randbytes(draw.randint(1, 60))))
    return osc.encode(f"/my/{draw.randint(1, CHANNELS)}/pan", "f", (draw.random(),))


def _socket(address: str) -> socket.socket:
    made = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    made.setblocking(False)
    made.bind((address, 0))
    return made

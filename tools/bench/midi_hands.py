"""A controller, a console and a listener beside them, as JACK ports of one process. I/O.

usage: midi_hands.py RESULT_FILE GO_FILE

A process of its own, because a JACK server that hangs takes its clients with it: the one who
waits for the result can end this one. Opens its ports, says "ready", and sends nothing until
GO_FILE is there: with a synchronous JACK server, a client whose callback wants Python's lock while
it is still opening a port stands still together with the server. Then it waits until messages
come through the pass-through and through the bridge, measures, and writes a JSON list: for each
message the seconds until each place had it.
"""

from __future__ import annotations

import json
import sys
import threading
import time
from pathlib import Path
from typing import Any

import rtmidi

KEYS, DESK, THRU, BESIDE = "measure-keys", "measure-desk", "measure-thru", "measure-beside"
CONTROLS = 16
FIRST_CONTROL = 20
MIDDLE = 63
"""The controller value that the start mix stands at; the others stay within 1 dB of it."""
MESSAGES = 2000
WARM_UP = 100
GAP_S = 0.003
LOST_S = 0.5
START_S = 90.0


class Hands:
    """The ports, and who has heard the message that is on its way."""

    def __init__(self) -> None:
        self.keys = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=KEYS)
        self.keys.open_virtual_port("out")
        self.ears = [self._ear(place) for place in (DESK, THRU, BESIDE)]
        for ear in self.ears[:2]:
            ear.open_virtual_port("in")
        self.ears[2].open_port(self.ears[2].get_ports().index(f"{KEYS}:out"))
        self.heard: dict[str, float] = {}
        self.wanted = b""
        self.missing: set[str] = set()
        self.all_heard = threading.Event()

    def _ear(self, place: str) -> Any:
        ear = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=place)
        ear.set_callback(self._note, place)
        return ear

    def _note(self, event: tuple[list[int], float], place: str) -> None:
        """Called by the driver's thread."""
        at = time.perf_counter()
        if bytes(event[0]) == self.wanted and place in self.missing:
            self.heard[place] = at
            self.missing.discard(place)
            if not self.missing:
                self.all_heard.set()

    def once(self, message: bytes) -> dict[str, float]:
        """Send one message; seconds until each place had it, those that never had it left out."""
        self.heard, self.missing = {}, {DESK, THRU, BESIDE}
        self.wanted = message
        self.all_heard.clear()
        began = time.perf_counter()
        self.keys.send_message(list(message))
        self.all_heard.wait(LOST_S)
        self.missing = set()
        return {place: at - began for place, at in self.heard.items()}


def message_of(number: int) -> bytes:
    """Number n moves control n modulo 16; each pass asks for another level, within 1 dB."""
    value = MIDDLE + 1 + (number // CONTROLS) % 3
    return bytes((0xB0, FIRST_CONTROL + number % CONTROLS, value))


def main(result: Path, go: Path) -> int:
    """Measure, one message in flight, some ms apart; returns the exit code."""
    hands = Hands()
    print("ready", flush=True)
    while not go.exists():
        time.sleep(0.02)
    number, until = 0, time.monotonic() + START_S
    while len(arrived := hands.once(message_of(number))) < 3:
        number += 1
        if time.monotonic() > until:
            print(f"nothing came through to {sorted({DESK, THRU, BESIDE} - set(arrived))}")
            return 1
    found = []
    for index in range(WARM_UP + MESSAGES):
        number += 1
        found.append(hands.once(message_of(number)))
        time.sleep(GAP_S)
        if index >= 20 and not any(found[-20:]):
            print("JACK stopped passing messages on")
            return 1
    result.write_text(json.dumps(found[WARM_UP:]), encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(Path(sys.argv[1]), Path(sys.argv[2])))

"""A MIDI control through the bridge and out again, between processes, over JACK. I/O."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import peers
import rigs

SERVER = "foldbridge-bench"
"""A fixed name: the server's place in JACK's list is found again after a crash."""
PERIOD, RATE_HZ = 64, 48_000
CONTROLS = 16
FIRST_CONTROL = 20
ROUNDS = 4
MESSAGES = 2000
WARM_UP = 100
GAP_S = 0.003
LOST_S = 0.5
MIDDLE = 63
"""The controller value that the start mix stands at; the others stay within 1 dB of it."""


@contextmanager
def jack_server(log: Path) -> Iterator[None]:
    """A JACK server without hardware, for this process and its children."""
    if shutil.which("jackd") is None:
        raise peers.BenchFailure("no JACK server (Debian: apt-get install jackd2)")
    os.environ |= {"JACK_DEFAULT_SERVER": SERVER, "JACK_NO_START_SERVER": "1"}
    command = ["jackd", "-S", "--no-realtime", "--port-max", "64", "-t", "5000", "-n", SERVER]
    command += ["-d", "dummy", "-r", str(RATE_HZ), "-p", str(PERIOD)]
    with peers.running(command, log) as process:
        peers.wait_for("JACK", _jack_answers, process, log)
        yield


def _jack_answers() -> bool:
    done = subprocess.run(["jack_lsp"], capture_output=True, text=True, check=False)
    return "system:" in done.stdout


class Hands:
    """A controller, a console and a listener beside them, as JACK ports of this process."""

    def __init__(self) -> None:
        import rtmidi

        self.api = rtmidi.API_UNIX_JACK
        self.keys = rtmidi.MidiOut(self.api, name="measure-keys")
        self.keys.open_virtual_port("out")
        self.desk = self._listen("measure-desk")
        self.thru = self._listen("measure-thru")
        self.beside = rtmidi.MidiIn(self.api, name="measure-beside")
        self.beside.set_callback(self._note, "measure-beside")
        self.beside.open_port(self.beside.get_ports().index(self.name_of("measure-keys:")))
        self.heard: dict[str, float] = {}
        self.wanted: bytes = b""
        self.missing: set[str] = set()
        self.all_heard = threading.Event()

    def _listen(self, name: str) -> Any:
        import rtmidi

        port = rtmidi.MidiIn(self.api, name=name)
        port.set_callback(self._note, name)
        port.open_virtual_port("in")
        return port

    def name_of(self, start: str) -> str:
        """The full name of a port that this process has opened."""
        done = subprocess.run(["jack_lsp"], capture_output=True, text=True, check=True)
        return next(line for line in done.stdout.splitlines() if line.startswith(start))

    def _note(self, event: tuple[list[int], float], place: str) -> None:
        """Called by the driver's thread."""
        at = time.perf_counter()
        if bytes(event[0]) == self.wanted and place in self.missing:
            self.heard[place] = at
            self.missing.discard(place)
            if not self.missing:
                self.all_heard.set()

    def once(self, message: bytes, places: set[str]) -> dict[str, float]:
        """Send one message; seconds until each place had it, those that never had it left out."""
        self.heard, self.missing = {}, set(places)
        self.wanted = message
        self.all_heard.clear()
        began = time.perf_counter()
        self.keys.send_message(list(message))
        self.all_heard.wait(LOST_S)
        return {place: at - began for place, at in self.heard.items()}

    def close(self) -> None:
        """Give the ports back while the server still lives."""
        for port in (self.beside, self.desk, self.thru, self.keys):
            port.close_port()
            port.delete()


def midi(folder: Path) -> dict[str, Any]:
    """What the bridge adds to a MIDI message's way, over a bare pass-through beside it."""
    places = ("measure-beside", "measure-thru", "measure-desk")
    files = rigs.midi_files(CONTROLS, "measure-keys*", "measure-desk*")
    rig = peers.write_files(folder / "midi", files)
    with ExitStack() as stack:
        stack.enter_context(jack_server(folder / "jack.log"))
        hands = Hands()
        stack.callback(hands.close)
        ways = [hands.name_of("measure-keys:"), hands.name_of("measure-thru:")]
        thru = [sys.executable, peers.HERE / "midi_thru.py", *ways]
        _up(stack, "the pass-through", thru, hands, "measure-thru", folder)
        _up(stack, "the bridge", peers.bridge_command(rig), hands, "measure-desk", folder)
        found = _measure(hands, set(places))
    ms = {place: [1000.0 * each[place] for each in found if place in each] for place in places}
    added = {
        place: [1000.0 * (each[place] - each["measure-beside"]) for each in found if place in each]
        for place in places[1:]
    }
    p99 = {place: peers.percentile(values, 99) for place, values in ms.items()}
    return {
        "added_p99_ms": round(p99["measure-desk"] - p99["measure-thru"], 3),
        "raw": {
            "messages": MESSAGES,
            "period_ms": round(1000.0 * PERIOD / RATE_HZ, 3),
            "one_way_ms": _marks(ms["measure-beside"]),
            "through_bare_ms": _marks(ms["measure-thru"]),
            "through_bridge_ms": _marks(ms["measure-desk"]),
            "bridge_after_one_way_ms": _marks(added["measure-desk"]),
            "bare_after_one_way_ms": _marks(added["measure-thru"]),
            "lost_by_bridge": len(found) - len(ms["measure-desk"]),
            "lost_by_bare": len(found) - len(ms["measure-thru"]),
        },
    }


def _marks(values: list[float]) -> dict[str, float]:
    return {f"p{mark}": round(peers.percentile(values, mark), 3) for mark in (50, 90, 99)}


def _message(number: int) -> bytes:
    """Number n moves control n modulo 16; each pass asks for another level, within 1 dB."""
    value = MIDDLE + 1 + (number // CONTROLS) % 3
    return bytes((0xB0, FIRST_CONTROL + number % CONTROLS, value))


def _up(
    stack: ExitStack, what: str, command: list[Any], hands: Hands, place: str, folder: Path
) -> None:
    """Start a process and wait until a message of ours comes through it."""
    log = folder / f"{place}.log"
    process = stack.enter_context(peers.running(command, log))
    numbers = iter(range(0, 10**9, 1))
    peers.wait_for(
        what, lambda: place in hands.once(_message(next(numbers)), {place}), process, log
    )


def _measure(hands: Hands, places: set[str]) -> list[dict[str, float]]:
    """One message in flight, some ms apart: each asks for a change."""
    found = []
    for number in range(WARM_UP + MESSAGES):
        arrived = hands.once(_message(number), places)
        if number >= WARM_UP:
            found.append(arrived)
        time.sleep(GAP_S)
    return found

"""A MIDI control through the bridge and out again, between processes, over JACK. I/O."""

from __future__ import annotations

import importlib.util
import json
import os
import shutil
import subprocess
import sys
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
PATIENCE_S = 240.0
BESIDE, THRU, DESK = "measure-beside", "measure-thru", "measure-desk"


@contextmanager
def jack_server(log: Path) -> Iterator[None]:
    """A JACK server without hardware, for the children of this process."""
    if shutil.which("jackd") is None:
        raise peers.BenchFailure("no JACK server (Debian: apt-get install jackd2)")
    os.environ |= {"JACK_DEFAULT_SERVER": SERVER, "JACK_NO_START_SERVER": "1"}
    command = ["jackd", "-S", "--no-realtime", "--port-max", "64", "-t", "5000", "-n", SERVER]
    command += ["-d", "dummy", "-r", str(RATE_HZ), "-p", str(PERIOD)]
    with peers.running(command, log) as process:
        peers.wait_for("JACK", _jack_answers, process, log)
        yield


def _jack_answers() -> bool:
    try:
        done = subprocess.run(["jack_lsp"], capture_output=True, text=True, check=False, timeout=5)
    except subprocess.TimeoutExpired:
        return False
    return "system:" in done.stdout


def midi(folder: Path) -> dict[str, Any]:
    """What the bridge adds to a MIDI message's way, over a bare pass-through beside it."""
    if importlib.util.find_spec("rtmidi") is None:
        raise peers.BenchFailure("python-rtmidi is missing: python3 tools/start.py says why")
    files = rigs.midi_files(CONTROLS, "measure-keys*", f"{DESK}*")
    rig = peers.write_files(folder / "midi", files)
    result, go = folder / "midi.json", folder / "go"
    python = sys.executable
    with ExitStack() as stack:
        stack.enter_context(jack_server(folder / "jack.log"))

        def up(name: str, said: str, *command: str | Path) -> subprocess.Popen[str]:
            log = folder / f"{name}.log"
            process = stack.enter_context(peers.running(command, log))
            peers.wait_for(name, lambda: said in log.read_text(), process, log)
            return process

        hands = up("hands", "ready", python, peers.HERE / "midi_hands.py", result, go)
        up("thru", "ready", python, peers.HERE / "midi_thru.py", "measure-keys:out", f"{THRU}:in")
        up("bridge", "console: open\n", *peers.bridge_command(rig))
        go.touch()
        _wait(hands, folder)
        return _figures(json.loads(result.read_text(encoding="utf-8")))


def _wait(hands: subprocess.Popen[str], folder: Path) -> None:
    try:
        code = hands.wait(PATIENCE_S)
    except subprocess.TimeoutExpired:
        code = -1
    if code:
        said = " / ".join((folder / f"{n}.log").read_text()[-600:] for n in ("hands", "bridge"))
        raise peers.BenchFailure(f"measuring MIDI broke off ({code}): {said}")


def _figures(found: list[dict[str, float]]) -> dict[str, Any]:
    places = (BESIDE, THRU, DESK)
    ms = {place: [1000.0 * each[place] for each in found if place in each] for place in places}
    whole = [each for each in found if len(each) == len(places)]
    after = {p: [1000.0 * (each[p] - each[BESIDE]) for each in whole] for p in places[1:]}
    if not whole:
        raise peers.BenchFailure("no message came through everywhere")
    p99 = {place: peers.percentile(values, 99) for place, values in ms.items()}
    return {
        "added_p99_ms": round(p99[DESK] - p99[THRU], 3),
        "raw": {
            "messages": len(found),
            "period_ms": round(1000.0 * PERIOD / RATE_HZ, 3),
            "one_way_ms": _marks(ms[BESIDE]),
            "through_bare_ms": _marks(ms[THRU]),
            "through_bridge_ms": _marks(ms[DESK]),
            "bare_after_one_way_ms": _marks(after[THRU]),
            "bridge_after_one_way_ms": _marks(after[DESK]),
            "lost_by_bare": len(found) - len(ms[THRU]),
            "lost_by_bridge": len(found) - len(ms[DESK]),
        },
    }


def _marks(values: list[float]) -> dict[str, float]:
    return {f"p{mark}": round(peers.percentile(values, mark), 3) for mark in (50, 90, 99)}

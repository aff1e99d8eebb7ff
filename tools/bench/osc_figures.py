"""Latency, sustained rate and start, over loopback UDP, side by side with the peers. I/O."""

from __future__ import annotations

import socket
import statistics
import struct
import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import peers
import rigs
from peers import BUSES, CELLS, CHANNELS, HERE, Device

ROUNDS = 5
WARM_UP = 500
MESSAGES = 5000
FLOOD_S = 1.0
CONFIRM_S = 2.0
CONFIRM_ROUNDS = 3
RATES = (5_000, 10_000, 20_000, 30_000, 45_000, 70_000, 100_000, 150_000, 220_000, 320_000)
"""Offered rates, messages a second, about half as much again each time."""
PING_S = 0.01
STARTS = 3
Figures = dict[str, Any]


def start_devices(names: Sequence[str], folder: Path, stack: ExitStack) -> dict[str, Device]:
    """Start the bridge and the peers that are wanted, each listening on ports of its own."""
    commands: dict[str, list[str | Path]] = {
        "bare": [sys.executable, HERE / "forward_bare.py"],
        "script": [sys.executable, HERE / "forward_script.py"],
    }
    if "liblo" in names:
        commands["liblo"] = [peers.compiled("forward_liblo.c", ["-llo"], folder)]
    devices = {}
    for name in names:
        context = (
            peers.bridge(folder) if name == "bridge" else peers.peer(name, commands[name], folder)
        )
        devices[name] = stack.enter_context(context)
    return devices


def latency(folder: Path) -> Figures:
    """Control to console, one message in flight, in rounds that take turns."""
    load = peers.compiled("load.c", ["-lpthread"], folder)
    taken: dict[str, list[list[float]]] = {}
    lost: dict[str, int] = {}
    with ExitStack() as stack:
        devices = start_devices(("bridge", "bare", "liblo"), folder, stack)
        for round_number in range(ROUNDS + 1):
            count = MESSAGES // ROUNDS if round_number else WARM_UP
            for name, device in devices.items():
                found = _latencies_us(load, device, count)
                if round_number:
                    taken.setdefault(name, []).append([us for us in found if us > 0])
                    lost[name] = lost.get(name, 0) + sum(us <= 0 for us in found)
    if not all(values for rounds in taken.values() for values in rounds):
        raise peers.BenchFailure(f"nothing came through in a whole round; lost: {lost}")
    middle = {name: [statistics.median(each) for each in rounds] for name, rounds in taken.items()}
    together = {name: [us for each in rounds for us in each] for name, rounds in taken.items()}
    return {
        "p50_us": round(statistics.median(together["bridge"]), 1),
        "ratio_bare": _ratio(middle["bridge"], middle["bare"]),
        "ratio_liblo": _ratio(middle["bridge"], middle["liblo"]),
        "raw": {
            "messages": MESSAGES,
            "lost": lost,
            **{f"{name}_us": _spread(values) for name, values in together.items()},
            "p50_us_of_each_round": middle,
        },
    }


def _ratio(ours: Sequence[float], theirs: Sequence[float]) -> float:
    """Median of the ratios of rounds that ran next to each other."""
    return round(statistics.median(a / b for a, b in zip(ours, theirs, strict=True)), 3)


def _spread(values: Sequence[float]) -> dict[str, float]:
    marks = {"p50": 50.0, "p90": 90.0, "p99": 99.0}
    spread = {name: round(peers.percentile(values, mark), 1) for name, mark in marks.items()}
    return {"min": round(min(values), 1), **spread, "max": round(max(values), 1)}


def _run_load(load: Path, mode: str, device: Device, *numbers: float) -> list[str]:
    """One run of the load generator against a device; its words, line by line."""
    ports = device.ports
    words = [str(load), mode, str(ports.control), str(ports.sink), str(CHANNELS), str(BUSES)]
    words += [str(rigs.LOW_DB), str(device.next), *map(str, numbers)]
    done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=600)
    if done.returncode or device.process.poll() is not None:
        raise peers.BenchFailure(f"{device.name} or the load generator broke: {done.stderr[:300]}")
    return done.stdout.split()


def _latencies_us(load: Path, device: Device, count: int) -> list[float]:
    found = [int(word) / 1000.0 for word in _run_load(load, "latency", device, count)]
    device.next += count
    return found


def rate(folder: Path) -> Figures:
    """The highest rate of news on distinct cells that comes out at the far end."""
    load = peers.compiled("load.c", ["-lpthread"], folder)
    with ExitStack() as stack:
        devices = start_devices(("bridge", "bare", "liblo", "script"), folder, stack)
        steps = {name: [] for name in devices}  # type: dict[str, list[Figures]]
        for offered in RATES:
            for name, device in devices.items():
                if not _past_its_best(steps[name]):
                    steps[name].append(_flood(load, device, offered, FLOOD_S))
        best = {name: max(found, key=_per_s)["offered_per_s"] for name, found in steps.items()}
        again: dict[str, list[float]] = {name: [] for name in devices}
        for _ in range(CONFIRM_ROUNDS):
            for name, device in devices.items():
                again[name].append(_per_s(_flood(load, device, best[name], CONFIRM_S)))
        memory = peers.memory_mb(devices["bridge"].process.pid)
    return {
        "per_s": round(statistics.median(again["bridge"])),
        "ratio_script": _ratio(again["bridge"], again["script"]),
        "ratio_liblo": _ratio(again["bridge"], again["liblo"]),
        "raw": {
            "cells": CELLS,
            "at_offered_per_s": best,
            "per_s_of_each_round": {n: [round(v) for v in found] for n, found in again.items()},
            "lossless_per_s": {name: _lossless(found) for name, found in steps.items()},
            "steps": steps,
            "bridge_rss_mb_after": round(memory, 1),
        },
    }


def _per_s(step: Figures) -> float:
    return float(step["heard_per_s"])


def _past_its_best(found: Sequence[Figures]) -> bool:
    """Whether more load has brought less twice, clearly."""
    if len(found) < 3:
        return False
    best = max(map(_per_s, found))
    return all(_per_s(step) < 0.85 * best for step in found[-2:])


def _lossless(found: Sequence[Figures]) -> int:
    """The highest rate that was sent of which 99.9 % came through; 0 if none did."""
    whole = [step for step in found if step["heard"] >= 0.999 * step["sent"]]
    return max((round(step["sent_per_s"]) for step in whole), default=0)


def _flood(load: Path, device: Device, offered: float, seconds: float) -> Figures:
    words = _run_load(load, "flood", device, offered, seconds)
    sent, news_meanwhile, news, took_ns, cells, messages = (int(word) for word in words)
    device.next += sent
    took_s = took_ns / 1e9
    return {
        "offered_per_s": offered,
        "sent_per_s": round(sent / took_s),
        "heard_per_s": round(news_meanwhile / took_s),
        "sent": sent,
        "heard": news,
        "repeats": messages - news,
        "cells": cells,
    }


def start(folder: Path) -> Figures:
    """From starting the process to the first gesture at the console, and the memory then."""
    _one_start(folder / "first")  # compiles the sources, as the first run after an installation
    found = [_one_start(folder / f"start{number}") for number in range(STARTS)]
    return {
        "first_gesture_s": round(statistics.median(s for s, _ in found), 3),
        "rss_mb": round(statistics.median(mb for _, mb in found), 1),
        "raw": {
            "first_gesture_s_of_each": [round(s, 3) for s, _ in found],
            "rss_mb_of_each": [round(mb, 1) for _, mb in found],
            "bare_python_s": round(_bare_python_s(), 3),
        },
    }


def _one_start(folder: Path) -> tuple[float, float]:
    """Ask for one level after the other until the console hears one of them."""
    ports = peers.free_ports()
    rig = peers.write_files(folder, rigs.osc_files(CHANNELS, BUSES, ports))
    asked: dict[bytes, float] = {}
    heard: list[float] = []
    hand = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    log = folder / "start.log"
    began = time.monotonic()
    due = began

    def came_through() -> bool:
        nonlocal due
        if time.monotonic() >= due:
            # Lower and lower: no speed limit can be in the way, and each value is another one.
            message = _ping(-70.0 - len(asked) / 128.0)
            asked[message] = time.monotonic()
            hand.sendto(message, ("127.0.0.1", ports.control))
            due += PING_S
        peers.drain(sink, lambda data: heard.append(time.monotonic()) if data in asked else 0)
        return bool(heard)

    with hand, peers.sink_socket(ports.sink) as sink:
        began = time.monotonic()
        with peers.running(peers.bridge_command(rig), log) as process:
            peers.wait_for("the bridge", came_through, process, log)
            return heard[0] - began, peers.memory_mb(process.pid)


def _ping(level_db: float) -> bytes:
    return b"/out/01/in/01/level\0,f\0\0" + struct.pack(">f", level_db)


def _bare_python_s() -> float:
    """How long this machine takes to start Python with asyncio and nothing else."""
    began = time.monotonic()
    subprocess.run([sys.executable, "-c", "import asyncio"], check=True)
    return time.monotonic() - began

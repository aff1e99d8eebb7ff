"""A link of 3125 bytes a second (MIDI 1.0 on a wire) under a flood of wishes. I/O."""

from __future__ import annotations

import socket
import struct
import time
from collections import deque
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import peers
import rigs

BYTES_PER_S = 3125
CHANNELS, BUSES = 8, 4
CELLS = CHANNELS * BUSES
WISHES_PER_S = 25
SECONDS = 8.0
WINDOW_S = 1.0
FALL_DB = 0.125
"""Every wish asks for a little less: a fall is never limited, so whatever waits, waits for the
link. Exact in a 32-bit float."""
SETTLE_S = 3.0

Arrival = tuple[float, int, int]
"""When, which cell, how many steps down it was told to be."""


def wire(folder: Path) -> dict[str, Any]:
    """Bytes over the budget, and the longest that a wish waited for its word or a newer one."""
    ports = peers.free_ports()
    rig = peers.write_files(
        folder / "wire",
        rigs.osc_files(CHANNELS, BUSES, ports, f"bytes_per_s = {BYTES_PER_S}"),
    )
    log = folder / "wire.log"
    run = _Run(ports)
    with run.hand, run.sink, peers.running(peers.bridge_command(rig), log) as process:
        peers.wait_for("the bridge", run.start_mix_told, process, log)
        run.flood()
    waits = longest_waits(run.wishes, run.arrivals)
    window = most_bytes(run.traffic, WINDOW_S)
    ages = [at - run.wishes[cell][step] for at, cell, step in run.arrivals if step >= 0]
    return {
        "over_budget_bytes": max(0, window - BYTES_PER_S),
        "oldest_ms": round(1000.0 * max(waits), 1),
        "raw": {
            "budget_bytes_per_s": BYTES_PER_S,
            "most_bytes_in_one_second": window,
            "wished_bytes_per_s": CELLS * WISHES_PER_S * 28,
            "wishes": sum(map(len, run.wishes)),
            "words": len(run.arrivals),
            "round_ms": round(1000.0 * CELLS * 28 / BYTES_PER_S, 1),
            "longest_wait_ms": {
                f"p{mark}": round(1000.0 * peers.percentile(waits, mark), 1) for mark in (50, 99)
            },
            "age_of_a_word_ms": {
                f"p{mark}": round(1000.0 * peers.percentile(ages, mark), 1) for mark in (50, 99)
            },
            "cells_at_their_last_wish": sum(
                max((step for _, c, step in run.arrivals if c == cell), default=-1) + 1
                == len(run.wishes[cell])
                for cell in range(CELLS)
            ),
        },
    }


def most_bytes(traffic: Iterable[tuple[float, int]], window_s: float) -> int:
    """The most bytes that any window of that length saw; traffic in order of time."""
    inside: deque[tuple[float, int]] = deque()
    now = most = 0
    for at, size in traffic:
        inside.append((at, size))
        now += size
        while inside[0][0] <= at - window_s:
            now -= inside.popleft()[1]
        most = max(most, now)
    return most


def longest_waits(wishes: Sequence[Sequence[float]], arrivals: Iterable[Arrival]) -> list[float]:
    """How long the oldest wish of a cell had waited when a word at last told it or a newer one.

    Args:
        wishes: For each cell, when each step was wished for.
        arrivals: What the console heard, in order of time.

    Returns:
        One wait in seconds for each word that brought news; ``inf`` for a wish never answered.
    """
    told = [-1] * len(wishes)
    waits = []
    for at, cell, step in arrivals:
        if step > told[cell]:
            waits.append(at - wishes[cell][told[cell] + 1])
            told[cell] = step
    left = [cell for cell, step in enumerate(told) if step + 1 < len(wishes[cell])]
    return waits + [float("inf")] * len(left)


class _Run:
    """Both ends of the bridge, and what passed there."""

    def __init__(self, ports: rigs.Ports) -> None:
        self.ports = ports
        self.hand = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.sink = peers.sink_socket(ports.sink)
        self.traffic: list[tuple[float, int]] = []
        self.arrivals: list[Arrival] = []
        self.wishes: list[list[float]] = [[] for _ in range(CELLS)]
        self._stands: set[int] = set()

    def start_mix_told(self) -> bool:
        """Take what waits; whether the console has the whole start mix by now."""
        peers.drain(self.sink, self._hear)
        return len(self._stands) == CELLS

    def flood(self) -> None:
        """Wish for SECONDS, then listen until the link has told everything."""
        began = time.monotonic()
        number, total = 0, int(CELLS * WISHES_PER_S * SECONDS)
        while number < total or time.monotonic() < began + SECONDS + SETTLE_S:
            due = int((time.monotonic() - began) * CELLS * WISHES_PER_S)
            while number < min(due, total):
                self._wish(number % CELLS)
                number += 1
            peers.drain(self.sink, self._hear)
            time.sleep(0.0005)

    def _wish(self, cell: int) -> None:
        wishes = self.wishes[cell]
        level_db = rigs.LOW_DB - FALL_DB * (len(wishes) + 1)
        channel, bus = cell // BUSES + 1, cell % BUSES + 1
        address = f"/out/{bus:02}/in/{channel:02}/level".encode()
        wishes.append(time.monotonic())
        message = address + b"\0,f\0\0" + struct.pack(">f", level_db)
        self.hand.sendto(message, ("127.0.0.1", self.ports.control))

    def _hear(self, data: bytes) -> None:
        at = time.monotonic()
        self.traffic.append((at, len(data)))
        if len(data) != 28:
            return
        cell = (int(data[11:13]) - 1) * BUSES + int(data[5:7]) - 1
        step = round((rigs.LOW_DB - struct.unpack(">f", data[24:])[0]) / FALL_DB) - 1
        if step >= 0:
            self.arrivals.append((at, cell, step))
        elif step == -1:
            self._stands.add(cell)

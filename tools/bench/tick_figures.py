"""What a tick of a 64 x 32 rig costs, at rest and with every send on a ramp; in process. I/O."""

from __future__ import annotations

import statistics
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import peers
import rigs

if TYPE_CHECKING:
    from bridge.console import Console

REST_TICKS = 20_000
MOVING_TICKS = 200
STARTED_S = 30.0
"""Virtual seconds after which the start mix stands, with room to spare."""


def tick(_folder: Path) -> dict[str, Any]:
    """Cost of one tick: the rules, the words, and a link that takes everything."""
    rest_s, moving_s, words = bench_tick()
    return {
        "rest_us": round(1e6 * statistics.median(rest_s), 3),
        "moving_ms": round(1e3 * statistics.median(moving_s), 3),
        "raw": {
            "cells": peers.CELLS,
            "rest_us_p99": round(1e6 * peers.percentile(rest_s, 99), 3),
            "moving_ms_p99": round(1e3 * peers.percentile(moving_s, 99), 3),
            "moving_ticks": len(moving_s),
            "words_a_moving_tick": round(words / len(moving_s), 1),
        },
    }


def bench_tick() -> tuple[list[float], list[float], int]:
    """Seconds of each tick at rest, of each with all sends moving, and words told while moving.

    The one place that knows how the bridge's rules are driven; a clock is played to them.
    """
    from bridge import limits
    from bridge.mix.gesture import SET
    from bridge.rig.layout import Parameter

    sent: list[bytes] = []
    made = console(sent)
    engine = made.engine
    now_s = 0.0
    made.link_open(now_s)

    def one_tick() -> float:
        began = time.perf_counter()
        engine.advance(now_s)
        made.advance(now_s)
        made.pump(now_s)
        engine.news.clear()
        return time.perf_counter() - began

    while now_s < STARTED_S:
        one_tick()
        now_s += limits.TICK_S
    rest_s = []
    for _ in range(REST_TICKS):
        rest_s.append(one_tick())
        now_s += limits.TICK_S
    for slot in engine.rig.layout.slots(Parameter.SEND_LEVEL):
        engine.wish(-1, slot, SET, 0.0, now_s)
    made.pump(now_s)
    sent.clear()
    moving_s = []
    for _ in range(MOVING_TICKS):
        now_s += limits.TICK_S
        if len(engine.moving) < peers.CELLS:
            raise peers.BenchFailure(f"only {len(engine.moving)} of {peers.CELLS} sends moved")
        moving_s.append(one_tick())
    return rest_s, moving_s, len(sent)


def console(sent: list[bytes], tables: str = "") -> Console:
    """The console's side of a 64 x 32 rig whose buses are open, on a link that takes everything.

    Args:
        sent: Takes every message.
        tables: More tables for the rig.
    """
    from bridge.console import Console, Terms
    from bridge.maps.console import ConsoleNames, ConsoleWords
    from bridge.maps.load import parse_map
    from bridge.mix.engine import Engine
    from bridge.rig.rig import parse_rig

    files = rigs.osc_files(peers.CHANNELS, peers.BUSES, rigs.Ports(1, 2, 3))
    rig = parse_rig(files["rig.toml"] + tables, "rig.toml")
    names = ConsoleNames(
        tuple(channel.console for channel in rig.file.channel),
        tuple(bus.console for bus in rig.file.bus),
    )
    words = ConsoleWords(parse_map(files["console.toml"], "console.toml"), rig.layout, names)
    engine = Engine(rig, can_set=words.can_set)

    def take(data: bytes) -> bool:
        sent.append(data)
        return True

    return Console(engine, words, take, Terms(readback=False, reliable=True, answer_s=1.0))

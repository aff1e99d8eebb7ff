"""What a stage of 64 microphones and 32 wedges costs: the map, and a raise that needs it. I/O."""

from __future__ import annotations

import random
import statistics
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import peers
import rigs
import tick_figures

if TYPE_CHECKING:
    from bridge.console import Console

MAPS = 400
GESTURES = 2000
RAISE_DB, FALL_DB = -40.0, -45.0
"""Between these the measured send goes up and down: far from any limit, above the ramp floor."""


def stage(_folder: Path) -> dict[str, Any]:
    """Cost of the ceiling map, and of a gesture that raises, with and without a stage."""
    with_stage = _house(rigs.stage_tables(peers.CHANNELS, peers.BUSES))
    mapped, solved, peer = _maps(with_stage)
    raised = _raises(with_stage)
    bare = _raises(_house(""))
    return {
        "map_us": round(1e6 * statistics.median(mapped), 1),
        "gesture_p50_us": round(1e6 * statistics.median(raised), 1),
        "raw": {
            "cells": peers.CELLS,
            "map_us_p99": round(1e6 * peers.percentile(mapped, 99), 1),
            "solve_us": round(1e6 * statistics.median(solved), 1),
            "eigvals_us": round(1e6 * statistics.median(peer), 1),
            "gesture_us_p99": round(1e6 * peers.percentile(raised, 99), 1),
            "gesture_us_without_stage": round(1e6 * statistics.median(bare), 1),
        },
    }


def _house(tables: str) -> Console:
    """A console's side of the large rig, started, every bus open."""
    from bridge import limits

    console = tick_figures.console([], tables)
    now_s = 0.0
    console.link_open(now_s)
    while now_s < tick_figures.STARTED_S:
        console.engine.advance(now_s)
        console.advance(now_s)
        console.pump(now_s)
        now_s += limits.TICK_S
    return console


def _maps(console: Console) -> tuple[list[float], list[float], list[float]]:
    """Seconds for the whole map after a change, for the solve in it, and for NumPy's eigenvalues
    of the same loop, which say only whether it rings.
    """
    import numpy as np

    assert console.engine.stage is not None
    world = console.engine.stage.goals
    loop = world.loop
    mapped, solved, peer = [], [], []
    for _ in range(MAPS):
        loop.set_all(loop.mix)
        began = time.perf_counter()
        world.map()
        mapped.append(time.perf_counter() - began)
        loop.set_all(loop.mix)
        began = time.perf_counter()
        loop.gains()
        solved.append(time.perf_counter() - began)
        began = time.perf_counter()
        np.linalg.eigvals(loop.mix.T @ loop.coupling)
        peer.append(time.perf_counter() - began)
    return mapped, solved, peer


def _raises(console: Console) -> list[float]:
    """Seconds from a wish that raises a send to its word, at one cell after the other."""
    from bridge.mix.gesture import SET, TAKEN
    from bridge.rig.layout import Parameter

    engine = console.engine
    sends = list(engine.rig.layout.slots(Parameter.SEND_LEVEL))
    random.Random(7).shuffle(sends)
    now_s, took = tick_figures.STARTED_S, []
    for number in range(GESTURES):
        slot = sends[number % len(sends)]
        now_s += 1.0
        engine.wish(-1, slot, SET, FALL_DB, now_s)
        console.pump(now_s)
        now_s += 10.0
        began = time.perf_counter()
        verdict = engine.wish(-1, slot, SET, RAISE_DB, now_s)
        console.pump(now_s)
        took.append(time.perf_counter() - began)
        if verdict.outcome != TAKEN:
            raise peers.BenchFailure(f"a raise far from all limits was not taken: {verdict}")
        engine.news.clear()
    return took

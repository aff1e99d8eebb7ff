"""How soon sixty pages show what is done, and what they cost the bridge. I/O."""

from __future__ import annotations

import json
import os
import re
import sys
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import peers
import rigs

PASSPHRASE = "low tide at half past nine"
PERFORMERS, DEVICES = 12, 5
SECONDS = 8.0
PATIENCE_S = 60.0
WHERE = re.compile(r"pages: (http://127\.0\.0\.1:\d+)")

Figures = dict[str, Any]


def pages(folder: Path) -> Figures:
    """The group of ``tools/bench.py``."""
    return measured(folder, SECONDS)


def measured(folder: Path, seconds: float) -> Figures:
    """Run a bridge, a console stand-in and a crowd of pages, each a process of its own.

    Args:
        folder: Where everything is written.
        seconds: How long the pages are moved.

    Raises:
        BenchFailure: something did not come up, or the console was told what it must not be.
    """
    rig = _rig(folder)
    result, tape = folder / "pages.json", folder / "tape.jsonl"
    with ExitStack() as stack:

        def up(name: str, said: str, *command: str | Path) -> tuple[int, Path]:
            log = folder / f"{name}.log"
            process = stack.enter_context(peers.running(command, log))
            peers.wait_for(name, lambda: said in log.read_text(encoding="utf-8"), process, log)
            return process.pid, log

        foldbridge = (sys.executable, "-P", "-m", "bridge.cli")
        up("console", "console", *foldbridge, "simulate", "--record", tape, rig)
        pid, log = up("bridge", "console live", *foldbridge, "run", rig)
        found = WHERE.search(log.read_text(encoding="utf-8"))
        if found is None:
            raise peers.BenchFailure("the bridge does not say where its pages are")
        alone_mb = peers.memory_mb(pid)
        hands, said = folder / "hands.log", [found[1], PASSPHRASE, str(PERFORMERS), str(DEVICES)]
        command = [sys.executable, peers.HERE / "page_hands.py", *said, str(seconds), result]
        with peers.running(command, hands) as crowd:
            peers.wait_for("pages", lambda: "ready" in hands.read_text(), crowd, hands)
            open_mb, used_s = peers.memory_mb(pid), _cpu_s(pid)
            crowd.wait(seconds + PATIENCE_S)
            used_s = _cpu_s(pid) - used_s
            memory = {"alone": alone_mb, "open": open_mb, "after": peers.memory_mb(pid)}
    if not result.exists():
        raise peers.BenchFailure(f"the pages broke off: {hands.read_text()[-600:]}")
    told = json.loads(result.read_text(encoding="utf-8"))
    figures = _figures(told, memory, seconds, used_s)
    figures["raw"]["witness"] = _witnessed(tape)
    return figures


def _cpu_s(pid: int) -> float:
    """Processor time of a process so far, s (proc(5), /proc/pid/stat, utime and stime)."""
    words = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rsplit(")", 1)[1].split()
    return (int(words[11]) + int(words[12])) / os.sysconf("SC_CLK_TCK")


def _figures(told: Figures, memory: dict[str, float], seconds: float, used_s: float) -> Figures:
    """Figures from what the crowd saw; what was never shown counts as endless."""
    endless = float("inf")
    seen = [[1000.0 * s if s is not None else endless for s in one] for one in told["seen_s"]]
    if not seen:
        raise peers.BenchFailure("nothing was moved")
    every = [ms for one in seen for ms in one]
    places = dict(zip(("own", "beside", "engineer"), zip(*seen, strict=True), strict=True))
    return {
        "state_p99_ms": round(peers.percentile(every, 99), 1),
        "rss_mb": round(memory["after"], 1),
        "raw": {
            "pages": PERFORMERS * DEVICES + 1,
            "seconds": seconds,
            "wishes_per_s": round(len(seen) / seconds, 1),
            "frames_per_s": round(told["frames"] / seconds, 1),
            "never_shown": told["lost"],
            "state_ms": {name: _marks(values) for name, values in places.items()},
            "rss_mb": {when: round(mb, 1) for when, mb in memory.items()},
            "growth_mb": round(memory["after"] - memory["open"], 2),
            "bridge_cpu": round(used_s / seconds, 3),
            "pages_cpu": round(told["cpu_s"] / seconds, 3),
        },
    }


def _marks(values: tuple[float, ...]) -> dict[str, float]:
    return {f"p{mark}": round(peers.percentile(values, mark), 1) for mark in (50, 90, 99)}


def _witnessed(tape: Path) -> Figures:
    """What the witness says to what the console received meanwhile.

    Raises:
        BenchFailure: a promise was broken.
    """
    from bridge.simulator.witness import judge_text

    with tape.open(encoding="utf-8") as lines:
        found = judge_text(lines)
    if found.breaches or found.words <= PERFORMERS * DEVICES:
        raise peers.BenchFailure(f"the witness: {found.words} words, {found.breaches[:3]}")
    return {"words": found.words, "breaches": 0}


def _rig(folder: Path) -> Path:
    """A rig with as many mixes as performers; every performer has one."""
    from bridge.pages.passphrase import hashed

    ports = peers.free_ports()
    files = rigs.osc_files(DEVICES + 1, PERFORMERS, ports)
    people = "".join(
        f'\n[[performer]]\nid = "p{n}"\nname = "Player {n}"\nbuses = ["b{n}"]\n'
        for n in range(1, PERFORMERS + 1)
    )
    secret = hashed(PASSPHRASE, b"Ferry Lane room2")
    files["rig.toml"] += f'{people}\n[pages]\nlisten = "127.0.0.1:0"\nengineer = "{secret}"\n'
    return peers.write_files(folder / "rig", files)

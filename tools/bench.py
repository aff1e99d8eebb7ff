"""Measure the bridge beside its peers: ``python3 tools/bench.py --json [--only KEY...]``. I/O.

The peers run in the same minutes on the same machine, taking turns: a bare asyncio forwarder, a
compiled forwarder on liblo, and the script that one writes by hand with python-osc. Compare the
ratios; the absolute figures are this machine's. With ``--json`` one JSON object is printed, every
figure with the raw ones that it was made from; a figure that can't be taken here is null, its
reason stands beside it, and the exit code is 1.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import platform
import signal
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

# The neighbours can be imported from wherever this file is run.
sys.path.insert(0, str(Path(__file__).resolve().parent / "bench"))
sys.path.insert(0, str(Path(__file__).resolve().parent))

import environment

KEYS: dict[str, tuple[str, ...]] = {
    "latency": ("p50_us", "ratio_bare", "ratio_liblo"),
    "rate": ("per_s", "ratio_script", "ratio_liblo"),
    "tick": ("rest_us", "moving_ms"),
    "midi": ("added_p99_ms",),
    "stage": ("map_us", "gesture_p50_us"),
    "wire": ("over_budget_bytes", "oldest_ms"),
    "start": ("first_gesture_s", "rss_mb"),
    "pages": ("state_p99_ms", "rss_mb"),
}
"""Every group of figures, and the figures in it."""

Group = Callable[[Path], dict[str, Any]]


def main(arguments: Sequence[str]) -> int:
    """Measure what was asked for and print it; returns the exit code."""
    options = _options(arguments)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))  # the started processes are ended too
    if importlib.util.find_spec("pythonosc") is None:  # not in the environment yet
        try:
            python = environment.prepare(["test"])
        except environment.EnvironmentFailure as failure:
            print(f"foldbridge: {failure}", file=sys.stderr)
            return 1
        return environment.become([python, __file__, *arguments])
    report: dict[str, Any] = {}
    groups = _groups()
    for name in options.groups:
        print(f"measuring: {name}", file=sys.stderr, flush=True)
        with tempfile.TemporaryDirectory(prefix="foldbridge-bench-") as folder:
            report[name] = _measured(name, groups[name], Path(folder))
    print(json.dumps(_finite(report), indent=None if options.json else 2))
    return 1 if any("error" in group["raw"] for group in report.values()) else 0


def _options(arguments: Sequence[str]) -> argparse.Namespace:
    known = [f"{group}.{key}" for group, keys in KEYS.items() for key in keys]
    parser = argparse.ArgumentParser(
        prog="tools/bench.py",
        description="Measure the bridge beside its peers.",
        epilog=f"Groups and keys: {', '.join((*KEYS, *known))}",
    )
    parser.add_argument("--json", action="store_true", help="one JSON object on one line")
    parser.add_argument(
        "--only",
        nargs="+",
        metavar="KEY",
        choices=[*KEYS, *known],
        default=[*KEYS],
        help="groups, or single figures (measured with their whole group)",
    )
    options = parser.parse_args(arguments)
    wanted = {key.split(".")[0] for key in options.only}
    options.groups = [group for group in KEYS if group in wanted]
    return options


def _groups() -> dict[str, Group]:
    """The measuring functions; imported late, they need the environment's libraries."""
    import midi_figures
    import osc_figures
    import page_figures
    import stage_figures
    import tick_figures
    import wire_figures

    return {
        "latency": osc_figures.latency,
        "rate": osc_figures.rate,
        "tick": tick_figures.tick,
        "midi": midi_figures.midi,
        "wire": wire_figures.wire,
        "stage": stage_figures.stage,
        "start": osc_figures.start,
        "pages": page_figures.pages,
    }


def _measured(name: str, group: Group, folder: Path) -> dict[str, Any]:
    """One group of figures, all null with the reason when it can't be measured."""
    try:
        figures = group(folder)
    except Exception as problem:  # outermost loop: the other groups are still worth having
        print(f"{name}: {problem}", file=sys.stderr, flush=True)
        figures = {"raw": {"error": f"{type(problem).__name__}: {problem}"}}
    figures["raw"]["machine"] = {"python": platform.python_version(), "cpus": _cpus()}
    return {key: figures.get(key) for key in KEYS[name]} | {"raw": figures["raw"]}


def _cpus() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else 0


def _finite(value: Any) -> Any:
    """JSON has no infinities: a wait without end becomes the word for it."""
    if isinstance(value, dict):
        return {key: _finite(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(each) for each in value]
    return "inf" if value == float("inf") else value


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))

"""Throw damaged input at the bridge: ``python3 tools/fuzz.py [--target NAME] [--seconds N]``. I/O.

Targets: osc, midi (codecs, maps, whole houses judged by the witness); rig, map, preset, journal,
marks, toml, recording (files); http, websocket (a bridge that runs); all, each for the same time.

A seed gives the same inputs again. Whatever is found (a crash, a hang, memory that grows, a promise
that broke) is told with the command that shows it again, and the exit code is 1. Inputs are thrown
in epochs that start afresh: ``--epoch`` plays only that one.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

# The neighbours and the bridge can be imported from wherever this file is run.
sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
sys.path.insert(0, str(Path(__file__).resolve().parent / "fuzz"))

import fuzz_journal
import fuzz_run
import fuzz_sockets
import fuzz_targets
import fuzz_text

PURE: dict[str, fuzz_run.Make] = {
    "osc": fuzz_targets.OscTarget,
    "midi": fuzz_targets.MidiTarget,
    "rig": fuzz_text.rig_target,
    "map": fuzz_text.map_target,
    "preset": fuzz_text.preset_target,
    "journal": fuzz_journal.JournalTarget,
    "marks": fuzz_text.marks_target,
    "toml": fuzz_text.toml_target,
    "recording": fuzz_text.recording_target,
}
"""Targets in this process."""

SOCKETS: dict[str, Callable[[str, fuzz_sockets.Running], fuzz_run.Target]] = {
    "http": fuzz_sockets.HttpTarget,
    "websocket": fuzz_sockets.WebsocketTarget,
}
"""Targets on the sockets of a bridge in another process."""

SECONDS = 20.0
"""How long a target is thrown at when nothing is said."""


def main(arguments: Sequence[str]) -> int:
    """Throw what was asked for; returns the exit code, 0 only if nothing was found."""
    options = _options(arguments)
    names = [*PURE, *SOCKETS] if options.target == "all" else [options.target]
    seconds = options.seconds or (0.0 if options.count else SECONDS)
    found = 0
    for name in names:
        with maker(name) as make:
            outcome = fuzz_run.run(
                name, make, seed=options.seed, count=options.count, seconds=seconds,
                epoch=options.epoch,
            )  # fmt: skip
        print(outcome.text(), flush=True)
        found += len(outcome.faults)
    return 1 if found else 0


@contextmanager
def maker(name: str) -> Iterator[fuzz_run.Make]:
    """What makes a target for an epoch's seed, as long as the context lasts."""
    if name in PURE:
        yield PURE[name]
        return
    target, bridge = SOCKETS[name], fuzz_sockets.Running()
    try:
        yield lambda seed: target(seed, bridge)
    finally:
        bridge.close()


def _options(arguments: Sequence[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="tools/fuzz.py", description="Throw damaged input at the bridge."
    )
    parser.add_argument("--target", choices=[*PURE, *SOCKETS, "all"], default="all")
    parser.add_argument("--seconds", type=float, default=0.0, help="at most so long, each target")
    parser.add_argument("--count", type=int, default=0, help="at most so many inputs")
    parser.add_argument("--seed", type=int, default=1, help="which inputs")
    parser.add_argument("--epoch", type=int, default=-1, help="only this epoch")
    return parser.parse_args(arguments)


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))

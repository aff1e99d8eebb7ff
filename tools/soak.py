"""Play for hours, with faults: ``python3 tools/soak.py --simulated-hours N [--seed N]``. I/O.

Whole evenings are played on a virtual clock, on all cores: lossy networks, consoles that restart,
bridges that are killed, power cuts, damaged journals, full disks, floods, a machine that stands
still. A witness that shares no rule with the bridge judges what the console received. Each evening
comes from a seed, and the seed of whatever breaks is printed with the command that shows it again.
The exit code is 0 only if no promise was broken.
"""

from __future__ import annotations

import argparse
import importlib.util
import sys
from collections.abc import Sequence
from pathlib import Path

# The bridge, the neighbours and the tests' evenings can be imported from wherever this is run.
sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))
sys.path.insert(0, str(Path(__file__).resolve().parent / "soak"))
sys.path.insert(0, str(Path(__file__).resolve().parent))

import environment


def main(arguments: Sequence[str]) -> int:
    """Play what was asked for; returns the exit code."""
    options = _options(arguments)
    if importlib.util.find_spec("pythonosc") is None:  # not in the environment yet
        try:
            python = environment.prepare(["test"])
        except environment.EnvironmentFailure as failure:
            print(f"foldbridge: {failure}", file=sys.stderr)
            return 1
        return environment.become([python, __file__, *arguments])
    import soak_simulated

    return int(bool(soak_simulated.run(options.simulated_hours, options.seed).broken))


def _options(arguments: Sequence[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="tools/soak.py", description="Play for hours.")
    parser.add_argument("--simulated-hours", type=float, default=20.0, help="how long; 20")
    parser.add_argument("--seed", type=int, default=1, help="the first evening's")
    options = parser.parse_args(arguments)
    if not options.simulated_hours > 0.0:
        parser.error(f"--simulated-hours: found {options.simulated_hours}, expected more than 0")
    return options


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))

"""Play for hours, with faults, and have a witness judge it: ``python3 tools/soak.py``. I/O.

``--simulated-hours N`` plays whole evenings on a virtual clock: lossy networks, consoles that
restart, bridges that are killed, power cuts, damaged journals, full disks, floods. Each comes from
a seed, and the seed of whatever breaks is printed. ``--minutes N`` plays in real time: a bridge in
its own process, real sockets, MIDI on JACK, pages, faults and kill -9. The exit code is 0 only if
no promise was broken and every limit held.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

HERE = Path(__file__).resolve().parent
# The bridge, the neighbours and the tests' evenings can be imported from wherever this is run.
sys.path[:0] = [str(HERE / "soak"), str(HERE.parent / "tests"), str(HERE.parent)]


def main(arguments: Sequence[str]) -> int:
    """Play what was asked for; returns the exit code."""
    options = _options(arguments)
    broken = False
    if options.simulated_hours:
        import soak_simulated

        broken = bool(soak_simulated.run(options.simulated_hours, options.seed).broken)
    if options.minutes:
        import soak_real

        broken |= not soak_real.run(options.minutes, options.seed, netem=options.netem)
    return int(broken)


def _options(arguments: Sequence[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="tools/soak.py", description="Play for hours.")
    parser.add_argument("--simulated-hours", type=float, default=0.0, help="on a virtual clock")
    parser.add_argument("--minutes", type=float, default=0.0, help="in real time")
    parser.add_argument("--seed", type=int, default=1, help="which accidents")
    parser.add_argument(
        "--netem", action="store_true", help="the console in a network of its own, a bad one"
    )
    options = parser.parse_args(arguments)
    if not (options.simulated_hours > 0.0 or options.minutes > 0.0):
        parser.error("say --simulated-hours N or --minutes N")
    return options


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))

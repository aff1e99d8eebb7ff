"""Play for hours, with faults: ``tools/soak.py --simulated-hours N`` or ``--minutes N``. I/O.

``--simulated-hours`` plays whole evenings on a virtual clock, on all cores: lossy networks,
consoles that restart, bridges that are killed, power cuts, damaged journals, full disks, floods, a
machine that stands still. Each evening comes from a seed, and the seed of whatever breaks is
printed with the command that shows it again.

``--minutes`` plays in real time: a bridge in a process of its own, real sockets, a MIDI board on a
JACK server, phones, 2,000 messages/s, faults, kill -9. It needs two cores. With ``--apart`` the
bridge has a network of its own, whose cable can be pulled (needs root, Linux and ip(8)). As root
the journal has a small disk of its own too, which is full at times.

A witness that shares no rule with the bridge judges what the console received. The exit code is 0
only if no promise was broken, and in real time if memory and the loop kept their limits.
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
sys.path.insert(0, str(Path(__file__).resolve().parent / "bench"))
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
    if options.minutes is not None:
        return _in_real_time(options)
    import soak_simulated

    return int(bool(soak_simulated.run(options.simulated_hours, options.seed).broken))


def _in_real_time(options: argparse.Namespace) -> int:
    import soak_net
    import soak_real

    try:
        told = soak_real.run(
            options.minutes, options.seed, apart=options.apart, kept=options.record
        )
    except soak_net.NoNetwork as problem:
        print(f"foldbridge: --apart: {problem}", file=sys.stderr)
        return 1
    return int(bool(told.broken))


def _options(arguments: Sequence[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="tools/soak.py", description="Play for hours.")
    length = parser.add_mutually_exclusive_group()
    length.add_argument(
        "--simulated-hours", type=_more_than_0, default=20.0, help="on a virtual clock; 20"
    )
    length.add_argument("--minutes", type=_more_than_0, help="in real time")
    parser.add_argument("--seed", type=int, default=1, help="the first evening's; 1")
    parser.add_argument("--apart", action="store_true", help="a network of its own for the bridge")
    parser.add_argument(
        "--record", type=Path, metavar="FILE", help="keep what the console received"
    )
    options = parser.parse_args(arguments)
    if options.minutes is None and (options.apart or options.record):
        parser.error("--apart and --record: found without --minutes, expected with it")
    return options


def _more_than_0(text: str) -> float:
    value = float(text)
    if not 0.0 < value < float("inf"):
        raise argparse.ArgumentTypeError(f"found {text}, expected more than 0")
    return value


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))

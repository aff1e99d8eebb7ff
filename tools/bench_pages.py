"""Sixty pages at once, as long as you like: ``python3 tools/bench_pages.py --seconds 60``. I/O.

What ``tools/bench.py --only pages`` measures in eight seconds, for looking at longer: whether the
bridge's memory grows, and whether a minute of moving brings anything that seconds do not. Needs
the environment that ``tools/bench.py`` makes.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent / "bench"))

import page_figures


def main(arguments: Sequence[str]) -> int:
    """Measure and print; returns the exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0, help="how long the pages are moved")
    options = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory(prefix="foldbridge-bench-") as folder:
        print(json.dumps(page_figures.measured(Path(folder), options.seconds), indent=2))
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))

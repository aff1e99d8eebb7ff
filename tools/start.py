"""Start the demo on a fresh machine: ``python3 tools/start.py [--seconds N]``. I/O.

Makes ``.venv`` at the project's root (once), installs foldbridge into it and runs
``foldbridge demo`` with all other arguments. Needs Python 3.11 or newer and nothing else.
``--again`` installs everything anew, for example after a compiler for MIDI has been added.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

# The neighbours can be imported from wherever this file is run.
sys.path.insert(0, str(Path(__file__).resolve().parent))

import environment


def main(arguments: Sequence[str]) -> int:
    """Prepare the environment, then become the demo; returns the exit code."""
    again = "--again" in arguments
    rest = [word for word in arguments if word != "--again"]
    try:
        python = environment.prepare(again=again)
    except environment.EnvironmentFailure as failure:
        print(f"foldbridge: {failure}", file=sys.stderr)
        return 1
    # -P: a folder named "bridge" where the user stands must not hide ours.
    return environment.become([python, "-P", "-m", "bridge.cli", "demo", *rest])


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))

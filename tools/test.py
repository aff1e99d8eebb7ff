"""The one gate: ``python3 tools/test.py [--without-system] [--fast] [pytest arguments]``. I/O.

Format, lint, types, then the tests: first those that share nothing (side by side, pytest-xdist),
then those in a real browser (marked ``browser``) and those that share the one JACK server (marked
``jack``), one after the other. The last line sums all up in pytest's own form.

A skipped test counts as a failure, so that a gap in the machine cannot pass for a green run.
System programs that the tests need are installed with apt-get where that is possible without a
password (root, or sudo). Where it is not, the missing packages are named, the rest still runs,
and the exit code is not zero. ``--without-system`` is for such machines: install nothing, and
let skips pass. ``--fast`` leaves out tests marked ``long`` (the seeded long runs).
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

# The neighbours can be imported from wherever this file is run.
sys.path.insert(0, str(Path(__file__).resolve().parent))

import environment

SYSTEM: tuple[tuple[str, str], ...] = (
    ("jackd", "jackd2"),
    ("oscsend", "liblo-tools"),
    ("chromium", "chromium"),
    ("gcc", "gcc"),
    ("/usr/include/lo/lo.h", "liblo-dev"),
    ("/usr/include/stdio.h", "libc6-dev"),
)
"""What the tests look for on the machine, and the Debian package that has it."""

CHECKS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("format", ("ruff", "format", "--check", ".")),
    ("lint", ("ruff", "check", ".")),
    ("types", ("mypy",)),
)

OUTCOMES = re.compile(r"(\d+) (passed|failed|skipped|errors?|xfailed|xpassed|deselected)")
NOTHING_COLLECTED = 5
"""pytest's exit code when no test was selected."""


def main(arguments: Sequence[str]) -> int:
    """Run the gate; returns the exit code, 0 only if everything is green."""
    options, rest = _options(arguments)
    began = time.monotonic()
    missing = _missing_packages()
    if missing and not options.without_system:
        missing = _install_packages(missing)
    try:
        python = environment.prepare(["test"])
    except environment.EnvironmentFailure as failure:
        print(f"foldbridge: {failure}", file=sys.stderr)
        return 1
    red = [
        name for name, words in CHECKS if _announced(name, [python, "-m", *words], environment.call)
    ]
    counts, broken = _tests(python, rest, fast=options.fast)
    red += ["tests"] if broken or counts["failed"] or counts["errors"] else []
    if not options.without_system:
        red += _gaps(missing, counts["skipped"])
    if red:
        print(f"not green: {', '.join(red)}")
    print(closing_line(counts, time.monotonic() - began))
    return 1 if red else 0


def closing_line(counts: Counter[str], seconds: float) -> str:
    """The sum of all runs in the form of pytest's own last line."""
    shown = [f"{counts[word]} {word}" for word in ("passed", "failed", "skipped")]
    shown += [f"{counts[word]} {word}" for word in ("errors", "xfailed", "xpassed") if counts[word]]
    return f"{', '.join(shown)} in {seconds:.2f}s"


def outcomes(line: str) -> Counter[str]:
    """The counts in a closing line of pytest: ``3 passed, 1 skipped in 0.12s``."""
    found: Counter[str] = Counter()
    for number, word in OUTCOMES.findall(line):
        found["errors" if word == "error" else word] += int(number)
    return found


def _options(arguments: Sequence[str]) -> tuple[argparse.Namespace, list[str]]:
    parser = argparse.ArgumentParser(
        prog="tools/test.py",
        description="Format, lint, types and tests. Other arguments go to pytest.",
    )
    parser.add_argument(
        "--without-system",
        action="store_true",
        help="install no system packages; skipped tests are no failure",
    )
    parser.add_argument("--fast", action="store_true", help="leave out the seeded long runs")
    return parser.parse_known_args(arguments)


def _announced(name: str, command: Sequence[str | Path], run: object) -> bool:
    """Run one check under its name; true when it is red."""
    print(f"== {name}", flush=True)
    assert callable(run)
    return bool(run(command))


def _gaps(missing: Sequence[str], skipped: int) -> list[str]:
    gaps = [f"missing system packages ({' '.join(missing)})"] if missing else []
    return gaps + ([f"{skipped} skipped"] if skipped else [])


def _missing_packages() -> list[str]:
    """Debian packages whose program or header is not on this machine."""
    found = {
        package: shutil.which(what) is not None or ("/" in what and Path(what).exists())
        for what, package in SYSTEM
    }
    return [package for package, there in found.items() if not there]


def _install_packages(packages: Sequence[str]) -> list[str]:
    """Install what can be installed without a password; returns what is still missing."""
    prefix = _apt_prefix()
    if prefix is not None:
        print(f"== system packages: {' '.join(packages)}", flush=True)
        install = [*prefix, "install", "-y", "--no-install-recommends", *packages]
        if environment.call(install):  # the lists may be old, or not there at all
            environment.call([*prefix, "update"])
            environment.call(install)
    still = _missing_packages()
    if still:
        print(f"missing system packages; by hand: apt-get install {' '.join(still)}", flush=True)
    return still


def _apt_prefix() -> list[str] | None:
    """How apt-get is called here, or None where it cannot be without a password."""
    apt = ["env", "DEBIAN_FRONTEND=noninteractive", "apt-get"]
    if shutil.which("apt-get") is None:
        return None
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        return apt
    if shutil.which("sudo") and environment.call(["sudo", "-n", "true"]) == 0:
        return ["sudo", "-n", *apt]
    return None


def _tests(python: Path, rest: Sequence[str], *, fast: bool) -> tuple[Counter[str], bool]:
    """Every run of pytest: the counts, and whether one of them broke."""
    chosen, rest = _expression(rest)
    chosen += ["not long"] if fast else []
    side_by_side = min(os.cpu_count() or 1, 4)
    spread = ["-n", str(side_by_side), "--dist", "loadgroup"] if side_by_side > 1 else []
    counts: Counter[str] = Counter()
    codes = []
    passes: tuple[tuple[str, str, list[str]], ...] = (
        ("tests", "not jack and not browser", spread),
        ("tests in a browser", "browser", []),
        ("tests with JACK", "jack", []),
    )
    for name, mark, more in passes:
        print(f"== {name}", flush=True)
        expression = " and ".join(f"({part})" for part in [*chosen, mark])
        code, found = _pytest([python, "-m", "pytest", *more, *rest, "-m", expression])
        codes.append(code)
        counts += found
    nothing = all(code == NOTHING_COLLECTED for code in codes)
    return counts, nothing or any(code not in (0, NOTHING_COLLECTED) for code in codes)


def _expression(rest: Sequence[str]) -> tuple[list[str], list[str]]:
    """Take the caller's own ``-m`` out of the arguments: pytest heeds only the last one."""
    left = list(rest)
    chosen = []
    while "-m" in left and left.index("-m") + 1 < len(left):
        at = left.index("-m")
        chosen.append(left[at + 1])
        del left[at : at + 2]
    return chosen, left


def _pytest(command: Sequence[str | Path]) -> tuple[int, Counter[str]]:
    """Run pytest, pass its lines on as they come, and read the last one."""
    words = [str(word) for word in command]
    last = ""
    with subprocess.Popen(
        words, cwd=environment.ROOT, stdout=subprocess.PIPE, text=True, errors="replace"
    ) as run:
        assert run.stdout is not None
        for line in run.stdout:
            print(line, end="", flush=True)
            last = line if OUTCOMES.search(line) and " in " in line else last
    return run.returncode, outcomes(last)


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))

"""Many simulated evenings, on all cores, and what the witness says of each. I/O."""

from __future__ import annotations

import importlib
import logging
import multiprocessing
import os
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

HOUR_S = 3600.0
HOURS_EACH = 1.0
"""Hours of an evening; the last one may be shorter."""

BREACH_CHARACTERS = 1500
"""Of what the witness says of one evening, at most so much is shown."""


@dataclass(frozen=True)
class Told:
    """What became of one evening.

    Attributes:
        seed: Which one.
        hours: How long it was.
        fault: What the witness or Python had to say; empty when all was well.
        words: Words that the console received.
        met: How often each kind of fault was met.
        ways: How often a bridge came back in each way.
    """

    seed: int
    hours: float
    fault: str = ""
    words: int = 0
    met: Counter[str] = field(default_factory=Counter)
    ways: Counter[str] = field(default_factory=Counter)


@dataclass
class Sum:
    """All evenings so far."""

    hours: float = 0.0
    words: int = 0
    met: Counter[str] = field(default_factory=Counter)
    ways: Counter[str] = field(default_factory=Counter)
    broken: list[Told] = field(default_factory=list)

    def add(self, told: Told) -> None:
        """Count one."""
        self.hours += told.hours
        self.words += told.words
        self.met += told.met
        self.ways += told.ways
        if told.fault:
            self.broken.append(told)

    def text(self, seconds: float) -> str:
        """In words.

        Args:
            seconds: How long it all took, s.
        """
        met = ", ".join(f"{count} {name}" for name, count in self.met.most_common())
        ways = ", ".join(f"{count} {name}" for name, count in self.ways.most_common())
        return (
            f"{self.hours:g} simulated hours in {seconds:.0f} s: {self.words} words told, "
            f"{len(self.broken)} evenings with a breach\n"
            f"  faults: {met or 'none'}\n  bridges that came: {ways}"
        )


def evening(seed: int, hours: float) -> Told:
    """Play one evening.

    Args:
        seed: Where all its accidents come from.
        hours: How long it is.
    """
    evenings = importlib.import_module("support.evenings")  # beside the tests, which play them too
    logging.disable(logging.CRITICAL)
    with tempfile.TemporaryDirectory(prefix="foldbridge-soak-") as folder:
        try:
            played = evenings.Evening(seed, Path(folder), hours * HOUR_S)
            findings = played.judged()
        except Exception as problem:  # whatever it is, it is what was looked for
            return Told(seed, hours, f"{type(problem).__name__}: {problem}")
    fault = "" if findings.ok else findings.text()[:BREACH_CHARACTERS]
    return Told(seed, hours, fault, findings.words, played.faults_met, Counter(played.ways))


def evenings(hours: float, seed: int) -> Iterator[tuple[int, float]]:
    """Seeds and lengths of so many hours."""
    while hours > 0.0:
        yield seed, min(hours, HOURS_EACH)
        hours, seed = hours - HOURS_EACH, seed + 1


def run(hours: float, seed: int, cores: int = 0) -> Sum:
    """Play evenings, tell each breach as soon as it is found, and add all up.

    Args:
        hours: How many in all.
        seed: The first evening's; each next one is one more.
        cores: How many to use; all when 0.
    """
    began_s, told_s, total = time.monotonic(), time.monotonic(), Sum()
    methods = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(cores or os.cpu_count() or 1, mp_context=methods) as pool:
        for told in pool.map(evening, *zip(*evenings(hours, seed), strict=True)):
            total.add(told)
            if told.fault:
                again = f"--simulated-hours {told.hours:g} --seed {told.seed}"
                print(f"seed {told.seed}: {told.fault}\n  again: tools/soak.py {again}", flush=True)
            if time.monotonic() - told_s > 60.0:
                told_s = time.monotonic()
                print(f"... {total.hours:g} h after {told_s - began_s:.0f} s", flush=True)
    print(total.text(time.monotonic() - began_s), flush=True)
    return total

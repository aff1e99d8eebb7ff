"""Throws inputs at a target and watches: crashes, hangs, growth, broken promises, time. I/O."""

from __future__ import annotations

import contextlib
import re
import signal
import threading
import time
import traceback
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from fuzz_targets import Target

EPOCH_INPUTS = 100_000
"""Inputs between two fresh starts: few enough to play a fault again in seconds."""

HANG_S = 20.0
"""No input may take so long, even on a machine that has other things to do."""

GROWTH_MB_MAX = 24.0
"""Memory may grow by so much after the first epoch: caches fill, and then it has to stay."""

FAULTS_MAX = 8
"""Different faults after which a run stops."""

FOUND_MAX = 24
"""Faults, the same ones too, after which it stops: an epoch ends with each of them."""

SHOWN_BYTES = 100
"""As much of an input is shown."""

TEXT_SHOWN = 500
"""Characters of an error that are shown."""

Make = Callable[[str], Target]

_LIKE = re.compile(r"['\"][^'\"]*['\"]|[0-9]+|fuzz\.toml:[^:]*:")


class Hung(BaseException):
    """An input that takes too long; not an `Exception`, so that nothing swallows it."""


@dataclass(frozen=True, slots=True)
class Fault:
    """Something that was found.

    Attributes:
        kind: ``crash``, ``hang``, ``growth`` or ``broken promise``.
        text: What happened, and where in the sources.
        epoch: Which epoch.
        number: Which input of the epoch, from 1; 0 where it is about all of them.
        data: The input.
    """

    kind: str
    text: str
    epoch: int
    number: int = 0
    data: bytes = b""


@dataclass
class Outcome:
    """What a run found.

    Attributes:
        target: What inputs were thrown at.
        seed: Where they came from.
        inputs: How many.
        seconds: How long it took, s.
        cpu_s: How long it took of one core's time, s.
        faults: What was found, each kind of it once.
        slowest_s: The longest that one input took, s.
        slowest: That input.
        rss_mb: Memory after the first epoch and at the end, MB.
    """

    target: str
    seed: int
    inputs: int = 0
    seconds: float = 0.0
    cpu_s: float = 0.0
    faults: list[Fault] = field(default_factory=list)
    slowest_s: float = 0.0
    slowest: bytes = b""
    rss_mb: tuple[float, float] = (0.0, 0.0)

    def text(self) -> str:
        """The run in a few lines."""
        rate = self.inputs / self.cpu_s if self.cpu_s else 0.0
        before, after = self.rss_mb
        head = (f"{self.target}, seed {self.seed}: {self.inputs} inputs in {self.seconds:.1f} s "
                f"({rate:.0f} a second of one core), memory {before:.0f} to {after:.0f} MB, "
                f"{len(self.faults) or 'no'} faults")  # fmt: skip
        slow = f"  slowest {1000 * self.slowest_s:.2f} ms, {_shown(self.slowest)}"
        return "\n".join([head, slow, *(self._told(fault) for fault in self.faults)])

    def _told(self, fault: Fault) -> str:
        again = (f"python3 tools/fuzz.py --target {self.target} --seed {self.seed} "
                 f"--epoch {fault.epoch}")  # fmt: skip
        again += f" --count {fault.number}" if fault.number else ""
        data = f"\n    input {_shown(fault.data)}" if fault.data else ""
        return f"  {fault.kind}: {fault.text}{data}\n    again: {again}"


def _shown(data: bytes) -> str:
    cut = data[:SHOWN_BYTES]
    more = f" ... ({len(data)} bytes)" if len(data) > SHOWN_BYTES else ""
    return (repr(cut) if cut.isascii() and b"\n" in cut else cut.hex()) + more


def rss_mb() -> float:
    """Memory of this process, MB; 0 where the system does not say."""
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    except (OSError, ValueError, IndexError):
        return 0.0
    return pages * 4096 / 1e6


def _put_off() -> None:
    signal.setitimer(signal.ITIMER_REAL, HANG_S)


@contextlib.contextmanager
def _alarm() -> Iterator[Callable[[], None]]:
    """Gives a function that puts the alarm off; inputs that take too long end in ``Hung``."""
    main = threading.current_thread() is threading.main_thread()
    if not main or not hasattr(signal, "setitimer"):
        yield lambda: None
        return

    def ring(*_: object) -> None:
        raise Hung

    before = signal.signal(signal.SIGALRM, ring)
    try:
        yield _put_off
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)


class Run:
    """One run.

    Args:
        name: The target's name.
        make: Makes the target for an epoch's seed.
        seed: Where inputs come from.
    """

    def __init__(self, name: str, make: Make, seed: int) -> None:
        self._make = make
        self.found = 0
        self.outcome = Outcome(name, seed)

    def epoch(self, number: int, count: int, until_s: float) -> None:
        """Throw an epoch's inputs, until one breaks something or time is up."""
        try:
            target = self._make(f"{self.outcome.seed}/{number}")
        except Exception as error:
            self._found("crash", error, number, 0, b"")
            return
        with _alarm() as put_off:
            if self._throw(target, number, count, until_s, put_off):
                try:
                    put_off()
                    target.ended()
                except (Exception, Hung) as error:
                    self._found(_kind(error), error, number, 0, b"")

    def _throw(
        self, target: Target, epoch: int, count: int, until_s: float, put_off: Callable[[], None]
    ) -> bool:
        """Throw inputs; false after a fault, as what has a memory is in doubt then."""
        outcome, clock = self.outcome, time.perf_counter
        make, take, keep = target.make, target.take, target.keep
        slowest_s = outcome.slowest_s
        at = 0
        data = b""
        try:
            for at in range(1, count + 1):
                if at & 127 == 1:
                    put_off()
                    if time.monotonic() > until_s:
                        break
                data = make()
                began_s = clock()
                take(data)
                took_s = clock() - began_s
                if took_s > slowest_s:
                    began_s = clock()
                    take(data)  # once more: the machine itself stutters
                    took_s = min(took_s, clock() - began_s)
                    if took_s > slowest_s:
                        outcome.slowest_s, outcome.slowest = slowest_s, _ = took_s, data
                keep(data)
        except (Exception, Hung) as error:
            self._found(_kind(error), error, epoch, at, data)
            return False
        finally:
            outcome.inputs += at
        return True

    def _found(self, kind: str, error: BaseException, epoch: int, number: int, data: bytes) -> None:
        self.found += 1
        text = _told(error)
        alike = _LIKE.sub("", text)  # the same thing about other names and numbers
        if all(_LIKE.sub("", fault.text)[-200:] != alike[-200:] for fault in self.outcome.faults):
            self.outcome.faults.append(Fault(kind, text, epoch, number, data))


def _kind(error: BaseException) -> str:
    if isinstance(error, Hung):
        return "hang"
    return "broken promise" if type(error).__name__ == "Broken" else "crash"


def _told(error: BaseException) -> str:
    """What was raised, and where the bridge's own sources last were."""
    frames = traceback.extract_tb(error.__traceback__)
    ours = [frame for frame in frames if "bridge" in Path(frame.filename).parts] or frames[-1:]
    where = "; ".join(f"{Path(f.filename).name}:{f.lineno} {f.name}" for f in ours[-3:])
    return f"{type(error).__name__}: {str(error)[:TEXT_SHOWN]} ({where})"


def run(
    name: str, make: Make, *, seed: int, count: int = 0, seconds: float = 0.0, epoch: int = -1
) -> Outcome:
    """Throw inputs at a target.

    Args:
        name: The target's name.
        make: Makes the target for an epoch's seed.
        seed: Where inputs come from.
        count: How many; 0 for as many as time allows.
        seconds: How long at most, s; 0 for as long as the count takes.
        epoch: Only this epoch; -1 for as many as it takes.
    """
    this = Run(name, make, seed)
    outcome = this.outcome
    began_s, began_cpu_s = time.monotonic(), time.process_time()
    until_s = began_s + seconds if seconds else float("inf")
    number, first_mb = max(epoch, 0), 0.0
    while True:
        left = count - outcome.inputs if count else EPOCH_INPUTS
        this.epoch(number, min(left, EPOCH_INPUTS), until_s)
        first_mb = first_mb or rss_mb()
        number += 1
        done = epoch >= 0 or (count and outcome.inputs >= count) or time.monotonic() > until_s
        enough = len(outcome.faults) >= FAULTS_MAX or this.found >= FOUND_MAX
        if done or enough or not outcome.inputs:
            break
    outcome.seconds, outcome.cpu_s = time.monotonic() - began_s, time.process_time() - began_cpu_s
    outcome.rss_mb = (first_mb, rss_mb())
    grown = outcome.rss_mb[1] - first_mb
    if not grown <= GROWTH_MB_MAX:
        outcome.faults.append(Fault("growth", f"{grown:.0f} MB after the first epoch", 0))
    return outcome

"""An event loop on virtual time: it jumps to the next timer instead of waiting. I/O.

Hours of a show pass in seconds, and a run with the same input is the same run. When every task
waits and no timer is set, nothing could ever wake the loop again: it raises and names the tasks.
"""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Callable, Coroutine, Mapping
from typing import Any, NoReturn, TypeVar

T = TypeVar("T")

TURNS_PER_MOMENT_MAX = 100_000
"""Loop turns without any time passing; beyond them a task spins and time would stand still. A start
that asks for every value of a large console takes some hundreds."""


class AllTasksWait(RuntimeError):
    """Every task waits and no timer is set; or a task spins so that time stands still.

    Attributes:
        at_s: The virtual time.
        tasks: Names of the tasks that were waiting.
    """

    def __init__(self, at_s: float, tasks: tuple[str, ...], found: str) -> None:
        self.at_s, self.tasks = at_s, tasks
        names = ", ".join(tasks) or "none"
        super().__init__(f"at {at_s:.3f} s: {found}, expected a timer to come; tasks: {names}")


class _JumpingSelector(selectors.BaseSelector):
    """Looks at the files without waiting, then lets the time jump by what the loop would wait."""

    def __init__(self, wait: Callable[[float | None, bool], None]) -> None:
        self._files = selectors.DefaultSelector()
        self._wait = wait

    def register(self, fileobj: Any, events: int, data: Any = None) -> selectors.SelectorKey:
        return self._files.register(fileobj, events, data)

    def unregister(self, fileobj: Any) -> selectors.SelectorKey:
        return self._files.unregister(fileobj)

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        ready = self._files.select(0)
        self._wait(timeout, bool(ready))
        return ready

    def close(self) -> None:
        self._files.close()

    def get_map(self) -> Mapping[Any, selectors.SelectorKey]:
        return self._files.get_map()


class VirtualLoop(asyncio.SelectorEventLoop):
    """A selector event loop whose ``time()`` starts at 0 s and jumps to the next timer.

    Sockets and threads have no place on it: what happens outside takes real time.
    """

    def __init__(self) -> None:
        self._now_s = 0.0
        self._turns = 0
        super().__init__(_JumpingSelector(self._wait))

    def time(self) -> float:
        """Virtual seconds since the loop was made."""
        return self._now_s

    def stand_still(self, seconds: float) -> None:
        """Let time pass in which nothing is done, as on a machine that has no turn to give, s."""
        self._now_s += seconds

    def _wait(self, timeout: float | None, ready: bool) -> None:
        if timeout is None and not ready:
            self._stuck("all tasks wait for ever")
        if ready or timeout is None or timeout <= 0.0:
            self._turns += 1
            if self._turns > TURNS_PER_MOMENT_MAX:
                self._turns = 0
                self._stuck(f"{TURNS_PER_MOMENT_MAX} turns in one moment")
            return
        self._turns = 0
        self._now_s += timeout

    def _stuck(self, found: str) -> NoReturn:
        names = sorted(task.get_name() for task in asyncio.all_tasks(self))
        raise AllTasksWait(self._now_s, tuple(names), found)

    def run_in_executor(self, executor: Any, func: Any, *args: Any) -> NoReturn:  # type: ignore[override]
        """Refused: a thread takes real time, of which this loop knows nothing.

        Raises:
            RuntimeError: always.
        """
        raise RuntimeError("the virtual clock runs no threads")


def run(main: Coroutine[Any, Any, T]) -> T:
    """Run a coroutine on a fresh virtual clock and give back its result.

    Raises:
        AllTasksWait: every task waits for ever, or a task spins.
    """
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        return runner.run(main)

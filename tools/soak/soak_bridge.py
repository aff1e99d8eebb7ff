"""Bridges in processes of their own, one life after the other, and what their figures say. I/O."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import re
import signal
import sys
from collections import Counter, deque
from collections.abc import Callable
from pathlib import Path
from typing import Any

from soak_net import Net

from bridge.guard.stall import LATE_S

START_S = 60.0
"""A bridge on a busy machine has come back by then."""

LOOK_S = 2.0
"""Time between two looks at its figures."""

LINES_KEPT = 60
"""Of its log, to show when it dies by itself."""

_CAME = re.compile(r"came back (\w+)")
_FIGURE = re.compile(r'^foldbridge_(\w+?)(?:\{(?:le|\w+)="([^"]*)"\})? (\S+)$', re.MULTILINE)

Figures = dict[tuple[str, str], float]


class Died(Exception):
    """The bridge ended though nobody ended it; the text is the end of its log."""


class Life:
    """One bridge, from its start to its end.

    Attributes:
        began_s: When it was started, s.
        way: How it came back; empty while it has not said.
        figures: The latest.
    """

    def __init__(self, process: asyncio.subprocess.Process, began_s: float) -> None:
        self.process, self.began_s = process, began_s
        self.way, self.figures = "", Figures()
        self.lines: deque[str] = deque(maxlen=LINES_KEPT)
        self.back, self.ended = asyncio.Event(), False
        self.reading = asyncio.create_task(self._read())

    async def _read(self) -> None:
        assert self.process.stderr is not None
        async for line in self.process.stderr:
            text = line.decode(errors="replace").rstrip()
            self.lines.append(text)
            if not self.way and (found := _CAME.search(text)):
                self.way = found[1]
                self.back.set()

    @property
    def log(self) -> str:
        """The end of its log."""
        return "\n".join(self.lines)


class Bridges:
    """All lives of a soak.

    Args:
        rig: The rig's file.
        health, watch: Ports of its health and of its live view.
        net: Where it lives.
        environ: What it finds in its environment beside ours.

    Attributes:
        late: Turns of the loop by how late they were, a count a bound of ``LATE_S``.
        memory: Seconds of life and bytes in use, a pair a look, of the life that is.
        first_memory: The same of the first life.
        ways: How often it came back in each way.
        faults: Failures and words held back that it told of.
    """

    def __init__(
        self, rig: Path, health: int, watch: int, net: Net, environ: dict[str, str]
    ) -> None:
        self._rig, self._health, self._watch, self._net = rig, health, watch, net
        self._environ = os.environ | environ
        self._clock = asyncio.get_running_loop().time
        self.late = [0.0] * len(LATE_S)
        self.memory = self.first_memory = list[tuple[float, float]]()
        self.ways: Counter[str] = Counter()
        self.faults: Counter[str] = Counter()
        self.cpu_s, self.up_s = 0.0, 0.0
        self._dropped = [0.0] * len(LATE_S)
        self._looked_s, self._aside = 0.0, False
        self.life: Life

    async def start(self) -> str:
        """Begin a life; answers how it came back.

        Raises:
            Died: it did not.
        """
        words = [*self._net.prefix, sys.executable, "-P", "-m", "bridge.cli", "run", self._rig]
        process = await asyncio.create_subprocess_exec(
            *map(str, words), env=self._environ,
            cwd=Path(__file__).resolve().parent.parent.parent,
            stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.PIPE,
        )  # fmt: skip
        self.life = Life(process, self._clock())
        self.memory, self._dropped = [], [0.0] * len(LATE_S)
        if not self.ways:
            self.first_memory = self.memory
        try:
            async with asyncio.timeout(START_S):
                await self.life.back.wait()
        except TimeoutError:
            process.kill()
            raise Died(f"it did not come back within {START_S:g} s\n{self.life.log}") from None
        self.ways[self.life.way] += 1
        return self.life.way

    async def end(self, number: int) -> None:
        """End this life by a signal."""
        life = self.life
        life.ended = True
        life.process.send_signal(number)
        await life.process.wait()
        await life.reading
        self._count(life.figures)

    async def leave(self) -> None:
        """Let none live on, whatever went wrong."""
        if self.ways and not self.life.ended:
            self.life.ended = True
            with contextlib.suppress(ProcessLookupError):
                self.life.process.kill()
            await self.life.process.wait()
            await self.life.reading

    def stop(self) -> None:
        """Let it stand still."""
        self.life.process.send_signal(signal.SIGSTOP)

    def resume(self) -> None:
        """Let it go on."""
        self.life.process.send_signal(signal.SIGCONT)

    async def look_in_time(self) -> None:
        """Take its figures, unless the last look is news or it stands still by intent."""
        if not self._aside and self._clock() - self._looked_s >= LOOK_S:
            await self.look()

    async def look(self) -> None:
        """Take its figures.

        Raises:
            Died: it has ended by itself.
        """
        life, self._looked_s = self.life, self._clock()
        if life.process.returncode is not None and not life.ended:
            raise Died(f"exit code {life.process.returncode}\n{life.log}")
        text = ""
        with contextlib.suppress(OSError, asyncio.TimeoutError, TimeoutError, ValueError):
            text = await self._net.fetch(self._health, "/metrics")
        if not text.endswith("# EOF\n"):
            return
        life.figures = {(name, label): float(value) for name, label, value in _FIGURE.findall(text)}
        self.memory.append((self._clock() - life.began_s, life.figures["memory_bytes", ""]))

    async def leave_out(self, what: Callable[[], Any]) -> None:
        """Do something that makes turns late by intent: those turns count for nothing."""
        await self.look()
        before, self._aside = _late(self.life.figures), True
        await what()
        await self.look()
        self._aside = False
        after = _late(self.life.figures)
        self._dropped = [d + a - b for d, a, b in zip(self._dropped, after, before, strict=True)]

    def _count(self, figures: Figures) -> None:
        late = [n - d for n, d in zip(_late(figures), self._dropped, strict=True)]
        self.late = [sum(pair) for pair in zip(self.late, late, strict=True)]
        self.cpu_s += figures.get(("cpu_seconds_total", ""), 0.0)
        self.up_s += self._clock() - self.life.began_s
        for name in ("faults_total", "held_back_words_total"):
            self.faults[name] += int(figures.get((name, ""), 0))

    async def picture(self) -> dict[str, Any]:
        """What the live view would show now."""
        shown: dict[str, Any] = json.loads(await self._net.line(self._watch))
        return shown


def _late(figures: Figures) -> list[float]:
    """Late turns, each class alone."""
    below, found = 0.0, []
    for bound_s in LATE_S:
        label = "+Inf" if bound_s == LATE_S[-1] else repr(bound_s)
        count = figures.get(("loop_late_seconds_bucket", label), below)
        found.append(count - below)
        below = count
    return found

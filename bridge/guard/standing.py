"""The guard over a running bridge: sees that it turns, tells how it is, quietens floods. I/O.

It has one beat, ten times a second, in the bridge's own loop. So what it says to be alive is true:
a loop that does not turn says nothing, and the service manager starts the bridge anew.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import time
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from typing import Protocol

from bridge import __version__, limits
from bridge.guard import health
from bridge.guard.facts import Facts, LinkLike, Run, facts
from bridge.guard.flood import Floods
from bridge.guard.notify import Notifier
from bridge.guard.stall import RECENT_S, TURN_S, Lateness, Stalls
from bridge.house import House
from bridge.rig.rig import Rig

log = logging.getLogger("foldbridge")

STATUS_S = 1.0
"""Time between two looks at what the service manager is shown."""

FAILING_S = 3.0
"""A house that has failed at every turn for so long does not come right by itself: the guard no
longer says that it is alive."""

SAID_AGAIN_S = 10.0
"""Stalls are told once in this time, and counted in between: an overloaded machine has many."""


class Outside(Protocol):
    """The links of a bridge."""

    @property
    def console(self) -> LinkLike:
        """The console's link."""

    @property
    def links(self) -> Sequence[LinkLike]:
        """Every link, the console's last."""


class Bridge(Protocol):
    """What the guard needs of a running bridge."""

    rig: Rig
    house: House

    @property
    def outside(self) -> Outside:
        """The links."""

    def followed(self) -> None:
        """Wishes were put before the rules, or time has passed: tell what follows."""


def slept_so_far_s() -> float:
    """Time that the machine has slept since it was started, s; 0 where the system does not say."""
    boot = getattr(time, "CLOCK_BOOTTIME", None)
    if boot is None:
        return 0.0
    return time.clock_gettime(boot) - time.clock_gettime(time.CLOCK_MONOTONIC)


class Guard:
    """Looks after one bridge.

    Args:
        bridge: The bridge.
        environ: What the service manager set.
        slept_s: Time that the machine has slept so far, s.

    Attributes:
        stalls: How the loop turned.
        lateness: How late the guard's own turns were.
        floods: Controllers that say too much.
        port: Where health is asked for; 0 for nowhere.
    """

    def __init__(
        self,
        bridge: Bridge,
        environ: Mapping[str, str] = os.environ,
        slept_s: Callable[[], float] = slept_so_far_s,
    ) -> None:
        declared = bridge.rig.file.health
        self._bridge, self._slept_s = bridge, slept_s
        self.stalls = Stalls(declared.stall_s, limits.TICK_S)
        self.lateness = Lateness()
        self.floods = Floods(bridge.house.controllers, declared.flood_per_s, self._tell_flood)
        self._meters = self.floods.meters
        self.notifier = Notifier(environ)
        self.port = 0
        self._since_unix_s, self._since_s = time.time(), -1.0
        self._faults, self._last_fault = 0, ""
        self._fault_s = self._failing_since_s = float("-inf")
        self._is_ready, self._fails = False, False
        self._status_s = self._ping_s = self._said_s = float("-inf")

    # -- what the bridge tells, at every turn ---------------------------------------------------

    def looked(self, now_s: float) -> None:
        """The loop turns."""
        stalls = self.stalls
        if now_s - stalls.seen_s > stalls.most_s:
            self._stood_still(stalls.stood_s(now_s), now_s)
        stalls.seen_s = now_s

    def heard(self, number: int, count: int, now_s: float) -> None:
        """A controller said something, and so the loop turns."""
        stalls = self.stalls
        if now_s - stalls.seen_s > stalls.most_s:  # for every batch: no call where nothing is wrong
            self._stood_still(stalls.stood_s(now_s), now_s)
        stalls.seen_s = now_s
        self._meters[number].count += count

    def failed(self, fault: Exception, now_s: float) -> None:
        """The house failed to act."""
        text = f"{type(fault).__name__}: {fault}"[:200]
        if text != self._last_fault:
            log.exception("the bridge failed to act (%s); it goes on, and counts what is the same",
                          text, exc_info=fault)  # fmt: skip
        self._faults, self._last_fault, self._fault_s = self._faults + 1, text, now_s
        if not self._fails:
            self._fails, self._failing_since_s = True, now_s

    def worked(self) -> None:
        """The house acted."""
        self._fails = False

    def ready(self) -> None:
        """All links have been opened."""
        self._is_ready = True
        self.notifier.ready(health.status_line(self.look()))

    # -- its own beat ---------------------------------------------------------------------------

    @contextlib.asynccontextmanager
    async def serve(self) -> AsyncIterator[None]:
        """Stand guard while the context lasts.

        Raises:
            LinkError: the address of `[health]` cannot be used.
        """
        loop = asyncio.get_running_loop()
        self._since_s = loop.time()
        place = self._bridge.rig.file.health.place
        async with contextlib.AsyncExitStack() as stack:
            if place is not None:
                from bridge.guard import serving

                self.port = await stack.enter_async_context(serving.serve(place, self.look))
                log.info("health: http://%s:%d/health", place[0], self.port)
            beating = loop.create_task(self._beat(), name="guard")
            try:
                yield
            finally:
                self.notifier.stopping()
                beating.cancel()

    async def _beat(self) -> None:
        loop = asyncio.get_running_loop()
        while True:
            now_s = loop.time()
            try:
                self.beat(now_s)
            except Exception as fault:  # whatever fails here, the next beat comes
                self.failed(fault, now_s)
            due_s = loop.time() + TURN_S
            await asyncio.sleep(TURN_S)
            self.lateness.add(loop.time() - due_s)

    def beat(self, now_s: float) -> None:
        """One beat."""
        self.looked(now_s)
        if slept_s := self.stalls.slept_s(self._slept_s(), now_s):
            self._slept(slept_s, now_s)
        if self.floods.advance(now_s):
            self._bridge.followed()
        if not (self._is_ready and self.notifier.listens):
            return
        if now_s >= self._ping_s and self.lives(now_s):
            self._ping_s = now_s + self.notifier.ping_s
            if self.notifier.watchdog_s:
                self.notifier.alive()
        if now_s >= self._status_s:
            self._status_s = now_s + STATUS_S
            self.notifier.status(health.status_line(self.look()))

    def lives(self, now_s: float) -> bool:
        """Whether the house acts when it should; that the loop turns, whoever asks proves."""
        return not (self._fails and now_s - self._failing_since_s > FAILING_S)

    # -- after standing still -------------------------------------------------------------------

    def _stood_still(self, seconds: float, now_s: float) -> None:
        """Nothing is made up for; and what the console did meanwhile must be read anew."""
        house = self._bridge.house
        house.stood_still(seconds)
        if now_s - self._said_s > SAID_AGAIN_S:
            self._said_s = now_s
            log.warning("the bridge stood still for %.2f s; ramps go on from where they were",
                        seconds)  # fmt: skip
        if seconds > house.console.terms.answer_s:
            self._read_anew(now_s)

    def _slept(self, seconds: float, now_s: float) -> None:
        """The machine slept, which the loop's clock does not count: only the world went on."""
        log.warning("the machine slept for %.0f s; the console is read anew", seconds)
        for controller in self._bridge.house.controllers.all:
            controller.words.clear()
            controller.show_all(now_s)
        self._read_anew(now_s)
        self._bridge.followed()

    def _read_anew(self, now_s: float) -> None:
        """Nothing rises before it is known where the console stands."""
        console = self._bridge.house.console
        if console.state == "live" and self._bridge.outside.console.state == "open":
            console.link_lost()
            console.link_open(now_s)

    # -- what is told ---------------------------------------------------------------------------

    def _tell_flood(self, begins: bool, text: str) -> None:
        log.log(logging.WARNING if begins else logging.INFO, "%s", text)

    def look(self) -> Facts:
        """All that is worth knowing now."""
        bridge = self._bridge
        return facts(bridge.house, bridge.outside.links, self._run())

    def _run(self) -> Run:
        now_s = asyncio.get_running_loop().time()
        stalls, cpu, kept = self.stalls, os.times(), self._bridge.house.journal.state()
        return Run(
            version=__version__,
            since_unix_s=self._since_unix_s,
            up_s=now_s - self._since_s,
            memory_bytes=memory_bytes(),
            cpu_s=cpu.user + cpu.system,
            stalls=stalls.count,
            longest_stall_s=stalls.longest_s,
            asleep_s=stalls.asleep_s,
            late=tuple(self.lateness.counts),
            late_sum_s=self.lateness.sum_s,
            stalled_lately=stalls.recent(now_s),
            faults=self._faults,
            last_fault=self._last_fault,
            failed_lately=now_s - self._fault_s <= RECENT_S,
            failing=not self.lives(now_s),
            floods=self.floods.count,
            thinned=self.floods.thinned,
            returned=": ".join(filter(None, self._bridge.house.returned[:2])),
            journal="; ".join(f"{part}: {why}" for part, why in kept.items() if why != "kept"),
        )


def memory_bytes() -> int:
    """Memory of this process in use, bytes; 0 where the system does not say (proc(5), statm)."""
    try:
        with open("/proc/self/statm", "rb") as file:
            return int(file.read(200).split()[1]) * os.sysconf("SC_PAGE_SIZE")
    except (OSError, ValueError, IndexError):
        return 0

"""The daemon: opens the links, owns every task and the only clock. I/O."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import logging
import signal
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Protocol

from bridge import limits, services, watching
from bridge.console.kept import Journal
from bridge.errors import LinkError
from bridge.guard.standing import Guard
from bridge.house import House
from bridge.house import Roads as HouseRoads
from bridge.links.base import Batch, Link
from bridge.loading import load, marks_of
from bridge.maps.controller import ControllerWords
from bridge.maps.model import MapFile
from bridge.rig.rig import Rig
from bridge.roads import Roads
from bridge.telling import Telling

log = logging.getLogger("foldbridge")

_MEANT = {
    "reading": ": nothing is told before it has answered; if this stays, check its address",
    "live": "",
    "lost": ": nothing rises until it answers again; check its power and the cable",
}


RETRY_S = 0.2
"""After a wake that failed the next one comes so much later: often enough for ramps to go on."""


class Outside(Protocol):
    """What the daemon needs of the outside: the real links, or simulated ones."""

    console: Link
    replies: list[Callable[[bytes], bool]]

    @property
    def links(self) -> list[Link]:
        """Every link; the console's last."""


MakeOutside = Callable[
    [Rig, Callable[[Batch], None], Callable[[int, Batch], None], Callable[[str, str], None]],
    Outside,
]


class Daemon:
    """A rig running on its links.

    Args:
        rig: What was declared.
        maps: Its maps, by the names it uses.
        make_outside: Makes the links.
        journal: Keeps levels and gestures beyond the life of this process; none where missing.

    Raises:
        FileError: the file of the ring marks is there and cannot be used.
    """

    def __init__(
        self,
        rig: Rig,
        maps: Mapping[str, MapFile],
        make_outside: MakeOutside = Roads,
        journal: Journal | None = None,
    ) -> None:
        self.rig, self.maps = rig, maps
        self.outside = make_outside(rig, self._console_heard, self._heard, self._changed)
        roads = HouseRoads(
            self.outside.console.send, self.outside.replies, self.outside.console.reliable
        )
        self._telling = Telling(rig, self._now_s)
        self.house = House(rig, maps, roads, self._telling.verdict, journal)
        stage = self.house.engine.stage
        if stage is not None:
            stage.use_marks(marks_of(rig))
        self.presets = services.presets_of(self, self._now_s)
        self.guard = Guard(self)
        self.taps: list[Callable[[int, Batch, float], None]] = []
        self.first_gesture_s: float | None = None
        self._console_state = ""
        self._timer: asyncio.TimerHandle | None = None
        self._due_s = float("inf")
        self._telling.listen(self.house)
        self._loop: asyncio.AbstractEventLoop

    async def run(self, ready: Callable[[], None] = lambda: None) -> None:
        """Run until cancelled; the console is left as it is.

        Args:
            ready: Called once all links have been opened.

        Raises:
            LinkError: a link can never work as declared.
        """
        self._loop = asyncio.get_running_loop()
        opened: list[Link] = []
        try:
            async with contextlib.AsyncExitStack() as stack:
                await stack.enter_async_context(services.serve(self))
                for link in self.outside.links:
                    opened.append(link)
                    await self._open(link)
                log.info("ready: %s", self.rig.file.rig.name)
                self.guard.ready()
                ready()
                await asyncio.get_running_loop().create_future()
        finally:
            if self._timer is not None:
                self._timer.cancel()
            for link in opened:
                await link.close()
            log.info("stopped; the console is left as it is")

    async def _open(self, link: Link) -> None:
        """Open a link; a controller that cannot be reached must not keep the others waiting."""
        try:
            await link.open()
        except LinkError as error:
            if link is self.outside.console or not error.found.startswith("python-rtmidi"):
                raise
            log.warning("%s", error)

    # -- what the links hear --------------------------------------------------------------------

    def _console_heard(self, batch: Batch) -> None:
        now_s = self._loop.time()
        self.guard.looked(now_s)
        self.house.from_console(batch, now_s)
        self._schedule(now_s)

    def _heard(self, number: int, batch: Batch) -> None:
        now_s = self._loop.time()
        self.guard.heard(number, len(batch), now_s)
        for tap in self.taps:
            tap(number, batch, now_s)
        gestures = self.house.controllers.gestures
        self.house.from_controller(number, [data for data, _ in batch], now_s, time.time())
        self.house.settle(now_s)
        if self.presets is not None:
            self.presets.heard([data for data, _ in batch], self.house.controllers.all[number].who)
            if self.house.controllers.gestures != gestures:
                self.presets.touched()
        if self.first_gesture_s is None:
            self.first_gesture_s = now_s
        if self.house.in_haste():
            self._schedule(now_s)
        elif self._due_s > now_s + limits.TICK_S:
            self._alarm(now_s + limits.TICK_S)  # working out what is next, every time, costs more

    def _changed(self, name: str, state: str) -> None:
        now_s = asyncio.get_running_loop().time()
        if name == "console":
            if state == "open":
                self.house.console.link_open(now_s)
            elif state == "lost":
                self.house.console.link_lost()
        elif state in ("open", "lost"):
            for controller in self.house.controllers.all:
                if controller.name == name:
                    controller.words.clear()  # a key held when the plug came out is no long press
                    controller.show_all(now_s)
        if state != "closed":
            self.house.settle(now_s)
            self._schedule(now_s)

    # -- learning a control ---------------------------------------------------------------------

    def learn(self, number: int, on: bool) -> None:
        """Leave a controller's movements out of the mix while it is learned at."""
        self.house.controllers.all[number].taught = on

    def exchange(self, number: int, words: ControllerWords) -> None:
        """A controller's map has a new entry: it is in force from now on."""
        now_s = self._loop.time()
        self.house.controllers.exchange(number, words, now_s)
        self._telling.listen(self.house)
        self.house.settle(now_s)
        self._schedule(now_s)

    # -- time -----------------------------------------------------------------------------------

    def _now_s(self) -> float:
        return self._loop.time()

    def wished(self) -> None:
        """A hand in this process has put wishes before the rules: tell what follows."""
        if self.presets is not None:
            self.presets.touched()
        self.followed()

    def followed(self) -> None:
        """Wishes were put before the rules that no hand made just now: tell what follows."""
        now_s = self._loop.time()
        self.guard.looked(now_s)
        if self.presets is not None:
            self.presets.take_calls()
        self.house.settle(now_s)
        self._schedule(now_s)

    def _schedule(self, now_s: float) -> None:
        """Set the alarm for whatever comes next, unless it is set for earlier already."""
        console = self.house.console
        link_waits = self.outside.console.state in ("closed", "opening")
        if console.state != self._console_state and not link_waits:
            self._console_state = console.state
            log.info("console %s%s", console.state, _MEANT[console.state])
            if console.state == "live":  # levels were set that no hand asked for
                for controller in self.house.controllers.all:
                    controller.show_all(now_s)
        due_s = self.house.next_wake_s(now_s)
        if due_s < self._due_s:
            self._alarm(due_s)

    def _alarm(self, due_s: float) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._due_s = due_s
        self._timer = self._loop.call_at(due_s, self._wake)

    def _wake(self) -> None:
        self._timer, self._due_s = None, float("inf")
        now_s = self._loop.time()
        self.guard.looked(now_s)
        try:
            self._turn(now_s)
        except Exception as fault:  # one that fails must not end everybody's ramps
            self.guard.failed(fault, now_s)
            self._alarm(now_s + RETRY_S)
        else:
            self.guard.worked()

    def _turn(self, now_s: float) -> None:
        self.house.wake(now_s)
        if self.presets is not None:  # a long press, or a bundle whose time has come
            self.presets.take_calls()
        self._schedule(now_s)
        self._telling.look(self.house)

    # -- what people see ------------------------------------------------------------------------

    def picture(self) -> dict[str, object]:
        """All that a watcher shows, as plain data."""
        return watching.picture(self.house, self.outside.links, self._loop.time())


async def run(path: Path) -> None:
    """Run a rig until SIGINT or SIGTERM.

    Raises:
        RigError, MapError, LinkError: it cannot run as declared.
    """
    gc.disable()  # what is compiled now is kept: collecting meanwhile takes as long as compiling
    rig, maps = load(path)
    loop = asyncio.get_running_loop()
    stop = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        with contextlib.suppress(NotImplementedError):
            loop.add_signal_handler(number, stop.set)
    with services.journal_of(rig) as journal:
        await _until(stop, Daemon(rig, maps, journal=journal))


async def _until(stop: asyncio.Event, daemon: Daemon) -> None:
    async with asyncio.TaskGroup() as group:
        task = group.create_task(daemon.run(_collect_seldom), name="daemon")
        stopper = group.create_task(_cancel_when(stop, task), name="stopper")
        task.add_done_callback(lambda _: stopper.cancel())


def _collect_seldom() -> None:
    """Look no more through what is compiled: a full collection would stall the loop for 40 ms."""
    gc.freeze()
    gc.set_threshold(*limits.COLLECT_AFTER)
    gc.enable()


async def _cancel_when(stop: asyncio.Event, task: asyncio.Task[None]) -> None:
    await stop.wait()
    task.cancel()

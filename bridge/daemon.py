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
from typing import TYPE_CHECKING, Protocol

from bridge import limits, watching
from bridge.errors import Fault, LinkError, MapError
from bridge.house import House
from bridge.house import Roads as HouseRoads
from bridge.links.base import Batch, Link
from bridge.maps.console import ConsoleWords
from bridge.maps.controller import ControllerWords
from bridge.maps.load import parse_map
from bridge.maps.model import MapFile
from bridge.mix.gesture import Verdict, explain
from bridge.rig.fits import misfits
from bridge.rig.layout import Parameter
from bridge.rig.load import load_rig, read_map
from bridge.rig.rig import Rig
from bridge.roads import Roads

if TYPE_CHECKING:
    from bridge.presets.serving import Serving
    from bridge.stage.rings import RingMark

log = logging.getLogger("foldbridge")

_MEANT = {
    "reading": ": nothing is told before it has answered; if this stays, check its address",
    "live": "",
    "lost": ": nothing rises until it answers again; check its power and the cable",
}

SAME_VERDICT_S = 1.0
"""A control at its ceiling is refused with every message: its line is logged once a second."""


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


def load(path: Path) -> tuple[Rig, dict[str, MapFile]]:
    """Read a rig and every map that it names, and see that each map suits its place.

    Raises:
        RigError: with every fault of the rig's file.
        MapError: with every fault of its maps.
    """
    rig = load_rig(path)
    names = {rig.file.console.map, *(controller.map for controller in rig.file.controller)}
    maps: dict[str, MapFile] = {}
    faults: list[Fault] = []
    for name in sorted(names):
        try:
            maps[name] = parse_map(*read_map(rig, name))
        except MapError as error:
            faults += error.faults
    faults += misfits(rig, maps)
    if faults:
        raise MapError(faults)
    return rig, maps


_SHOW_CONTROL = b"\xf0\x7f"
"""How a universal real time message begins, MIDI Show Control among them."""


def _minute_of_day() -> int:
    """Local time, 0..1439."""
    now = time.localtime()
    return 60 * now.tm_hour + now.tm_min


def _gesture(rig: Rig, slot: int) -> str:
    """What the presets call that which a slot asks for."""
    from bridge.presets import room, running

    place = rig.layout.place(slot)
    if place.parameter is Parameter.PRESET:
        return rig.layout.presets[place.channel]
    return {
        Parameter.PRESET_NEXT: room.NEXT,
        Parameter.PRESET_PREVIOUS: room.PREVIOUS,
        Parameter.PRESET_HOUSE: room.HOUSE,
        Parameter.PRESET_UNDO: running.UNDO,
    }[place.parameter]


def marks_of(rig: Rig) -> tuple[RingMark, ...]:
    """The ring marks of a rig; none where it has no stage, which then loads nothing for it.

    Raises:
        FileError: the file of the marks is there and cannot be used.
    """
    if rig.file.stage is None:
        return ()
    from bridge.soundcheck.marks_file import load_marks

    return load_marks(rig)


class Daemon:
    """A rig running on its links.

    Args:
        rig: What was declared.
        maps: Its maps, by the names it uses.
        make_outside: Makes the links.

    Raises:
        FileError: the file of the ring marks is there and cannot be used.
    """

    def __init__(
        self, rig: Rig, maps: Mapping[str, MapFile], make_outside: MakeOutside = Roads
    ) -> None:
        self.rig = rig
        self.outside = make_outside(rig, self._console_heard, self._heard, self._changed)
        roads = HouseRoads(
            self.outside.console.send, self.outside.replies, self.outside.console.reliable
        )
        self.house = House(rig, maps, roads, self._verdict)
        stage = self.house.engine.stage
        if stage is not None:
            stage.use_marks(marks_of(rig))
        self.presets = self._served()
        self.first_gesture_s: float | None = None
        self._console_state = ""
        self._timer: asyncio.TimerHandle | None = None
        self._due_s = float("inf")
        self._logged: dict[tuple[str, int, str], float] = {}
        self._clear_so_far = self._speakers()
        self._loop: asyncio.AbstractEventLoop

    def _served(self) -> Serving | None:
        """The presets of a rig that names some."""
        if not self.rig.layout.presets:
            return None
        from bridge.presets.running import Running
        from bridge.presets.serving import Serving

        people, wishes = self.house.engine.people, self.house.engine.wishes
        running = Running(
            self.house,
            clock=lambda: self._loop.time(),
            wished=self.wished,
            tell=lambda text: log.info("%s", text),
            use_windows=lambda windows: setattr(wishes, "windows", windows),
            on_current=people.recalled,
        )
        return Serving(running, _minute_of_day)

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
                await self._serve_watchers(stack)
                self._serve_presets(stack)
                for link in self.outside.links:
                    opened.append(link)
                    await self._open(link)
                gc.freeze()  # a full collection of the compiled maps would stall the loop 40 ms
                gc.set_threshold(*limits.COLLECT_AFTER)
                gc.enable()
                log.info("ready: %s", self.rig.file.rig.name)
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

    async def _serve_watchers(self, stack: contextlib.AsyncExitStack) -> None:
        address = self.rig.file.daemon.watch
        if address is not None:
            await stack.enter_async_context(watching.serve(address, self.picture))

    def _serve_presets(self, stack: contextlib.AsyncExitStack) -> None:
        if self.presets is not None:
            task = self._loop.create_task(self.presets.serve(), name="presets")
            stack.callback(task.cancel)

    def _take_calls(self) -> None:
        """Hand on the presets that somebody called for."""
        people = self.house.engine.people
        calls, people.calls = people.calls, []
        for who, slot in calls:
            if self.presets is not None and (
                why := self.presets.call(who, _gesture(self.rig, slot))
            ):
                log.info("%s: preset: %s", self.rig.person(who), why)

    # -- what the links hear --------------------------------------------------------------------

    def _console_heard(self, batch: Batch) -> None:
        now_s = self._loop.time()
        self.house.from_console(batch, now_s)
        self._schedule(now_s)

    def _heard(self, number: int, batch: Batch) -> None:
        now_s = self._loop.time()
        self.house.from_controller(number, [data for data, _ in batch], now_s, time.time())
        self.house.settle(now_s)
        if self.presets is not None:
            self._heard_by_presets(number, batch)
        if self.first_gesture_s is None:
            self.first_gesture_s = now_s
        if self.house.in_haste():
            self._schedule(now_s)
        elif self._due_s > now_s + limits.TICK_S:
            self._alarm(now_s + limits.TICK_S)  # working out what is next, every time, costs more

    def _heard_by_presets(self, number: int, batch: Batch) -> None:
        assert self.presets is not None
        self.presets.touched()
        who = self.house.controllers.all[number].who
        for data, _ in batch:
            if data.startswith(_SHOW_CONTROL) and (why := self.presets.show_control(data, who)):
                log.info("show control: %s", why)
        if self.house.engine.people.calls:
            self._take_calls()

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

    # -- time -----------------------------------------------------------------------------------

    def wished(self) -> None:
        """Somebody in this process has put wishes before the rules: tell what follows."""
        now_s = self._loop.time()
        if self.house.engine.people.calls:
            self._take_calls()
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
        self.house.wake(now_s)
        if self.house.engine.people.calls:  # a long press, or a bundle whose time has come
            self._take_calls()
        self._schedule(now_s)
        self._tell_rubbish()
        self._tell_notices()

    # -- what people see ------------------------------------------------------------------------

    def _verdict(self, controller: str, verdict: Verdict) -> None:
        now_s = self._loop.time()
        key = (controller, verdict.slot, verdict.rule)
        if now_s - self._logged.get(key, -SAME_VERDICT_S) < SAME_VERDICT_S:
            return
        if len(self._logged) > 1000:
            self._logged.clear()
        self._logged[key] = now_s
        log.info("%s: %s", controller, explain(verdict, self.rig))

    def _speakers(self) -> dict[str, tuple[ConsoleWords | ControllerWords, str]]:
        """The words of everybody who may say something that means nothing, with their map."""
        declared = self.rig.file.controller
        speakers: dict[str, tuple[ConsoleWords | ControllerWords, str]] = {
            one.name: (one.words, declared[number].map)
            for number, one in enumerate(self.house.controllers.all)
        }
        speakers["console"] = (self.house.console.words, self.rig.file.console.map)
        return speakers

    def _tell_rubbish(self) -> None:
        """Log the first message of each that means nothing: a wrong map is silent otherwise."""
        for name, (words, map_name) in list(self._clear_so_far.items()):
            if words.unknown:
                del self._clear_so_far[name]
                log.warning("%s: %s means nothing in %s (from now on only counted)",
                            name, words.last_unknown, map_name)  # fmt: skip

    def _tell_notices(self) -> None:
        """Log what the ears have had, at the doses that the rig declares."""
        stage = self.house.engine.stage
        if stage is not None and stage.listening.notices:
            for text in stage.listening.notices:
                log.warning("%s", text)
            stage.listening.notices.clear()

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
    async with asyncio.TaskGroup() as group:
        task = group.create_task(Daemon(rig, maps).run(), name="daemon")
        stopper = group.create_task(_cancel_when(stop, task), name="stopper")
        task.add_done_callback(lambda _: stopper.cancel())


async def _cancel_when(stop: asyncio.Event, task: asyncio.Task[None]) -> None:
    await stop.wait()
    task.cancel()

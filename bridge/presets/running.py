"""Presets of a running bridge: recalled, stored, undone, copied, one after the other. I/O.

Files are read and written in a thread, so that a slow disk holds nobody up. A recall wishes some
values at a time, and gestures of other hands come in between.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterable
from datetime import UTC, datetime
from typing import Any

from bridge.errors import Fault
from bridge.house import House
from bridge.mix.gesture import RULES
from bridge.mix.matrix import Matrix
from bridge.presets import files, room
from bridge.presets.preset import Preset, PresetError
from bridge.presets.recall import Change, Recall, Report, undone, wish_for
from bridge.presets.values import (
    Difference,
    Target,
    Wanted,
    copied,
    differences,
    safe_slots,
    stored,
    targets,
)
from bridge.rig.presets import reachable
from bridge.rig.rig import ENGINEER
from bridge.wire.midi_show import cue_order

WISHES_AT_ONCE = 64
"""Wishes put before the rules in one go: about a millisecond, which no hand notices."""

WAITING_MAX = 16
"""Gestures that wait for their recall: nobody presses a switch more often on purpose."""

BUSY = "other presets are still being recalled"

UNDO = "undo preset"
"""The gesture that takes a recall back."""

CUE = "cue "
"""Begins the gesture of a cue, as ``cue 91.5``; without a number it is the next one."""

Aside = Callable[..., Awaitable[Any]]
"""Runs a function somewhere else: the function, then its arguments."""

SILENT = frozenset({"console silent", "console unread"})
"""Rules that refuse what may be tried again later."""


class Running:
    """The presets of one house.

    Args:
        house: The rig at work.
        clock: This moment on the bridge's clock, s.
        wished: Called after a batch of wishes, so that the console hears of them.
        tell: Hears the report of every recall, for the log.
        use_windows: Takes how far performers may move each level, after a room's recall.
        on_current: Hears the name of what was recalled, for lamps.
        aside: Does what may take its time, away from the loop.

    Attributes:
        room: The room, where the rig declares one.
        current: Name of the preset recalled last; empty when none was.
    """

    def __init__(
        self,
        house: House,
        *,
        clock: Callable[[], float],
        wished: Callable[[], None],
        tell: Callable[[str], None] = lambda text: None,
        use_windows: Callable[[dict[int, room.Window]], None] = lambda windows: None,
        on_current: Callable[[str], None] = lambda name: None,
        aside: Aside = asyncio.to_thread,
    ) -> None:
        self.house, self.rig, self.engine = house, house.rig, house.engine
        self.clock, self._wished, self.tell = clock, wished, tell
        self._use_windows, self._on_current, self._aside = use_windows, on_current, aside
        self._safe = safe_slots(self.rig, self.engine.matrix)
        self._order = reachable(self.rig.file)
        self._turn = asyncio.Lock()
        self._waiting = 0
        self._last: dict[int, tuple[str, list[Change]]] = {}
        self._good: dict[str, Preset] = {}
        self.current = ""
        plan = room.plan_of(self.rig)
        self.room = None if plan is None else room.Room(plan)

    # -- what people ask for -------------------------------------------------------------------

    async def recall(self, gesture: str, who: int) -> Report:
        """Recall a preset as somebody; what is not theirs to move is left alone.

        In a room it is the room that recalls, and only what it declares.

        Args:
            gesture: Its name, or ``room.NEXT``, ``room.PREVIOUS``, ``room.HOUSE``, a cue.
            who: Performer's number, -1 the engineer.

        Returns:
            What became of it. A damaged file changes nothing; the report says why.
        """

        async def act(report: Report) -> None:
            name = await self._named(gesture, report)
            if not report.refusal:
                await (self._recall(name, report) if self.room is None else
                       self._choose(self.room, name, report))  # fmt: skip

        return await self._in_turn(Report(gesture, who), act)

    async def undo(self, who: int) -> Report:
        """Take back the last recall or copy of somebody; for the engineer the last of all.

        What somebody has moved since stays.
        """

        async def act(report: Report) -> None:
            whose = next(reversed(self._last), None) if who == ENGINEER else who
            last = None if whose is None else self._last.pop(whose, None)
            if last is None:
                report.refusal = "there is no recall to undo"
                return
            name, changes = last
            report.title = f"undo of {name}"
            await self._wish_all(undone(changes, self.engine, report), report)

        return await self._in_turn(self._unless_in_room(Report("undo", who)), act)

    async def copy(self, source: str, target: str, who: int, *, master: bool = False) -> Report:
        """Copy the sends of one bus onto another; it can be undone as a recall can.

        Args:
            source: Id of the bus whose mix it is.
            target: Id of the bus that gets it.
            who: Performer's number, -1 the engineer.
            master: Its master too.
        """
        buses = self.rig.layout.buses
        report = self._unless_in_room(Report(f"{source} onto {target}", who))
        for name in (source, target):
            if name not in buses:
                report.refusal = f"there is no bus {name!r}, there are {', '.join(buses)}"

        async def act(report: Report) -> None:
            here, there = buses.index(source), buses.index(target)
            wanted = copied(self.engine.matrix, here, there, master=master)
            await self._wish_all(list(wanted), report)
            self._remember(report)

        return await self._in_turn(report, act)

    async def store(self, name: str, who: int, wanted: Wanted, *, replace: bool = False) -> Preset:
        """Store the mix as it is asked now.

        Args:
            name: Its name.
            who: Performer's number, -1 the engineer.
            wanted: What to store.
            replace: Another one of this name may go; a performer's only when it is all theirs.

        Raises:
            PresetError: it cannot be stored; nothing was written.
        """
        if self.room is not None and (why := self.room.refusal(who)):
            raise PresetError([Fault("preset", f"one from {self.rig.person(who)}", why)])
        when = datetime.now(UTC).replace(microsecond=0)
        preset = stored(self.engine.matrix, self.rig, wanted, who, when)
        own = None if who == ENGINEER else self.rig.file.performer[who].buses
        async with self._turn:
            await self._aside(files.write_preset, self.rig, name, preset, replace=replace, own=own)
        return preset

    async def compare(self, name: str) -> tuple[Difference, ...]:
        """Where the mix that is asked now is not as a preset has it.

        Raises:
            PresetError: the preset cannot be read or is damaged.
        """
        preset: Preset = await self._aside(files.read_preset, self.rig, name)
        return differences(targets(preset, self.engine.matrix), self.engine.matrix)

    async def listed(self) -> tuple[files.Listed, ...]:
        """Every preset in the folder, damaged ones with their fault.

        Raises:
            PresetError: the folder itself cannot be used.
        """
        found: tuple[files.Listed, ...] = await self._aside(files.read_all, self.rig)
        return found

    # -- one after the other --------------------------------------------------------------------

    async def _in_turn(self, report: Report, act: Callable[[Report], Awaitable[None]]) -> Report:
        """Act when those before have finished, unless the report says no already; tell of it."""
        if self._waiting >= WAITING_MAX:
            report.refusal = BUSY
        if not report.refusal:
            self._waiting += 1
            try:
                async with self._turn:
                    await act(report)
            finally:
                self._waiting -= 1
        self.tell(report.text(self.rig))
        return report

    def _unless_in_room(self, report: Report) -> Report:
        report.refusal = "" if self.room is None else self.room.refusal(report.who)
        return report

    async def _named(self, gesture: str, report: Report) -> str:
        """The name that a gesture means; in a room it may stay a gesture."""
        if gesture.startswith(CUE):
            return await self._cued(gesture.removeprefix(CUE), report)
        if self.room is not None or gesture not in room.GESTURES:
            return gesture
        name = room.walked(self._order, self.current, gesture)
        if not name:
            report.refusal = "the rig names no presets in [presets] order"
        return name

    async def _cued(self, cue: str, report: Report) -> str:
        """The preset of a cue; without a number the one whose cue comes next."""
        try:
            listed = await self.listed()
        except PresetError as error:
            report.refusal = str(error)
            return ""
        known = [(one.name, one.preset.cue) for one in listed if one.preset and one.preset.cue]
        if not cue:
            now = next((cue for name, cue in known if name == self.current), "")
            later = [c for _, c in known if not now or cue_order(c) > cue_order(now)]
            cue = min(later, key=cue_order, default="")
        names = [name for name, one in known if one == cue]
        if len(names) != 1:
            report.refusal = (
                f"{' and '.join(names) or 'no preset'} has the cue {cue}, expected one preset"
                if cue else "no cue comes next"
            )  # fmt: skip
        return names[0] if len(names) == 1 else ""

    async def _read(self, name: str, report: Report) -> Preset | None:
        """A preset; in a room the last good one where the file is damaged now."""
        try:
            preset: Preset = await self._aside(files.read_preset, self.rig, name)
        except PresetError as error:
            known = self._good.get(name)
            if known is None:
                report.refusal = str(error)
            else:
                self.tell(f"{error}\n{name}: used as it was read last")
            return known
        if self.room is not None:
            self._good[name] = preset
        return preset

    async def _recall(self, name: str, report: Report) -> None:
        preset = await self._read(name, report)
        if preset is None:
            return
        report.title = preset.label or name
        await self._wish_all(await self._targets(preset), report)
        self._remember(report)
        self._stands(name)

    async def _targets(self, preset: Preset) -> list[Target]:
        """What a preset wants; a large one takes some time."""
        found: list[Target] = await self._aside(_listed, preset, self.engine.matrix)
        return found

    def _stands(self, name: str) -> None:
        self.current = name
        self._on_current(name)

    def _remember(self, report: Report) -> None:
        """Keep what a recall changed, for an undo; the newest stands last."""
        self._last.pop(report.who, None)
        if report.changes:
            self._last[report.who] = (report.title, report.changes)

    async def _wish_all(
        self, wanted: Iterable[Target], report: Report, *, also_safe: frozenset[int] = frozenset()
    ) -> None:
        """Put all before the rules, some at a time."""
        wish = wish_for(self.house.controllers.wish, report.who, self.clock)
        safe = self._safe | also_safe
        recall = Recall(self.engine, wish, wanted, safe=safe, report=report)
        while recall.step(WISHES_AT_ONCE):
            self._wished()
            await asyncio.sleep(0)
        self._wished()

    # -- the room -------------------------------------------------------------------------------

    async def _choose(self, here: room.Room, gesture: str, report: Report) -> None:
        """A hand asks the room for a preset; the room recalls it, with the engineer's rights."""
        if self.engine.guard.frozen[report.who]:
            report.refusal = RULES["frozen"]
            return
        order = here.choose(report.who, gesture, self.clock())
        if isinstance(order, str):
            report.refusal = order
            return
        await self.carry_out(here, order, report)

    async def obey(self, here: room.Room, order: room.Order) -> Report:
        """Carry out what a room wants by itself."""
        return await self._in_turn(
            Report(order.preset), lambda report: self.carry_out(here, order, report)
        )

    async def carry_out(self, here: room.Room, order: room.Order, report: Report) -> None:
        """Recall for a room: open where it is ordered, then as any recall, then the window.

        A mix that the engineer has taken over is left alone.
        """
        preset = await self._read(order.preset, report)
        if preset is None:
            return
        asker, report.who = self.rig.person(report.who), ENGINEER
        by = f", {asker}" if order.asked else ""
        report.title = f"{preset.label or order.preset} ({order.why}{by})"
        m = self.engine.matrix
        held = frozenset(
            slot for bus in range(m.buses) if self.engine.guard.held[bus]
            for slot in (*m.sends_of_bus(bus), *room.around(m, bus))
        )  # fmt: skip
        wanted = await self._targets(preset)
        await self._wish_all(room.opening(order, preset, m), report, also_safe=held)
        await self._wish_all(wanted, report, also_safe=held)
        self._remember(report)
        self._use_windows(room.windows(wanted, here.plan.window_db, m))
        here.recalled(order, silent=any(verdict.rule in SILENT for verdict in report.left))
        self._stands(order.preset)

    async def read_ahead(self) -> None:
        """Read every preset of a room, so that a file that is damaged later does no harm."""
        for name in () if self.room is None else self.room.plan.presets:
            report = Report(name)
            if await self._read(name, report) is None:
                self.tell(report.text(self.rig))


def _listed(preset: Preset, m: Matrix) -> list[Target]:
    return list(targets(preset, m))

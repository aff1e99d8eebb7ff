"""Whole bridges that die in the middle of busy evenings and come back."""

from __future__ import annotations

import asyncio
import contextlib
from pathlib import Path
from typing import Any

from bridge.journal.keeper import Keeper
from bridge.rig.journal import Journal
from bridge.rig.layout import Parameter as P
from bridge.simulator.recording import note
from support.kept import BOOT, die
from support.whole import Kind, Run


class Returning(Run):
    """A run in which the bridge dies now and then, in the middle of what people do."""

    def __init__(
        self, seed: int, kind: Kind, folder: Path, seconds: float = 300.0, **more: Any
    ) -> None:
        super().__init__(seed, kind, seconds=seconds, **more)
        self.boot = BOOT
        self.settings = Journal(directory=str(folder), memory=str(folder))
        folder.mkdir(exist_ok=True)
        self.folder = folder
        self.ways: list[str] = []
        self.now: asyncio.Task[None] | None = None

    def _keeper(self) -> Keeper:
        # where nothing can be read, the console is one that keeps its levels: it does, here
        keeper = Keeper(
            self.rig, self.settings, keeps_levels=not self.kind.readback, boot=lambda: self.boot
        )
        keeper.start()
        return keeper

    async def _fault(self, loop: asyncio.AbstractEventLoop) -> None:
        if self.random.random() < 0.3:
            await super()._fault(loop)
        for _ in range(self.random.randint(1, 12)):
            self._gesture()
            await asyncio.sleep(self.random.choice((0.0, 0.003, 0.02, 0.1)))
        await self._crash(loop)

    async def _crash(self, loop: asyncio.AbstractEventLoop) -> None:
        """The bridge is gone, and a new one comes some time later."""
        old = self.now or next(t for t in asyncio.all_tasks() if t.get_name() == "bridge")
        journal: Any = self.daemon.house.journal
        self.lines.append(note(loop.time(), "crash"))
        die(journal)
        self.daemon.house.console._send = lambda data: False  # the dead say nothing
        journal.look = lambda now_s: None
        old.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await old
        await self._meanwhile(loop)
        await self._come_back(loop)

    async def _meanwhile(self, loop: asyncio.AbstractEventLoop) -> None:
        """What happens while no bridge is there."""
        await asyncio.sleep(self.random.choice((0.2, 0.5, 4.0)))

    async def _come_back(self, loop: asyncio.AbstractEventLoop) -> None:
        keeper, began, now_s = self._keeper(), len(self.lines), loop.time()
        self.daemon = self._bridge(keeper)
        self.now = loop.create_task(self.daemon.run(), name="next bridge")
        for _ in range(400):
            await asyncio.sleep(0.05)
            if self.daemon.house.returned.way:
                break
        self.ways.append(self.daemon.house.returned.way)
        if self.ways[-1] == "cold":
            self.lines[began:began] = self._cold(now_s)
        await asyncio.sleep(8.0)

    def _cold(self, now_s: float) -> list[dict[str, Any]]:
        """Notes of a cold start: what the rig declares to open by itself is asked for anew."""
        layout, notes = self.rig.layout, [note(now_s, "start")]
        for bus, declared in enumerate(self.rig.file.bus):
            if declared.auto_open:
                sends = [layout.slot(P.SEND_LEVEL, c, bus) for c in range(len(layout.channels))]
                slots = [layout.slot(P.BUS_MASTER, -1, bus), *sends]
                notes.append(note(now_s, "person", slots=slots))
        return notes

    async def _play(self, loop: asyncio.AbstractEventLoop) -> None:
        """The first bridge had no journal yet: it is replaced before anybody does anything."""
        await asyncio.sleep(0.5)
        self.daemon.house.console._send = lambda data: False
        old = next(t for t in asyncio.all_tasks() if t.get_name() == "bridge")
        old.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await old
        await asyncio.sleep(1.0)  # what it said has arrived
        await self._come_back(loop)
        await super()._play(loop)

    async def _arrive(self, loop: asyncio.AbstractEventLoop) -> None:
        await super()._arrive(loop)
        journal: Any = self.daemon.house.journal
        die(journal)
        journal.look = lambda now_s: None
        assert self.now is not None
        self.now.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self.now

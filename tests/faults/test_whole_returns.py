"""Whole bridges that die in the middle of busy evenings and come back, judged by the witness."""

from __future__ import annotations

import asyncio
import contextlib
import os
from pathlib import Path
from typing import Any

import pytest
from support.kept import die
from support.whole import KINDS, Kind, Run

from bridge.daemon import Daemon
from bridge.journal import resuming
from bridge.journal.keeper import Keeper
from bridge.mix.engine import Engine
from bridge.rig.journal import Journal
from bridge.simulator.recording import note

RUNS = int(os.environ.get("FOLDBRIDGE_RETURNS", "10"))
"""Seeded runs; more with FOLDBRIDGE_RETURNS=500."""

pytestmark = pytest.mark.long


class Returning(Run):
    """A run in which the bridge dies now and then, in the middle of what people do."""

    def __init__(self, seed: int, kind: Kind, folder: Path, seconds: float = 300.0) -> None:
        super().__init__(seed, kind, seconds=seconds)
        self.settings = Journal(directory=str(folder), memory=str(folder))
        folder.mkdir(exist_ok=True)
        self.ways: list[str] = []
        self.now: asyncio.Task[None] | None = None

    def _keeper(self) -> Keeper:
        # where nothing can be read, the console is one that keeps its levels: it does, here
        keeper = Keeper(self.rig, self.settings, keeps_levels=not self.kind.readback)
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
        await asyncio.sleep(self.random.choice((0.05, 0.5, 4.0)))
        await self._come_back(loop)

    async def _come_back(self, loop: asyncio.AbstractEventLoop) -> None:
        keeper = self._keeper()
        self.daemon = Daemon(self.rig, self.maps, self._outside, keeper)
        self.now = loop.create_task(self.daemon.run(), name="next bridge")
        for _ in range(400):
            await asyncio.sleep(0.05)
            if self.daemon.house.returned.way:
                break
        self.ways.append(self.daemon.house.returned.way)
        await asyncio.sleep(8.0)

    async def _play(self, loop: asyncio.AbstractEventLoop) -> None:
        """The first bridge had no journal yet: it is replaced before anybody does anything."""
        await asyncio.sleep(0.5)
        self.daemon.house.console._send = lambda data: False
        old = next(t for t in asyncio.all_tasks() if t.get_name() == "bridge")
        old.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await old
        await asyncio.sleep(1.0)  # what it said has arrived
        self.lines.append(note(loop.time(), "start"))
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


@pytest.mark.parametrize("seed", range(RUNS))
def test_a_bridge_that_died_comes_back_and_no_level_is_louder(seed: int, tmp_path: Path) -> None:
    kind = list(KINDS)[seed % len(KINDS)]
    run = Returning(seed, KINDS[kind], tmp_path)
    findings = run.judged()
    assert findings.ok, f"seed {seed} ({kind}): {findings.text()}"
    assert run.ways[0] == "cold"


def test_bridges_come_back_in_every_way(tmp_path: Path) -> None:
    ways = set()
    for seed in (0, 1, 2, 5):
        run = Returning(seed, KINDS[list(KINDS)[seed % len(KINDS)]], tmp_path / str(seed))
        run.judged()
        ways |= set(run.ways)
    assert ways == {"cold", "warm", "differing"}


def test_the_witness_turns_red_when_what_was_kept_is_taken_for_a_wish(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    resume = resuming.resume

    def louder(engine: Engine, past: Any, now_s: float) -> None:
        resume(engine, past, now_s)
        back, m = engine.console_back, engine.matrix

        def raised(*args: Any) -> None:
            back(*args)
            for slot in (*range(m.send, m.on), *range(m.master, m.mute)):
                m.asked[slot] = engine.ceilings.ceiling(slot)[0]
                engine.refresh(slot)

        engine.console_back = raised  # type: ignore[method-assign]

    monkeypatch.setattr(resuming, "resume", louder)
    for seed in range(0, 20, 5):
        findings = Returning(seed, KINDS["position"], tmp_path / str(seed)).judged()
        if "fault" in findings.counts:
            return
    pytest.fail("four evenings of bridges that come back louder, and the witness saw nothing")

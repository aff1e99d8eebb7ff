"""Presets recalled in the middle of busy evenings, on a stage that binds; judged by the witness."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import pytest
from support.whole import KINDS, STAGE, Run

from bridge.daemon import Daemon
from bridge.presets.recall import Report

LOUD = """
by = "Ruth"
when = 2026-11-25T18:00:00Z
[scope]
buses = ["kit", "front", "side"]
"""


def preset(levels: tuple[float, float, float]) -> str:
    """A preset of all three mixes; the levels are sends, masters and the second send."""
    send, master, other = levels
    return LOUD + "".join(
        f"[bus.{bus}]\nmaster_db = {top}\n[bus.{bus}.send]\n"
        f"kick = {{ level_db = {send}, on = true }}\nvoice = {{ level_db = {other}, on = true }}\n"
        for bus, top in (("kit", master), ("front", min(master, -5.0)), ("side", master))
    )


async def at_once(work: Any, *arguments: Any) -> Any:
    """Files are read in the loop itself: a virtual clock knows no threads."""
    return work(*arguments)


class Recalling(Run):
    """A run in which people recall presets between their gestures."""

    reports: list[Report]

    async def _play(self, loop: asyncio.AbstractEventLoop) -> None:
        self.reports = []
        assert self.daemon.presets is not None
        running = self.daemon.presets.running
        running._aside = at_once
        task = loop.create_task(self._recall(running))
        try:
            await super()._play(loop)
        finally:
            task.cancel()

    async def _recall(self, running: Any) -> None:
        await asyncio.sleep(10.0)
        while True:
            name = self.random.choice(("loud", "soft"))
            self.lines.append({"what": "note", "note": "person", "at": running.clock()})
            self.reports.append(await running.recall(name, self.random.choice((-1, 0, 1))))
            await asyncio.sleep(self.random.uniform(0.0, 20.0))


def run(seed: int, folder: Path, sabotage: Any = lambda daemon: None) -> Recalling:
    (folder / "loud.toml").write_text(preset((3.0, 0.0, 2.0)))
    (folder / "soft.toml").write_text(preset((-30.0, -20.0, -25.0)))
    tables = f'[presets]\nfolder = "{folder}"\norder = ["loud", "soft"]\n'
    kind = KINDS[list(KINDS)[seed % len(KINDS)]]
    stage = STAGE.format(when_over="warn")
    return Recalling(seed, kind, stage=tables + stage, sabotage=sabotage)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(5))
def test_no_recall_takes_the_stage_past_its_margin(seed: int, tmp_path: Path) -> None:
    evening = run(seed, tmp_path)
    findings = evening.judged()
    assert findings.ok, f"seed {seed}: {findings.text()}"
    assert len(evening.reports) > 10
    left = [verdict.rule for report in evening.reports for verdict in report.left]
    assert left, "something could not be reached, and was said"


@pytest.mark.long
def test_a_recall_that_forgets_the_stage_turns_the_witness_red(tmp_path: Path) -> None:
    def deaf(daemon: Daemon) -> None:
        stage = daemon.house.engine.stage
        assert stage is not None
        for world in (stage.goals, stage.held):
            world.recouple(world.loop.coupling * 0.0)

    assert "feedback" in run(0, tmp_path, deaf).judged().counts

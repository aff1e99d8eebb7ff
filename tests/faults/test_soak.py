"""Evenings with faults of every kind, as tools/soak.py plays them by the thousand hours."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from support.evenings import FAULTS, Evening

HOURS = int(os.environ.get("FOLDBRIDGE_HOURS", "20"))
"""Simulated hours; more with FOLDBRIDGE_HOURS=1000, or tools/soak.py, which uses all cores."""

HOUR_S = 3600.0

pytestmark = pytest.mark.long


@pytest.mark.parametrize("seed", range(1, 1 + HOURS))
def test_an_hour_with_faults_of_every_kind_breaks_no_promise(seed: int, tmp_path: Path) -> None:
    evening = Evening(seed, tmp_path, HOUR_S)
    findings = evening.judged()
    assert findings.ok, f"seed {seed}: {findings.text()}"
    assert set(evening.faults_met) <= set(FAULTS) and evening.faults_met


def test_the_witness_turns_red_when_a_bridge_rises_again_by_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A console that was away comes back; what was asked before is told as if nothing had been."""
    from bridge.mix.engine import Engine

    back = Engine.console_back

    def careless(engine: Engine, heard: dict[int, float], now_s: float) -> None:
        wanted = list(engine.matrix.asked)
        back(engine, heard, now_s)
        m = engine.matrix
        for slot in (*range(m.send, m.on), *range(m.master, m.mute)):
            m.asked[slot] = wanted[slot]
            engine.refresh(slot)

    monkeypatch.setattr(Engine, "console_back", careless)
    for seed in range(1, 20):
        folder = tmp_path / str(seed)
        folder.mkdir()
        if "fault" in Evening(seed, folder, 900.0).judged().counts:
            return
    pytest.fail("nobody saw that it rose by itself")

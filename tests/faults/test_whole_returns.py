"""Whole bridges that die in the middle of busy evenings and come back, judged by the witness."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest
from support.returning import Returning
from support.whole import KINDS

from bridge.journal import resuming
from bridge.mix.engine import Engine

RUNS = int(os.environ.get("FOLDBRIDGE_RETURNS", "10"))
"""Seeded runs; more with FOLDBRIDGE_RETURNS=500."""

pytestmark = pytest.mark.long


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

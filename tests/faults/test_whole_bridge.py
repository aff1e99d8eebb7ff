"""Whole bridges on a virtual clock, ten simulated minutes each, on bad links, from one seed."""

import os

import pytest
from support.whole import KINDS, Run

RUNS = int(os.environ.get("FOLDBRIDGE_RUNS", "25"))
"""Seeded runs; more with FOLDBRIDGE_RUNS=1000."""


@pytest.mark.long
@pytest.mark.parametrize("seed", range(RUNS))
def test_every_promise_holds_in_ten_minutes_on_a_bad_link(seed: int) -> None:
    kind = list(KINDS)[seed % len(KINDS)]
    findings = Run(seed, KINDS[kind]).judged()
    assert findings.ok, f"seed {seed} ({kind}): {findings.text()}"

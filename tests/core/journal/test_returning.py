"""The table of ways back: which one, and why."""

from __future__ import annotations

from array import array

import pytest

from bridge.console.kept import COLD, DIFFERING, WARM
from bridge.journal.form import STANDS, STARTING, Past
from bridge.journal.returning import Found, Terms, under_way, way
from bridge.mix.matrix import LEVEL, SWITCH

NONE: tuple[tuple[int, float], ...] = ()


def found(*, exact: bool = True, state: int = STANDS) -> Found:
    past = Past(array("d", [0.0]), array("d", [0.0]), NONE, b"", state, bytes(16), 0.0, 0.0)
    return Found(past, "", exact)


KEEPS, SAYS_NOTHING = Terms(600.0, True), Terms(600.0, False)

WAYS = [
    # what was kept, what the rig says, age, what the console said: the way, and a part of the why
    (Found(None, "nothing was kept"), KEEPS, 0.0, (0, 0), COLD, "nothing was kept"),
    (found(state=STARTING), KEEPS, 1.0, (0, 0), COLD, "start had not been finished"),
    (found(), KEEPS, 601.0, (0, 0), COLD, "601 s old, more than 600 s are not believed"),
    (found(), KEEPS, -5.0, (0, 0), COLD, "the clock was set back"),
    (found(), KEEPS, float("nan"), (0, 0), COLD, "are not believed"),
    (found(), SAYS_NOTHING, 600.0, (0, 0), WARM, "stands as it was told"),
    (found(), SAYS_NOTHING, 1.0, (0, 4), WARM, "stands as it was told"),
    (found(), SAYS_NOTHING, 1.0, (3, 0), DIFFERING, "3 values"),
    (found(), KEEPS, 1.0, (3, 2), COLD, "2 values cannot be read at this console, and 3 others"),
    (found(), KEEPS, 1.0, None, WARM, "as the rig declares"),
    (found(), SAYS_NOTHING, 1.0, None, COLD, "cannot be asked whether"),
    (found(exact=False), SAYS_NOTHING, 1.0, (0, 0), WARM, "the power was cut"),
    (found(exact=False), SAYS_NOTHING, 1.0, (1, 0), DIFFERING, "1 values"),
    (found(exact=False), KEEPS, 1.0, (0, 1), COLD, "cannot be read at this console, and the power"),
    (found(exact=False), KEEPS, 1.0, None, COLD, "the power was cut"),
]


@pytest.mark.parametrize(("kept", "terms", "age_s", "asked", "expected", "why"), WAYS)
def test_the_way_back_and_its_reason(
    kept: Found, terms: Terms, age_s: float, asked: tuple[int, int] | None, expected: str, why: str
) -> None:
    got, reason = way(kept, terms, age_s, asked)
    assert (got, why in reason) == (expected, True), reason


def test_nothing_that_would_be_louder_than_what_was_told_counts_as_under_way() -> None:
    told = array("d", [-10.0, -10.0, 1.0, -10.0])
    low = ((0, -20.0), (1, -3.0), (2, 0.0), (3, -20.0))
    past = Past(told, told, low, b"", STANDS, bytes(16), 0.0, 0.0)
    kinds = (LEVEL, LEVEL, SWITCH, LEVEL)
    assert under_way(past, {0, 1, 2}, kinds) == ((0, -20.0), (2, 0.0))

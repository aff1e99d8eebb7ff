"""Ring marks over predicted coupling."""

from __future__ import annotations

import math

import numpy as np
import pytest

from bridge.stage.headroom import headroom_db, power
from bridge.stage.rings import RingMark, couplings


def test_a_ring_mark_puts_the_loop_at_exactly_one() -> None:
    predicted = power([[-30.0, -40.0], [-50.0, -35.0]])
    found = couplings(predicted, [RingMark(1, 0, -7.0)])
    alone = np.zeros((2, 2))
    alone[1, 0] = power([[-7.0]])[0, 0]
    assert headroom_db(alone, found.in_force) == pytest.approx(0.0, abs=1e-9)


def test_measured_beats_predicted_upward_and_downward_and_both_are_kept() -> None:
    predicted = power([[-30.0, -40.0]])
    found = couplings(predicted, [RingMark(0, 0, 10.0), RingMark(0, 1, 50.0)])
    assert 10 * np.log10(found.in_force) == pytest.approx(np.array([[-10.0, -50.0]]))
    assert found.predicted == pytest.approx(predicted)
    assert found.is_measured(0, 0) and found.is_measured(0, 1)


def test_without_a_mark_the_prediction_is_in_force() -> None:
    found = couplings(power([[-30.0, -40.0]]), [RingMark(0, 0, 10.0)])
    assert not found.is_measured(0, 1)
    assert found.in_force[0, 1] == pytest.approx(1e-4)
    assert math.isnan(found.measured[0, 1])


def test_of_several_marks_the_lowest_level_binds_in_any_order() -> None:
    marks = [RingMark(0, 0, 4.0), RingMark(0, 0, -2.0), RingMark(0, 0, 1.0)]
    for order in (marks, marks[::-1]):
        found = couplings(power([[-30.0]]), order)
        assert 10 * math.log10(found.in_force[0, 0]) == pytest.approx(2.0)


def test_the_prediction_handed_in_is_left_alone() -> None:
    predicted = power([[-30.0]])
    couplings(predicted, [RingMark(0, 0, 0.0)])
    assert predicted[0, 0] == pytest.approx(1e-3)


@pytest.mark.parametrize(("channel", "bus"), [(1, 0), (0, 1), (-1, 0), (0, -1)])
def test_a_mark_outside_of_the_mix_is_refused(channel: int, bus: int) -> None:
    with pytest.raises(ValueError, match=rf"ring mark: found channel {channel}, bus {bus}"):
        couplings([[0.1]], [RingMark(channel, bus, 0.0)])


@pytest.mark.parametrize("level", [math.nan, math.inf, -math.inf])
def test_a_mark_without_a_level_is_refused(level: float) -> None:
    with pytest.raises(ValueError, match="ring mark, dB"):
        couplings([[0.1]], [RingMark(0, 0, level)])

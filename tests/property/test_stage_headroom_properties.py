"""Promises of the ceiling map that hold for any mix and any stage."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from bridge.stage.headroom import decibels, headroom_db, is_stable, limit, power, room, scale_back
from bridge.stage.spectral import spectral_radius

LEVELS = st.integers(-90, 10).map(float)
COUPLINGS = st.integers(-80, 0).map(float)
MARGINS = st.sampled_from([0.0, 3.0, 6.0, 12.0])


ENDLESS = 1e9
"""Room of 90 dB and more: what comes back there is smaller than the rounding of what else does."""


@st.composite
def stages(draw: st.DrawFn, mixes: int = 1) -> tuple[np.ndarray, ...]:
    """A coupling and some mixes of one size, as powers: many zeros, wide ranges."""
    channels, buses = draw(st.integers(1, 4)), draw(st.integers(1, 4))

    def table(cells: st.SearchStrategy[float]) -> np.ndarray:
        silent = st.just(-math.inf)
        return power(draw(arrays(np.float64, (channels, buses), elements=cells, fill=silent)))

    return (table(COUPLINGS), *(table(LEVELS) for _ in range(mixes)))


def brute(mix: np.ndarray, coupling: np.ndarray) -> float:
    return float(np.abs(np.linalg.eigvals(coupling @ mix.T)).max())


@settings(max_examples=100, deadline=None)
@given(stages(), MARGINS)
def test_a_send_raised_exactly_to_its_room_reaches_the_margin_and_no_more(
    stage: tuple[np.ndarray, ...], margin: float
) -> None:
    coupling, mix = stage
    found = room(mix, coupling, margin)
    assume(found.stable)
    for cell in np.ndindex(*mix.shape):
        raised = mix.copy()
        if found.sends[cell] > ENDLESS:
            raised[cell] += 1e6
            assert brute(raised, coupling) <= limit(margin) * (1 + 1e-6)
            continue
        raised[cell] = found.sends[cell]
        # A general eigenvalue routine loses half of its digits where two loops meet.
        assert math.isclose(brute(raised, coupling), limit(margin), rel_tol=1e-6)


@settings(max_examples=100, deadline=None)
@given(stages(), MARGINS, st.floats(0.0, 0.999))
def test_a_send_raised_by_a_part_of_its_room_stays_below_the_margin(
    stage: tuple[np.ndarray, ...], margin: float, part: float
) -> None:
    coupling, mix = stage
    found = room(mix, coupling, margin)
    assume(found.stable)
    for cell in np.ndindex(*mix.shape):
        if found.sends[cell] <= ENDLESS:
            raised = mix.copy()
            raised[cell] += part * (found.sends[cell] - mix[cell])
            assert is_stable(raised, coupling, margin)


@settings(max_examples=100, deadline=None)
@given(stages(), MARGINS)
def test_a_master_raised_exactly_to_its_room_reaches_the_margin_and_no_more(
    stage: tuple[np.ndarray, ...], margin: float
) -> None:
    coupling, mix = stage
    found = room(mix, coupling, margin)
    assume(found.stable)
    for bus in range(mix.shape[1]):
        raised = mix.copy()
        if found.masters[bus] <= ENDLESS:
            raised[:, bus] *= found.masters[bus]
            assert math.isclose(brute(raised, coupling), limit(margin), rel_tol=1e-6)


@settings(max_examples=150, deadline=None)
@given(stages(mixes=2), MARGINS)
def test_a_scaled_back_mix_is_never_louder_than_wished_nor_unstable_by_its_raises(
    stage: tuple[np.ndarray, ...], margin: float
) -> None:
    coupling, before, wished = stage
    kept = scale_back(before, wished, coupling, margin)
    assert (kept <= wished).all()
    base = np.minimum(before, wished)
    assert (kept >= base).all()
    if is_stable(base, coupling, margin):
        assert spectral_radius(kept.T @ coupling) <= limit(margin) * (1 + 1e-9)
    else:
        assert (kept == base).all()


@settings(max_examples=150, deadline=None)
@given(stages(), MARGINS)
def test_stability_and_headroom_tell_the_same_story(
    stage: tuple[np.ndarray, ...], margin: float
) -> None:
    coupling, mix = stage
    headroom = headroom_db(mix, coupling)
    if headroom > margin + 1e-4:
        assert is_stable(mix, coupling, margin)
    if headroom < margin - 1e-4:
        assert not is_stable(mix, coupling, margin)


@settings(max_examples=100, deadline=None)
@given(stages(mixes=2))
def test_a_louder_mix_never_has_more_headroom(stage: tuple[np.ndarray, ...]) -> None:
    coupling, quiet, more = stage
    louder = quiet + more
    assert headroom_db(louder, coupling) <= headroom_db(quiet, coupling) + 1e-4


@settings(max_examples=100, deadline=None)
@given(stages(), st.floats(-20, 20))
def test_all_masters_together_move_the_headroom_by_as_much(
    stage: tuple[np.ndarray, ...], change: float
) -> None:
    coupling, mix = stage
    before, after = headroom_db(mix, coupling), headroom_db(mix * 10 ** (change / 10), coupling)
    if math.isinf(before):
        assert math.isinf(after)
    else:
        assert math.isclose(before - after, change, abs_tol=1e-4)


@settings(max_examples=100, deadline=None)
@given(stages())
def test_levels_survive_the_way_to_powers_and_back(stage: tuple[np.ndarray, ...]) -> None:
    for table in stage:
        again = power(decibels(table))
        assert np.allclose(again, table, rtol=1e-12, atol=0.0)

"""Headroom, the ceiling map and the joint scale-back, against brute-force eigenvalues."""

from __future__ import annotations

import math
import timeit

import numpy as np
import pytest

from bridge.stage.headroom import (
    decibels,
    headroom_db,
    is_stable,
    limit,
    loop_matrix,
    open_microphones,
    power,
    room,
    scale_back,
)

SHAPES = [(1, 1), (3, 2), (2, 5), (16, 8), (8, 16)]


def brute(mix: np.ndarray, coupling: np.ndarray) -> float:
    """Spectral radius of the channels' loops by general eigenvalues."""
    return float(np.abs(np.linalg.eigvals(coupling @ mix.T)).max())


def stage(shape: tuple[int, int], seed: int = 0, rho: float = 0.1) -> tuple[np.ndarray, np.ndarray]:
    """A mix with a spread of sends over a random coupling, with a given spectral radius."""
    random = np.random.default_rng(seed)
    mix = power(random.uniform(-40, 0, shape))
    coupling = power(random.uniform(-60, -20, shape))
    return mix * (rho / brute(mix, coupling)), coupling


def test_one_loop_has_the_headroom_of_its_gain() -> None:
    assert headroom_db([[1.0]], power([[-17.7]])) == pytest.approx(17.7)


def test_a_stage_where_nothing_comes_back_has_endless_headroom() -> None:
    assert headroom_db([[1.0, 0.5]], [[0.0, 0.0]]) == math.inf
    assert headroom_db(np.zeros((2, 2)), np.ones((2, 2))) == math.inf


def test_a_stage_above_the_onset_has_negative_headroom() -> None:
    assert headroom_db([[4.0]], [[1.0]]) == pytest.approx(-6.02, abs=0.01)


@pytest.mark.parametrize("number", [1, 2, 4, 8])
def test_n_equal_open_microphones_lose_10_log_n(number: int) -> None:
    # NOM 1, 2, 4, 8: 0, 3.01, 6.02, 9.03 dB; a live-sound column on tvtechnology.com rounds them.
    one = headroom_db([[1.0]], power([[-20.0]]))
    many = headroom_db(np.ones((number, 1)), np.full((number, 1), power([[-20.0]])[0, 0]))
    assert one - many == pytest.approx(10 * math.log10(number), abs=1e-9)


@pytest.mark.parametrize("number", [2, 4])
def test_amplitudes_in_place_of_powers_lose_20_log_n(number: int) -> None:
    amplitude = 0.1
    powers = headroom_db(np.ones((number, 1)), np.full((number, 1), amplitude**2))
    worst = 2.0 * headroom_db(np.ones((number, 1)), np.full((number, 1), amplitude))
    assert powers - worst == pytest.approx(10 * math.log10(number), abs=1e-9)


@pytest.mark.parametrize("shape", SHAPES)
def test_headroom_agrees_with_eigenvalues(shape: tuple[int, int]) -> None:
    mix, coupling = stage(shape, rho=0.037)
    assert headroom_db(mix, coupling) == pytest.approx(-10 * math.log10(0.037), abs=1e-6)


@pytest.mark.parametrize("shape", SHAPES)
def test_the_smaller_loop_matrix_is_chosen_and_has_the_same_radius(shape: tuple[int, int]) -> None:
    mix, coupling = stage(shape)
    small = loop_matrix(mix, coupling)
    assert small.shape == (min(shape), min(shape))
    assert float(np.abs(np.linalg.eigvals(small)).max()) == pytest.approx(0.1, rel=1e-9)


@pytest.mark.parametrize("shape", SHAPES)
def test_every_send_raised_to_its_room_alone_reaches_the_margin_exactly(
    shape: tuple[int, int],
) -> None:
    mix, coupling = stage(shape)
    sends = room(mix, coupling).sends
    for cell in np.ndindex(*shape):
        raised = mix.copy()
        raised[cell] = sends[cell]
        assert sends[cell] > mix[cell]
        assert brute(raised, coupling) == pytest.approx(limit(6.0), rel=1e-6), cell


@pytest.mark.parametrize("shape", SHAPES)
def test_every_master_raised_to_its_room_alone_reaches_the_margin_exactly(
    shape: tuple[int, int],
) -> None:
    mix, coupling = stage(shape)
    masters = room(mix, coupling).masters
    for bus in range(shape[1]):
        raised = mix.copy()
        raised[:, bus] *= masters[bus]
        assert brute(raised, coupling) == pytest.approx(limit(6.0), rel=1e-6), bus


@pytest.mark.parametrize("shape", SHAPES)
def test_every_fader_raised_to_its_room_alone_reaches_the_margin_exactly(
    shape: tuple[int, int],
) -> None:
    mix, coupling = stage(shape)
    post = np.random.default_rng(3).integers(0, 2, shape)
    faders = room(mix, coupling, post=post).faders
    for channel in range(shape[0]):
        if not post[channel].any():
            assert faders[channel] == math.inf
            continue
        raised = mix.copy()
        raised[channel] *= np.where(post[channel], faders[channel], 1.0)
        assert brute(raised, coupling) == pytest.approx(limit(6.0), rel=1e-6), channel


def test_the_master_of_one_loop_has_the_plain_difference_to_the_margin() -> None:
    # design formula for one loop: lam / (E H)
    found = room([[0.01]], [[1.0]], 6.0)
    assert decibels(found.masters) == pytest.approx([20.0 - 6.0])
    assert decibels(found.sends) == pytest.approx(np.array([[-6.0]]))


def test_a_tiny_loop_keeps_its_digits() -> None:
    # lam R - 1 would cancel to nothing at a loop of 1e-18.
    found = room([[1e-18]], [[1.0]], 0.0)
    assert found.masters == pytest.approx([1e18], rel=1e-9)


@pytest.mark.parametrize("rho", [limit(6.0), 0.3, 0.9999, 1.0, 1.5, 1e6])
@pytest.mark.parametrize("shape", [(1, 1), (3, 2), (8, 16)])
def test_at_or_above_the_margin_nothing_may_rise(shape: tuple[int, int], rho: float) -> None:
    mix, coupling = stage(shape, rho=rho * (1 + 1e-9))
    found = room(mix, coupling)
    assert not found.stable and not is_stable(mix, coupling)
    assert (found.sends == mix).all()
    assert (found.masters == 1.0).all() and (found.faders == 1.0).all()


def test_just_below_the_margin_a_little_may_rise() -> None:
    mix, coupling = stage((3, 2), rho=limit(6.0) * (1 - 1e-9))
    found = room(mix, coupling)
    assert found.stable and is_stable(mix, coupling)
    assert (found.sends > mix).all() and (found.sends < mix * 1.1 + 1e-3).all()


def test_a_wider_margin_leaves_less_room() -> None:
    mix, coupling = stage((6, 4))
    assert (room(mix, coupling, 8.0).sends < room(mix, coupling, 6.0).sends).all()


def test_sends_that_the_air_never_brings_back_have_endless_room() -> None:
    # Channel 1 is a line, bus 1 feeds in-ears.
    coupling = np.array([[0.01, 0.0], [0.0, 0.0]])
    found = room(np.full((2, 2), 0.5), coupling)
    assert math.isfinite(found.sends[0, 0])
    assert found.sends[1, 0] == found.sends[1, 1] == math.inf
    assert found.masters[1] == math.inf and math.isfinite(found.masters[0])


def test_a_send_into_in_ears_has_endless_room_even_from_a_live_microphone() -> None:
    coupling = np.array([[0.01, 0.0]])
    assert room([[0.5, 0.5]], coupling).sends[0, 1] == math.inf


def test_a_closed_send_into_a_wedge_that_another_loop_needs_is_limited_too() -> None:
    # Bus 1 is not heard by channel 0 alone, but channel 1 hears it and feeds bus 0.
    coupling = np.array([[0.01, 0.0], [0.0, 0.01]])
    mix = np.array([[0.5, 0.0], [0.5, 0.0]])
    found = room(mix, coupling)
    assert math.isfinite(found.sends[0, 1])
    mix[0, 1] = found.sends[0, 1]
    assert brute(mix, coupling) == pytest.approx(limit(6.0), rel=1e-6)


def test_a_stage_that_is_all_off_has_the_room_of_single_loops() -> None:
    _, coupling = stage((4, 3))
    found = room(np.zeros((4, 3)), coupling)
    assert found.sends * coupling == pytest.approx(np.full((4, 3), limit(6.0)))
    assert (found.masters == math.inf).all()


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("shape", [(3, 2), (8, 4), (4, 8)])
def test_raises_that_are_each_allowed_and_together_too_much_are_scaled_back_to_the_margin(
    shape: tuple[int, int], seed: int
) -> None:
    mix, coupling = stage(shape, seed)
    wished = room(mix, coupling).sends
    assert brute(wished, coupling) > limit(6.0)
    kept = scale_back(mix, wished, coupling)
    assert brute(kept, coupling) == pytest.approx(limit(6.0), rel=1e-5)
    assert is_stable(kept, coupling)
    share = (kept - mix) / (wished - mix)
    assert share == pytest.approx(np.full(shape, share[0, 0]))
    assert 0.0 < share[0, 0] < 1.0


@pytest.mark.parametrize("ulps", range(12))
def test_a_hair_below_the_margin_nothing_unproved_is_let_through(ulps: int) -> None:
    # So close to the limit rounding eats all room: then nothing rises.
    coupling = np.array([[0.5, 0.875], [0.625, 0.75]])
    mix = np.eye(2) / 1.375 * (1.0 - ulps * 2.0**-53)
    kept = scale_back(mix, mix * 2.0, coupling, 0.0)
    assert is_stable(kept, coupling, 0.0) or (kept == mix).all()
    assert (kept <= mix * (1 + 1e-14)).all()


def test_a_wish_that_is_safe_is_left_as_it_is() -> None:
    mix, coupling = stage((5, 3))
    wished = mix * 1.5
    assert (scale_back(mix, wished, coupling) == wished).all()


def test_falls_are_taken_in_full_while_raises_are_scaled_back() -> None:
    mix, coupling = stage((5, 3))
    wished = room(mix, coupling).sends
    wished[2] = 0.0
    kept = scale_back(mix, wished, coupling)
    assert (kept[2] == 0.0).all()
    assert (np.delete(kept, 2, 0) < np.delete(wished, 2, 0)).all()
    assert is_stable(kept, coupling)


def test_on_a_stage_that_rings_falls_are_taken_and_nothing_rises() -> None:
    mix, coupling = stage((5, 3), rho=2.0)
    wished = mix * 2.0
    wished[0] = 0.0
    kept = scale_back(mix, wished, coupling)
    assert (kept == np.minimum(mix, wished)).all()


def test_falls_that_quiet_a_ringing_stage_make_room_for_raises() -> None:
    coupling = np.diag([1.0, 1.0])
    mix, wished = np.diag([2.0, 0.01]), np.diag([0.05, 0.1])
    assert (scale_back(mix, wished, coupling) == wished).all()


def test_raises_that_the_air_does_not_bring_back_are_not_scaled_back_alone() -> None:
    coupling = np.array([[0.01, 0.0]])
    mix, wished = np.array([[0.5, 0.5]]), np.array([[0.5, 1e6]])
    assert (scale_back(mix, wished, coupling) == wished).all()


def test_open_microphones_are_counted_by_their_loops() -> None:
    coupling = np.full((4, 2), 0.01)
    coupling[3, 0] = 0.0  # a line
    mix = np.array([[1.0, 0.0], [1.0, 0.0], [1.0, 0.0], [9.0, 0.0]])
    assert open_microphones(mix, coupling) == pytest.approx([3.0, 0.0])
    mix[1:, 0] = 1e-6
    assert open_microphones(mix, coupling)[0] == pytest.approx(1.0, abs=1e-5)


def test_levels_and_powers_are_inverse_and_off_is_zero() -> None:
    levels = np.array([[-math.inf, 0.0], [-6.0, 10.0]])
    assert power(levels) == pytest.approx(np.array([[0.0, 1.0], [0.251189, 10.0]]), abs=1e-6)
    assert (decibels(power(levels)) == pytest.approx(levels)) and decibels(0.0) == -math.inf


@pytest.mark.parametrize("bad", [math.nan, math.inf, -1.0])
@pytest.mark.parametrize("call", [headroom_db, room, is_stable, open_microphones])
def test_powers_that_are_none_are_refused(call, bad: float) -> None:
    with pytest.raises(ValueError, match="mix: found a negative or not finite"):
        call([[bad]], [[0.1]])
    with pytest.raises(ValueError, match="coupling: found a negative or not finite"):
        call([[0.1]], [[bad]])


def test_shapes_that_differ_are_refused() -> None:
    with pytest.raises(ValueError, match=r"found shape \(1, 2\), expected \(2, 1\)"):
        room([[0.1, 0.1]], [[0.1], [0.1]])


@pytest.mark.parametrize("margin", [-1.0, math.nan, math.inf])
def test_a_margin_that_is_none_is_refused(margin: float) -> None:
    with pytest.raises(ValueError, match="margin, dB"):
        room([[0.1]], [[0.1]], margin)


def test_the_map_of_64_channels_and_32_buses_costs_a_fraction_of_a_tick() -> None:
    # The best of many runs, since the machine may be busy; a tick is 20 ms.
    mix, coupling = stage((64, 32))
    best_s = min(timeit.repeat(lambda: room(mix, coupling), number=1, repeat=300))
    assert best_s < 0.001

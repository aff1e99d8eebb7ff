"""The loop that is kept up to date: the same as solved anew, the same as by brute force."""

from __future__ import annotations

import math

import numpy as np
import pytest

from bridge.stage import headroom
from bridge.stage.loop import UPDATES_MAX, Loop


def brute_radius(mix: np.ndarray, coupling: np.ndarray) -> float:
    """The spectral radius by NumPy's general eigenvalues (LAPACK geev): an outside witness."""
    return float(max(abs(np.linalg.eigvals(coupling @ mix.T))))


def random_loop(seed: int, channels: int = 6, buses: int = 4) -> tuple[Loop, np.random.Generator]:
    chance = np.random.default_rng(seed)
    coupling = 10.0 ** chance.uniform(-3.0, -0.5, (channels, buses))
    coupling[chance.random((channels, buses)) < 0.2] = 0.0
    loop = Loop(coupling, headroom.limit(chance.uniform(0.0, 10.0)))
    mix = 10.0 ** chance.uniform(-4.0, 0.0, (channels, buses))
    rho = brute_radius(mix, coupling)
    loop.set_all(mix * chance.uniform(0.1, 0.99) * loop.limit / max(rho, 1e-9))
    return loop, chance


@pytest.mark.parametrize("seed", range(40))
def test_any_send_bus_or_channel_at_its_room_stands_at_the_limit(seed: int) -> None:
    loop, chance = random_loop(seed)
    for _ in range(20):
        c, b = int(chance.integers(6)), int(chance.integers(4))
        start = loop.mix.copy()
        one = np.zeros_like(start)
        if math.isfinite(room := loop.room_of_send(c, b)):
            one[c, b] = room
            assert brute_radius(start + one, loop.coupling) == pytest.approx(loop.limit, rel=1e-9)
        shape = start[:, b]
        if math.isfinite(room := loop.room_of_bus(b, shape)):
            one[:] = 0.0
            one[:, b] = room * shape
            assert brute_radius(start + one, loop.coupling) == pytest.approx(loop.limit, rel=1e-9)
        row = start[c] * (chance.random(4) < 0.6)
        if math.isfinite(room := loop.room_of_channel(c, row)):
            one[:] = 0.0
            one[c] = room * row
            assert brute_radius(start + one, loop.coupling) == pytest.approx(loop.limit, rel=1e-9)
        more = min(start[c, b], 0.9 * loop.room_of_send(c, b)) * chance.uniform(-1.0, 1.0)
        loop.set_send(c, b, float(start[c, b] + more))


@pytest.mark.parametrize("seed", range(20))
def test_moves_one_after_the_other_come_to_what_one_solve_gives(seed: int) -> None:
    loop, chance = random_loop(seed)
    for step in range(3 * UPDATES_MAX):
        c, b = int(chance.integers(6)), int(chance.integers(4))
        factor = chance.uniform(0.3, 1.3)
        if step % 3 == 0:
            loop.set_send(c, b, float(loop.mix[c, b] * factor))
        elif step % 3 == 1:
            loop.set_bus(b, loop.mix[:, b] * factor)
        else:
            loop.set_channel(c, loop.mix[c] * factor)
        anew = Loop(loop.coupling, loop.limit)
        anew.set_all(loop.mix)
        kept, solved = loop.gains(), anew.gains()
        assert (kept is None) == (solved is None)
        if kept is not None and solved is not None:
            np.testing.assert_allclose(kept, solved, rtol=1e-8, atol=1e-12)
        while loop.gains() is None:
            loop.set_all(loop.mix * 0.5)


def test_past_the_limit_nothing_has_room_and_a_fall_gives_it_back() -> None:
    loop = Loop([[0.5, 0.1], [0.1, 0.5]], 0.25)
    loop.set_send(0, 0, 0.6)
    assert loop.gains() is None
    assert loop.room_of_send(1, 1) == 0.0
    assert loop.room_of_bus(1, np.array([1.0, 1.0])) == 0.0
    loop.set_send(0, 0, 0.2)
    assert loop.room_of_send(0, 0) == pytest.approx(0.25 / 0.5 - 0.2)


def test_what_no_loop_passes_has_all_room() -> None:
    loop = Loop([[0.5, 0.0], [0.0, 0.0]], 0.25)
    loop.set_send(0, 0, 10.0)
    assert loop.room_of_send(1, 0) == math.inf  # a line input
    assert loop.room_of_send(0, 1) == math.inf  # in-ears
    assert loop.room_of_bus(1, np.array([1.0, 1.0])) == math.inf


def test_the_bus_of_the_dominant_loop_carries_the_blame() -> None:
    loop = Loop([[0.5, 0.01, 0.0], [0.01, 0.4, 0.0]], 0.25)
    loop.set_all(np.array([[1.0, 0.1, 1.0], [0.1, 0.2, 1.0]]))
    assert loop.blame().argmax() == 0
    loop.set_bus(0, np.array([0.01, 0.0]))
    assert loop.blame().argmax() == 1
    assert loop.blame()[2] == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("seed", range(10))
def test_blame_is_the_change_of_the_radius_with_each_master(seed: int) -> None:
    loop, _ = random_loop(seed)
    rho = brute_radius(loop.mix, loop.coupling)
    change = []
    for b in range(4):
        more = loop.mix.copy()
        more[:, b] *= 1.0 + 1e-6
        change.append((brute_radius(more, loop.coupling) - rho) / 1e-6)
    expected = np.array(change) / max(change)
    np.testing.assert_allclose(loop.blame(), expected, atol=2e-3)

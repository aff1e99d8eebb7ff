"""Spectral radius against numpy's eigenvalues and against matrices whose radius is known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from bridge.stage.spectral import inverse_below, powers, spectral_radius


def brute(matrix: np.ndarray) -> float:
    return float(np.abs(np.linalg.eigvals(matrix)).max())


def test_a_known_matrix_has_its_known_radius() -> None:
    # Computed by hand from its characteristic polynomial.
    matrix = [[0.30, 0.25], [0.10, 0.40]]
    assert spectral_radius(matrix) == pytest.approx(0.515831, abs=1e-6)
    assert -20 * math.log10(spectral_radius(matrix)) == pytest.approx(5.750, abs=5e-4)


@pytest.mark.parametrize("size", [1, 2, 5, 32])
@pytest.mark.parametrize("seed", range(5))
def test_it_agrees_with_eigenvalues_over_a_wide_range(size: int, seed: int) -> None:
    random = np.random.default_rng(seed)
    matrix = 10.0 ** random.uniform(-9, 1, (size, size))
    assert spectral_radius(matrix) == pytest.approx(brute(matrix), rel=1e-9)


@pytest.mark.parametrize(
    ("matrix", "radius"),
    [
        ([[0.0]], 0.0),
        ([[0.0, 5.0], [0.0, 0.0]], 0.0),  # leads nowhere
        ([[0.0, 4.0], [1.0, 0.0]], 2.0),  # a ring of two: no power of it settles
        ([[0.0, 8.0, 0.0], [0.0, 0.0, 1.0], [1.0, 0.0, 0.0]], 2.0),  # a ring of three
        ([[0.5, 1e6], [0.0, 0.5]], 0.5),  # defective
        ([[0.5, 0.0], [0.0, 0.499999]], 0.5),  # two loops of nearly the same gain
        ([[0.5, 0.0], [0.0, 1e-200]], 0.5),
        ([[0.0, 1.0], [1e-300, 0.0]], 1e-150),
        ([[1e200, 0.0], [0.0, 1.0]], 1e200),
        (np.full((40, 40), 0.1), 4.0),
    ],
)
def test_hard_matrices_have_their_exact_radius(matrix: object, radius: float) -> None:
    assert spectral_radius(matrix) == pytest.approx(radius, rel=3e-6)


def test_it_is_never_below_the_true_radius() -> None:
    random = np.random.default_rng(5)
    for _ in range(200):
        sparse = random.uniform(size=(6, 6)) * (random.uniform(size=(6, 6)) < 0.3)
        # General eigenvalue routines find up to 1e-3 where a matrix leads nowhere and 0 is exact.
        slop = 1e-7 if brute(sparse) > 1e-2 else 1.0
        assert spectral_radius(sparse) >= brute(sparse) * (1 - slop)


def test_the_empty_matrix_has_radius_zero() -> None:
    assert spectral_radius(np.zeros((0, 0))) == 0.0


@pytest.mark.parametrize("bad", [-0.1, math.nan, math.inf])
def test_entries_that_are_no_powers_are_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="negative or not finite"):
        spectral_radius([[0.1, bad], [0.0, 0.1]])


def test_a_matrix_that_is_not_square_is_refused() -> None:
    with pytest.raises(ValueError, match="expected a square"):
        spectral_radius(np.ones((2, 3)))


def test_a_row_instead_of_a_matrix_is_refused() -> None:
    with pytest.raises(ValueError, match="found 1 dimensions"):
        powers([0.1, 0.2], "mix")


def test_an_inverse_is_given_below_the_limit_and_none_at_or_above_it() -> None:
    matrix = np.array([[0.0, 4.0], [1.0, 0.0]])  # radius 2
    found = inverse_below(matrix, 2.0 + 1e-9)
    assert found is not None and (found >= 0.0).all()
    for limit in (2.0, 2.0 - 1e-9, 1.0, 0.5, 0.25):
        assert inverse_below(matrix, limit) is None, limit


def test_two_separate_loops_above_the_limit_are_not_taken_for_stable() -> None:
    # (lam I - M) has a positive determinant here: counting signs would not see it.
    assert inverse_below(np.diag([2.0, 2.0]), 1.0) is None
    assert inverse_below(np.diag([0.5, 2.0]), 1.0) is None


@pytest.mark.parametrize(
    ("matrix", "radius"),
    [([[0.5, 0.875], [0.625, 0.75]], 1.375), ([[0.25, 0.875], [0.625, 0.5]], 1.125)],
)
def test_a_radius_exactly_at_the_limit_is_not_let_through_by_rounding(
    matrix: list[list[float]], radius: float
) -> None:
    # All numbers are exact in binary. The inverse comes out finite, huge and positive here, so its
    # sign alone would call the stage stable.
    assert inverse_below(np.array(matrix), radius) is None

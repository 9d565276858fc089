"""Pairs of places by distance: counted by hand, and against SciPy's distances."""

import numpy as np
import pytest
from scipy.spatial.distance import pdist, squareform
from scipy.stats import binned_statistic

from cloudprep.kernels import pairs
from cloudprep.kernels.pairs import pairs_by_distance, shared_by_pairs


@pytest.mark.parametrize("compiled", [True, False])
def test_pairs_of_a_square_are_its_sides_and_diagonals(monkeypatch, compiled):
    monkeypatch.setattr(pairs, "COMPILED", compiled and pairs.COMPILED)
    x, y = np.array([0.0, 3.0, 3.0, 0.0]), np.array([0.0, 0.0, 4.0, 4.0])
    values = np.array([0.0, 1.0, 3.0, 7.0])
    # Sides of 3 (differences 1 and 4) and 4 (2 and 7), diagonals of 5 (3 and 6). A pair at a limit falls in
    # the bin above it, at the last one in the last bin.
    count, distances, halves = pairs_by_distance(x, y, values, np.array([0.0, 3.0, 4.0, 5.0]))
    assert count.tolist() == [0, 2, 4]
    assert distances.tolist() == [0.0, 6.0, 18.0]
    assert halves.tolist() == [0.0, (1 + 16) / 2, (4 + 49 + 9 + 36) / 2]
    count, distances, _ = pairs_by_distance(x, y, values, np.array([3.5, 4.5]))  # neither nearer nor farther
    assert (count.tolist(), distances.tolist()) == ([2], [8.0])


@pytest.mark.parametrize("lattice", [True, False])
def test_pairs_are_as_scipy_bins_them(lattice):
    rng = np.random.default_rng(7)
    x, y = rng.uniform(0, 40, (2, 300))
    if lattice:  # many pairs lie at the same distance, some at limits
        x, y = np.round(x), np.round(y)
    values = rng.normal(0, 1, 300)
    edges = 20 * (np.arange(25) / 24) ** 1.5
    count, distances, halves = pairs_by_distance(x, y, values, edges)
    a, b = np.triu_indices(300, 1)
    away = np.sqrt((x[a] - x[b]) ** 2 + (y[a] - y[b]) ** 2)
    near = away <= edges[-1]
    for of, found in (
        (np.ones(len(a)), count),
        (away, distances),
        ((values[a] - values[b]) ** 2 / 2, halves),
    ):
        np.testing.assert_allclose(found, binned_statistic(away[near], of[near], "sum", edges)[0], rtol=1e-12)


def test_pairs_without_compiled_code_are_the_same_bits(monkeypatch):
    rng = np.random.default_rng(8)
    x, y, values = rng.integers(0, 60, 500) * 0.5, rng.integers(0, 60, 500) * 0.5, rng.normal(0, 1, 500)
    edges = 12 * (np.arange(25) / 24) ** 1.5
    first = pairs_by_distance(x, y, values, edges)
    monkeypatch.setattr(pairs, "COMPILED", False)
    for one, other in zip(first, pairs_by_distance(x, y, values, edges), strict=True):
        np.testing.assert_array_equal(one, other)


@pytest.mark.parametrize("compiled", [True, False])
def test_what_pairs_share_by_hand(monkeypatch, compiled):
    """Matheron's spherical covariance, 1 - 1.5 h + 0.5 h^3: 0.3125 half a reach apart, then nothing."""
    monkeypatch.setattr(pairs, "COMPILED", compiled and pairs.COMPILED)
    x, y, weights = np.array([0.0, 3.0, 0.0]), np.array([0.0, 4.0, 10.0]), np.array([2.0, 3.0, 7.0])
    h = np.sqrt(9 + 36) / 10  # of the second place from the third; the first lies a reach from the third
    expected = 6 * 0.3125 + 21 * (1 - 1.5 * h + 0.5 * h**3)
    assert shared_by_pairs(x, y, weights, 10.0) == pytest.approx(expected, rel=1e-14)
    assert shared_by_pairs(x[:1], y[:1], weights[:1], 10.0) == 0.0


def test_what_pairs_share_is_half_the_form_of_the_covariance():
    rng = np.random.default_rng(9)
    x, y = rng.uniform(0, 40, (2, 300))
    weights = rng.normal(0, 1, 300)
    h = np.minimum(squareform(pdist(np.c_[x, y])) / 9.0, 1.0)
    covariance = 1 - 1.5 * h + 0.5 * h**3
    expected = (weights @ covariance @ weights - weights @ weights) / 2
    assert shared_by_pairs(x, y, weights, 9.0) == pytest.approx(expected, rel=1e-12)

"""Thinning keeps what counts: means, numbers, and no dependence on the order of points."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats

from cloudprep.kernels.thinning import column_means, cube_means

CLOUDS = arrays(np.float64, st.tuples(st.integers(0, 60), st.just(3)), elements=st.floats(-50, 50, width=32))


@given(CLOUDS)
def test_thinning_keeps_number_and_centre(points):
    for means, counts in (
        cube_means(points, np.ones(len(points)), 3.0),
        column_means(points, np.ones(len(points)), 3.0, 6.0),
    ):
        assert counts.sum() == len(points)
        assert (means * counts[:, None]).sum(axis=0) == pytest.approx(points.sum(axis=0), abs=1e-6)


def test_cubes_agree_with_scipys():
    """scipy.stats.binned_statistic_dd, mean of z."""
    points = np.random.default_rng(0).uniform(0, 10, (3000, 3))
    means, counts = cube_means(points, np.ones(3000), 2.5)
    edges = [np.arange(0, 10.1, 2.5)] * 3
    expected = stats.binned_statistic_dd(points, points[:, 2], "mean", bins=edges).statistic
    assert len(means) == 64
    assert means[:, 2] == pytest.approx(expected.ravel(), rel=1e-12)
    assert counts.sum() == 3000


def test_thinning_does_not_depend_on_the_order():
    rng = np.random.default_rng(1)
    points = np.round(rng.uniform(0, 20, (5000, 3)) * 64) / 64  # sums are exact
    for thin in (
        lambda p: cube_means(p, np.ones(5000), 1.0),
        lambda p: column_means(p, np.ones(5000), 1.0, 2.0),
    ):
        first, second = thin(points), thin(rng.permutation(points))
        assert np.array_equal(first[0], second[0])
        assert np.array_equal(first[1], second[1])


def test_columns_do_not_cut_level_ground_at_an_edge():
    """At height 5.0 cubes of 1 m would make two layers of it, both off the ground."""
    rng = np.random.default_rng(2)
    points = np.c_[rng.uniform(0, 20, (20_000, 2)), 5.0 + rng.normal(0, 0.03, 20_000)]
    assert len(cube_means(points, np.ones(20_000), 1.0)[0]) == 800
    means, _ = column_means(points, np.ones(20_000), 1.0, 2.0)
    assert len(means) == 400
    assert np.abs(means[:, 2] - 5.0).max() < 0.03


def test_columns_cut_walls():
    rng = np.random.default_rng(3)
    wall = np.c_[np.full(5000, 0.5), rng.uniform(0, 1, 5000), rng.uniform(0, 8, 5000)]
    assert len(column_means(wall, np.ones(5000), 1.0, 2.0)[0]) == 8

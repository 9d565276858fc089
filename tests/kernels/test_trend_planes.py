"""The prevailing surface is that of the ground, whatever stands on it or lies far below."""

import numpy as np
import pytest

from cloudprep.kernels.trend import block_planes, heights_above, trend_at


def scene(slope, seed=0, side=64, cell=1.0):
    rng = np.random.default_rng(seed)
    x = (np.arange(side) + rng.random((side, side))) * cell
    y = (np.arange(side)[:, None] + rng.random((side, side))) * cell
    return rng, x, y, 50 + slope * x - 0.3 * y


def errors(x, y, z, ground, cell=1.0):
    have = ~np.isnan(z)
    return trend_at(block_planes(x, y, z, cell), cell, x[have], y[have]) - ground[have]


@pytest.mark.parametrize("slope", [0.0, 0.3, 0.7, 1.5])
def test_a_slope_is_found_under_trees_and_far_below_echoes(slope):
    rng, x, y, ground = scene(slope)
    z = ground + rng.normal(0, 0.05, x.shape)
    z += np.where(rng.random(x.shape) < 0.3, rng.uniform(2, 20, x.shape), 0)
    z -= np.where(rng.random(x.shape) < 0.01, rng.choice([3.0, 30.0, 3000.0], x.shape), 0)
    z[rng.random(x.shape) < 0.3] = np.nan
    assert np.abs(errors(x, y, z, ground)).max() < 0.15


def test_houses_over_two_fifths_of_the_ground_hardly_lift_it():
    rng, x, y, ground = scene(0.2, seed=1)
    z = ground + rng.normal(0, 0.05, x.shape)
    roof = ((x % 16) < 10) & ((y % 16) < 10)
    z[roof] += 7
    assert 0.35 < roof.mean() < 0.45
    assert np.abs(errors(x, y, z, ground)[~roof.ravel()]).max() < 0.6


def test_too_few_points_make_no_surface():
    x = y = np.full((4, 4), 0.5)
    z = np.full((4, 4), np.nan)
    z[:2, :2] = 1.0
    assert np.isnan(block_planes(x, y, z, 1.0)).any(axis=2).all()


def test_heights_above_it_are_those_over_the_trend_in_any_number_of_threads():
    rng, x, y, ground = scene(0.4, seed=2, side=300)
    z = ground + rng.normal(0, 0.5, x.shape)
    z[rng.random(x.shape) < 0.2] = np.nan
    z[:40, :40] = np.nan  # no block there has a plane
    z[3, 3] = 50.0
    planes = block_planes(x, y, z, 1.0)
    above = heights_above(planes, 1.0, x, y, z)
    have = ~np.isnan(z)
    assert np.array_equal(above[have], z[have] - trend_at(planes, 1.0, x[have], y[have]), equal_nan=True)
    assert np.isnan(above[~have]).all()
    assert np.isnan(above[3, 3])
    assert np.array_equal(planes, block_planes(x, y, z, 1.0, threads=3), equal_nan=True)
    assert np.array_equal(above, heights_above(planes, 1.0, x, y, z, threads=3), equal_nan=True)

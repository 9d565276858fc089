"""Gaps are filled from the nearest cell, as far as the data reach: against scipy and against plain loops.

Source: scipy.ndimage.distance_transform_edt and binary_closing (scipy's documentation).
"""

import numpy as np
import pytest
from scipy import ndimage

from cloudprep.kernels.fill import covered
from cloudprep.kernels.fill_nearest import fill_nearest


def raster(shape, empty, seed=1, dtype=np.float64):
    """Return heights that are all different, of which a share is missing, but never all."""
    rng = np.random.default_rng([seed, *shape])
    values = rng.permutation(shape[0] * shape[1]).reshape(shape).astype(dtype)
    values[rng.random(shape) < empty] = np.nan
    values[shape[0] // 2, shape[1] // 2] = 0.25
    return values


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("empty", [0.0, 0.5, 0.97])
@pytest.mark.parametrize("shape", [(23, 31), (1, 40), (40, 1), (1, 1)])
def test_filling_takes_the_height_of_a_nearest_cell(shape, empty, dtype):
    values = raster(shape, empty, dtype=dtype)
    before = values.copy()
    filled = fill_nearest(values, np.ones(shape, bool))
    np.testing.assert_array_equal(values, before)
    assert filled.dtype == dtype
    known = np.argwhere(~np.isnan(values))
    distance = ndimage.distance_transform_edt(np.isnan(values))
    for r, c in np.ndindex(*shape):
        squares = ((known - (r, c)) ** 2).sum(1)
        assert squares.min() == round(distance[r, c] ** 2)
        nearest = known[squares == squares.min()]
        assert filled[r, c] in values[nearest[:, 0], nearest[:, 1]]


def test_filling_leaves_known_cells_and_those_outside_alone():
    values = raster((20, 30), 0.6)
    inside = np.random.default_rng(3).random((20, 30)) < 0.5
    filled = fill_nearest(values, inside)
    known = ~np.isnan(values)
    np.testing.assert_array_equal(filled[known], values[known])
    np.testing.assert_array_equal(np.isnan(filled), ~known & ~inside)
    # A cell outside may not be filled, but what is known there serves the others.
    everywhere = fill_nearest(values, np.ones_like(inside))
    np.testing.assert_array_equal(filled[inside], everywhere[inside])


def test_filling_a_raster_without_heights_or_without_gaps_gives_a_copy():
    for values in (np.full((3, 4), np.nan), np.arange(12.0).reshape(3, 4), np.empty((0, 4))):
        filled = fill_nearest(values, np.ones(values.shape, bool))
        np.testing.assert_array_equal(filled, values)
        assert not np.shares_memory(filled, values)


def test_filling_the_same_raster_twice_decides_ties_alike():
    values = np.full((31, 31), np.nan)
    values[::6, ::6] = np.arange(36.0).reshape(6, 6)
    inside = np.ones(values.shape, bool)
    np.testing.assert_array_equal(fill_nearest(values, inside), fill_nearest(values.copy(), inside))


@pytest.mark.parametrize("share", [0.02, 0.4])
@pytest.mark.parametrize("gap", [0, 1, 2, 5, 12])
@pytest.mark.parametrize("shape", [(24, 37), (1, 30), (30, 1), (1, 1)])
def test_filling_covers_what_scipys_closing_covers(shape, gap, share):
    have = np.random.default_rng([gap, *shape]).random(shape) < share
    before = have.copy()
    # scipy takes what lies beyond the raster for empty in both halves, so it needs room around it.
    room = np.pad(have, gap + 1)
    closed = ndimage.binary_closing(room, np.ones((2 * gap + 1, 2 * gap + 1)))
    expected = closed[gap + 1 : -gap - 1, gap + 1 : -gap - 1]
    found = covered(have, gap)
    assert found.dtype == np.bool_
    np.testing.assert_array_equal(found, expected)
    np.testing.assert_array_equal(covered(have, gap, threads=2), found)
    np.testing.assert_array_equal(have, before)
    assert found[have].all()


@pytest.mark.parametrize("gap", [1, 3])
def test_filling_closes_gaps_of_twice_the_cells_and_no_wider_ones(gap):
    have = np.ones((20, 40), bool)
    have[:, 15 : 15 + 2 * gap] = False
    assert covered(have, gap).all()
    have[:, 15 + 2 * gap] = False
    np.testing.assert_array_equal(covered(have, gap), have)


def test_filling_covers_nothing_beyond_the_rim_of_the_data():
    have = np.zeros((30, 30), bool)
    have[5:25, 5:25] = True
    have[5:10, 5:10] = False  # a notch at the corner, with no data across it
    np.testing.assert_array_equal(covered(have, 4), have)
    assert not covered(np.zeros((9, 9), bool), 3).any()

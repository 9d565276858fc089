"""Erosions, dilations and openings against scipy's running minima and maxima.

Source: scipy.ndimage.minimum_filter and maximum_filter (scipy's documentation), with infinity for what is
outside, which is how outside counts for nothing.
"""

import numpy as np
import pytest
from scipy import ndimage

from cloudprep.kernels.opening import dilation, erosion, opening

SIZES = (1, 3, 5, 33)
SHAPES = ((41, 57), (9, 14), (1, 40), (40, 1), (1, 1), (2, 70))


def raster(shape, dtype, seed=1, empty=0.0):
    """Return heights, many of them equal, of which a share is NaN."""
    rng = np.random.default_rng([seed, *shape])
    values = rng.normal(0, 50, shape).astype(dtype)
    coarse = rng.random(shape) < 0.3
    values[coarse] = np.ceil(values[coarse]) + 0.5
    values[rng.random(shape) < empty] = np.nan
    return values


def scipys(values, size, lowest):
    outside = np.isnan(values)
    beyond = np.inf if lowest else -np.inf
    filtered = ndimage.minimum_filter if lowest else ndimage.maximum_filter
    found = filtered(np.where(outside, beyond, values), size, mode="constant", cval=beyond)
    return np.where(outside, np.nan, found).astype(values.dtype)


def assert_same_bits(found, expected):
    assert found.dtype == expected.dtype
    assert found.shape == expected.shape
    empty = np.isnan(expected)
    assert np.array_equal(np.isnan(found), empty)
    assert found[~empty].tobytes() == expected[~empty].tobytes()


@pytest.mark.parametrize("empty", [0.0, 0.4, 0.95])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("size", [*SIZES, 101])
@pytest.mark.parametrize("shape", SHAPES)
def test_openings_are_built_of_scipys_minima_and_maxima_to_the_bit(shape, size, dtype, empty):
    values = raster(shape, dtype, empty=empty)
    given = values.copy()
    lowest = scipys(values, size, lowest=True)
    assert_same_bits(erosion(values, size), lowest)
    assert_same_bits(dilation(values, size), scipys(values, size, lowest=False))
    assert_same_bits(opening(values, size), scipys(lowest, size, lowest=False))
    assert_same_bits(values, given)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("size", [3, 33, 1001])
def test_openings_on_two_threads_equal_those_on_one(size, dtype):
    # More rows and columns than one thread takes at a time, and no multiple of that.
    values = raster((301, 613), dtype, empty=0.2)
    for work, lowest in ((erosion, True), (dilation, False)):
        assert_same_bits(work(values, size, threads=2), work(values, size))
        assert_same_bits(work(values, size), scipys(values, size, lowest=lowest))
    assert_same_bits(opening(values, size, threads=2), opening(values, size))


def test_openings_take_views_and_foreign_strides():
    values = raster((40, 60), np.float64)
    for view in (values.T, values[::-1, ::2], np.asfortranarray(values)):
        assert_same_bits(erosion(view, 5), scipys(np.ascontiguousarray(view), 5, lowest=True))


def test_openings_leave_a_raster_of_nothing_as_it_is():
    nothing = np.full((7, 9), np.nan, np.float32)
    assert np.isnan(opening(nothing, 5)).all()
    assert opening(np.empty((0, 4)), 3).shape == (0, 4)
    assert opening(np.empty((4, 0)), 3).shape == (4, 0)


def test_openings_of_one_cell_give_a_copy():
    values = raster((5, 6), np.float64)
    copy = opening(values, 1)
    assert not np.shares_memory(copy, values)
    assert_same_bits(copy, values)


@pytest.mark.parametrize("size", SIZES)
def test_openings_never_raise_anything_and_a_second_one_changes_nothing(size):
    values = raster((50, 44), np.float64, seed=2, empty=0.1)
    once = opening(values, size)
    inside = ~np.isnan(values)
    assert (once[inside] <= values[inside]).all()
    assert_same_bits(opening(once, size), once)


def test_openings_cut_what_is_narrower_than_the_window_and_nothing_else():
    ground = np.zeros((30, 30))
    ground[4:11, 4:24] = 6.0  # seven cells wide
    assert_same_bits(opening(ground, 7), ground)
    assert not opening(ground, 9).any()


@pytest.mark.parametrize("size", [0, -3, 2, 4])
def test_openings_refuse_windows_without_a_middle(size):
    for work in (erosion, dilation, opening):
        with pytest.raises(ValueError, match=f"odd number of cells, got {size}"):
            work(np.zeros((3, 3)), size)


@pytest.mark.parametrize("values", [np.zeros(4), np.zeros((2, 2, 2)), np.zeros((3, 3), np.int64)])
def test_openings_refuse_what_is_no_raster_of_floats(values):
    with pytest.raises(ValueError, match="2-D float raster"):
        opening(values, 3)

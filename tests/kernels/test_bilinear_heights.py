"""Heights between cell centres against scipy.

Source: scipy.interpolate.RegularGridInterpolator (scipy's documentation), method "linear".
"""

import numpy as np
import pytest
from scipy.interpolate import RegularGridInterpolator

from cloudprep.kernels.bilinear import bilinear


def raster(shape, dtype=np.float64, seed=1):
    return np.random.default_rng([seed, *shape]).normal(100, 30, shape).astype(dtype)


def positions(shape, margin, count=500, seed=2):
    """Return positions of which those with a margin of half a cell lie between the centres."""
    rng = np.random.default_rng(seed)
    rows, columns = shape
    return rng.uniform(margin, columns - margin, count), rng.uniform(margin, rows - margin, count)


def scipys(values, across, up):
    rows, columns = values.shape
    centres = np.arange(rows) + 0.5, np.arange(columns) + 0.5
    return RegularGridInterpolator(centres, values.astype(np.float64), method="linear")(np.c_[up, across])


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("shape", [(2, 2), (9, 14), (40, 3)])
def test_bilinear_heights_between_centres_equal_scipys(shape, dtype):
    values = raster(shape, dtype)
    across, up = positions(shape, 0.5)
    found = bilinear(values, across, up)
    assert found.dtype == np.float64
    np.testing.assert_allclose(found, scipys(values, across, up), rtol=0, atol=1e-11)


def test_bilinear_heights_at_centres_are_those_of_the_cells():
    values = raster((6, 8))
    row, column = (a.ravel() for a in np.indices(values.shape))
    np.testing.assert_array_equal(bilinear(values, column + 0.5, row + 0.5), values.ravel())


def test_bilinear_heights_go_on_unchanged_beyond_the_outermost_centres():
    values = raster((6, 8))
    across, up = positions(values.shape, -5)
    held = np.clip(across, 0.5, 7.5), np.clip(up, 0.5, 5.5)
    assert np.count_nonzero((held[0] != across) | (held[1] != up)) > 300
    np.testing.assert_array_equal(bilinear(values, across, up), bilinear(values, *held))
    np.testing.assert_allclose(bilinear(values, across, up), scipys(values, *held), rtol=0, atol=1e-11)


@pytest.mark.parametrize("shape", [(1, 9), (9, 1)])
def test_bilinear_heights_along_a_single_line_are_linear(shape):
    values = raster(shape)
    across, up = positions(shape, 0.0)
    along = across if shape[0] == 1 else up
    expected = np.interp(along, np.arange(9) + 0.5, values.ravel())
    np.testing.assert_allclose(bilinear(values, across, up), expected, rtol=0, atol=1e-11)


def test_bilinear_heights_leave_empty_cells_out_and_the_others_count_for_them():
    values = raster((15, 20))
    values[np.random.default_rng(3).random(values.shape) < 0.5] = np.nan
    across, up = positions(values.shape, 0.5)
    known = ~np.isnan(values)
    # The weights of the known cells alone, stretched to sum up to one: a quotient of two interpolations.
    weight = scipys(known, across, up)
    heights = scipys(np.where(known, values, 0.0), across, up)
    reached = np.zeros(len(across), bool)
    for dr in (0, 1):
        for dc in (0, 1):
            reached |= known[(up - 0.5).astype(int) + dr, (across - 0.5).astype(int) + dc]
    found = bilinear(values, across, up)
    assert 5 < np.count_nonzero(~reached) < 495
    np.testing.assert_array_equal(np.isnan(found), ~reached)
    np.testing.assert_allclose(found[reached], heights[reached] / weight[reached], rtol=0, atol=1e-9)


def test_bilinear_heights_do_not_read_past_an_empty_neighbour_without_weight():
    values = np.array([[1.0, np.nan], [3.0, np.nan]])
    np.testing.assert_array_equal(
        bilinear(values, np.array([0.5, 0.5, 0.2]), np.array([0.5, 1.0, 1.5])), [1, 2, 3]
    )


def test_bilinear_heights_of_a_raster_without_cells_are_missing():
    for shape in ((0, 0), (0, 5), (5, 0)):
        assert np.isnan(bilinear(np.empty(shape), np.array([0.5, 3.0]), np.array([0.5, 1.0]))).all()
    assert bilinear(np.zeros((3, 3)), np.empty(0), np.empty(0)).shape == (0,)

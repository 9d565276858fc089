"""Openings and closings by disks against scipy, and against minima taken cell by cell where a mask is given.

Source: scipy.ndimage.grey_opening and grey_closing (scipy's documentation), with a footprint.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy import ndimage

from cloudprep.kernels.opening_disk import chords, closed_by_disk, opened_by_disk

RADII = (1, 1.5, 2, 2.5, 3, 5, 9.3, 18)


def disk(radius):
    reach = int(radius)
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    return x**2 + y**2 <= radius**2


def heights(shape, seed=1):
    rng = np.random.default_rng([seed, *shape])
    values = rng.normal(0, 20, shape).astype(np.float32)
    # Equal values, zeros of both signs, and steps.
    values[rng.random(shape) < 0.3] = np.float32(-0.0)
    values[:, : shape[1] // 2] += 100
    return values


@pytest.mark.parametrize("radius", RADII)
@pytest.mark.parametrize("shape", [(50, 61), (3, 70), (70, 3), (1, 1), (1, 40)])
def test_openings_of_whole_rasters_equal_scipys(shape, radius):
    values, inside = heights(shape), np.ones(shape, bool)
    # Padded with what counts for nothing: scipy has no such border of its own for both halves.
    low = ndimage.minimum_filter(values, footprint=disk(radius), mode="constant", cval=np.inf)
    expected = ndimage.maximum_filter(low, footprint=disk(radius), mode="constant", cval=-np.inf)
    assert np.array_equal(opened_by_disk(values, radius, inside), expected)
    assert np.array_equal(closed_by_disk(-values, radius, inside), -expected)


@pytest.mark.parametrize("radius", RADII)
def test_away_from_the_edge_they_are_scipys_grey_opening_and_closing(radius):
    values, inside = heights((90, 95)), np.ones((90, 95), bool)
    inner = np.s_[37:-37, 37:-37]
    opened = ndimage.grey_opening(values, footprint=disk(radius))
    closed = ndimage.grey_closing(values, footprint=disk(radius))
    assert np.array_equal(opened_by_disk(values, radius, inside)[inner], opened[inner])
    assert np.array_equal(closed_by_disk(values, radius, inside)[inner], closed[inner])


def cell_by_cell(values, radius, inside):
    """Open by looking at every offset of the disk, inside cells only."""
    rows, columns = values.shape
    offsets = np.argwhere(disk(radius)) - int(radius)

    def extreme(source, best):
        result = source.copy()
        for r, c in np.argwhere(inside):
            seen = [
                source[r + dy, c + dx]
                for dy, dx in offsets
                if 0 <= r + dy < rows and 0 <= c + dx < columns and inside[r + dy, c + dx]
            ]
            result[r, c] = best(seen)
        return result

    return extreme(extreme(values, min), max)


RASTERS = hnp.array_shapes(min_dims=2, max_dims=2, max_side=9).flatmap(
    lambda shape: st.tuples(
        hnp.arrays(np.float32, shape, elements=st.integers(-9, 9).map(float)), hnp.arrays(bool, shape)
    )
)


@given(RASTERS, st.sampled_from([1, 1.5, 2, 3, 20]))
def test_cells_outside_count_for_nothing_and_keep_their_value(raster, radius):
    values, inside = raster
    values = values.copy()
    values[~inside] *= 1000
    expected = cell_by_cell(values, radius, inside)
    assert np.array_equal(opened_by_disk(values, radius, inside), expected)
    assert np.array_equal(closed_by_disk(-values, radius, inside), -expected)


@given(RASTERS, st.sampled_from([1, 2, 2.5]))
def test_an_opening_lowers_only_and_twice_is_once(raster, radius):
    values, inside = raster
    opened = opened_by_disk(values, radius, inside)
    assert (opened <= values).all()
    assert np.array_equal(opened_by_disk(opened, radius, inside), opened)
    closed = closed_by_disk(values, radius, inside)
    assert (closed >= values).all()
    assert np.array_equal(closed_by_disk(closed, radius, inside), closed)


def test_nan_outside_is_kept_and_spoils_nothing():
    values, inside = heights((20, 30)), np.ones((20, 30), bool)
    inside[:, 20:] = False
    values[:, 20:] = np.nan
    opened = opened_by_disk(values, 3, inside)
    assert np.isnan(opened[:, 20:]).all()
    alone = opened_by_disk(values[:, :20].copy(), 3, np.ones((20, 20), bool))
    assert np.array_equal(opened[:, :20], alone)


def test_wide_rasters_are_opened_in_strips_without_seams():
    values, inside = heights((7, 2300)), np.ones((7, 2300), bool)
    opened = opened_by_disk(values, 3, inside)
    for cut in (1000, 1024, 1030, 2048):
        part = np.s_[:, cut - 40 : cut + 40]
        alone = opened_by_disk(values[part].copy(), 3, inside[part].copy())
        assert np.array_equal(opened[part][:, 12:-12], alone[:, 12:-12])


@pytest.mark.parametrize("radius", [1, 2.5, 5, 13, 25])
def test_chords_hold_the_whole_disk_and_nothing_else(radius):
    # 5 and 13 are hypotenuses of whole numbers: cells that lie on the circle belong to it.
    widths = 2 * chords(radius) + 1
    assert widths.tolist() == disk(radius).sum(axis=1).tolist()


def test_what_cant_be_opened_is_refused():
    values, inside = np.ones((3, 4), np.float32), np.ones((3, 4), bool)
    for bad in (0, 0.5, np.nan, np.inf):
        with pytest.raises(ValueError, match="radius"):
            opened_by_disk(values, bad, inside)
    with pytest.raises(ValueError, match="float64"):
        opened_by_disk(values.astype(float), 1, inside)
    with pytest.raises(ValueError, match="mask"):
        opened_by_disk(values, 1, inside[:2])
    assert opened_by_disk(values[:0], 1, inside[:0]).shape == (0, 4)

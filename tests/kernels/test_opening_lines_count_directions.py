"""Directions that drop, against one-dimensional openings carried out cell by cell.

Source of the definition: an opening is the highest of the lowest values of all stretches through a cell
(P. Soille, "Morphological Image Analysis", Springer 2003, chapter 4).
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy import ndimage

from cloudprep.kernels.opening_lines import DIRECTIONS, directions_dropping


def one_side(values, inside, cell, step, reach):
    """Return the values along a direction up to the end of the profile."""
    rows, columns = values.shape
    seen = []
    r, c = cell[0] + step[0], cell[1] + step[1]
    while len(seen) < reach and 0 <= r < rows and 0 <= c < columns and inside[r, c]:
        seen.append(values[r, c])
        r, c = r + step[0], c + step[1]
    return seen


def cell_by_cell(values, length, threshold, inside, where=True):
    count = np.zeros(values.shape, np.uint8)
    for step in DIRECTIONS:
        cells = max(2, round(length / np.hypot(*step)) + 1)
        for cell in map(tuple, np.argwhere(inside & where)):
            before = one_side(values, inside, cell, (-step[0], -step[1]), cells - 1)
            after = one_side(values, inside, cell, step, cells - 1)
            profile = [*before[::-1], values[cell], *after]
            at = len(before)
            opened = max(min(profile[max(s, 0) : s + cells]) for s in range(at - cells + 1, at + 1))
            count[cell] += values[cell] - opened > threshold[cell]
    return count


# Eighths, so that differences are exact.
EIGHTHS = st.integers(0, 40).map(lambda i: i / 8)
RASTERS = hnp.array_shapes(min_dims=2, max_dims=2, max_side=12).flatmap(
    lambda shape: st.tuples(
        hnp.arrays(np.float64, shape, elements=EIGHTHS),
        hnp.arrays(np.float64, shape, elements=st.integers(0, 12).map(lambda i: i / 8)),
        hnp.arrays(bool, shape, elements=st.sampled_from([True, True, True, False])),
    )
)


@given(RASTERS, st.sampled_from([0.5, 1, 2, 3.7, 6, 100]))
def test_counts_are_those_of_openings_cell_by_cell(raster, length):
    values, threshold, inside = raster
    expected = cell_by_cell(values, length, threshold, inside)
    found = directions_dropping(values, length, threshold, inside)
    assert found.dtype == np.uint8
    assert np.array_equal(found, expected)


def test_wide_rasters_and_long_lines_are_counted_alike():
    rng = np.random.default_rng(1)
    values = (rng.integers(0, 60, (40, 300)) + np.round(24 * np.sin(np.arange(300) / 20))) / 8
    threshold = np.full(values.shape, 4.0)
    inside = rng.random(values.shape) < 0.995
    # On both sides of where one strip of columns ends.
    near = np.zeros(values.shape, bool)
    near[15:25, 115:141] = inside[15:25, 115:141]
    expected = cell_by_cell(values, 30, threshold, inside, near)
    found = directions_dropping(values, 30, threshold, inside)
    assert np.array_equal(found[near], expected[near])
    assert len(np.unique(found[near])) == 9


def test_along_a_row_it_is_scipys_grey_opening():
    # Only the direction along the row has room in a raster of one row.
    rng = np.random.default_rng(2)
    values = (rng.integers(0, 80, (1, 400)) / 8).astype(np.float32)
    opened = ndimage.grey_opening(values, (1, 11))
    found = directions_dropping(values, 10, np.full(values.shape, 2.0), np.ones(values.shape, bool))
    inner = np.s_[:, 20:-20]
    assert np.array_equal(found[inner], (values - opened > 2)[inner])
    assert found.any()


def test_a_crest_drops_in_few_directions_and_a_plant_in_all():
    y, x = np.mgrid[:41, :41]
    everywhere = np.ones((41, 41), bool)
    threshold = np.full((41, 41), 0.5)
    crest = np.where(np.abs(x - 20) <= 1, 4.0, 0.0)
    assert directions_dropping(crest, 6, threshold, everywhere)[20, 20] == 7
    bank = np.where(x > 20, 4.0, 0.0)
    assert not directions_dropping(bank, 10, threshold, everywhere).any()
    plant = np.where((np.abs(x - 20) <= 1) & (np.abs(y - 20) <= 1), 4.0, 0.0)
    assert directions_dropping(plant, 10, threshold, everywhere)[20, 20] == 8


def test_profiles_end_at_cells_outside():
    values = np.array([[0, 0, 3, 3, 0, 0]], float)
    threshold, inside = np.ones((1, 6)), np.ones((1, 6), bool)
    assert directions_dropping(values, 3, threshold, inside).tolist() == [[0, 0, 1, 1, 0, 0]]
    inside[0, 4] = False
    values[0, 4] = np.nan
    assert not directions_dropping(values, 3, threshold, inside).any()


def test_what_cant_be_counted_is_refused():
    values, inside = np.ones((3, 4)), np.ones((3, 4), bool)
    for bad in (0, -1, np.nan, np.inf):
        with pytest.raises(ValueError, match="length"):
            directions_dropping(values, bad, values, inside)
    with pytest.raises(ValueError, match="rasters"):
        directions_dropping(values, 3, values[:2], inside)
    assert directions_dropping(values[:0], 3, values[:0], inside[:0]).shape == (0, 4)

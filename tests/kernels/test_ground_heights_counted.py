"""Counts of heights: against numpy's histogram, scipy's median filter, and by hand.

Sources: numpy.histogramdd; scipy.ndimage.median_filter.
"""

import numpy as np
import pytest
from scipy import ndimage

from cloudprep.kernels.ground_heights import (
    BIN,
    BINS,
    LOWEST,
    Heights,
    count_over,
    lowest_heights,
    packed,
    sums_between,
    without_low_groups,
)

LEVELS = LOWEST + (np.arange(BINS) + 0.5) * BIN


def unpacked(heights: Heights):
    counts = np.zeros((*heights.shape, BINS), np.uint16)
    for r, c in np.ndindex(*heights.shape):
        own = slice(heights.start[r, c], heights.start[r, c + 1])
        counts[r, c, heights.bins[own]] = heights.counts[own]
    return counts


def counted(x, y, z, used=None, side=1, surface=None):
    surface = np.zeros((12, 14), np.float32) if surface is None else surface
    used = np.ones(len(x), bool) if used is None else used
    return count_over(x, y, z, used, lattice=(0.5, 0.25, 0.5), surface=surface, corner=(0, 1), side=side)


@pytest.mark.parametrize("side", [1, 2])
def test_counts_are_a_histogram(side):
    rng = np.random.default_rng(side)
    x, y, z = rng.uniform(0, 6, 4000), rng.uniform(0, 5, 4000), rng.normal(0.1, 0.6, 4000)
    used = rng.random(4000) < 0.8
    column, row, counts = counted(x, y, z, used, side)
    rows, columns = counts.shape[:2]
    edges = [
        row + np.arange(rows + 1),
        column + np.arange(columns + 1),
        np.linspace(LOWEST, LOWEST + BINS * BIN, BINS + 1),
    ]
    at = np.c_[(y + 0.5) / 0.5 / side, (x + 0.25) / 0.5 / side, z][used]
    expected, _ = np.histogramdd(at, edges)
    np.testing.assert_array_equal(counts, expected)
    assert counts.dtype == np.uint16
    assert 0 < counts.sum() < used.sum()  # some lie beyond


def test_heights_are_counted_over_the_surface():
    """By hand: between the centres of cells that rise by 0.2 m, 0.1 m more are under the point."""
    surface = np.tile(np.array([0.0, 0.2, 0.4, 0.6], np.float32), (3, 1))
    # Cells are half a metre wide; this is where the second column meets the third.
    _, _, counts = counted(np.array([0.75]), np.array([0.3]), np.array([0.33]), surface=surface)
    assert np.flatnonzero(counts).tolist() == [int((0.33 - 0.3 - LOWEST) / BIN)]


def test_counts_by_hand():
    """By hand: bins of 2 cm from -0.64 m; nothing, infinity and what lies beyond aren't counted."""
    above = np.array([-0.63, -0.65, 0.01, 0.95, 0.97, np.nan, np.inf, -np.inf, 1e300])
    nowhere = np.full(len(above), 0.3)
    _, _, counts = counted(nowhere, nowhere, above)
    assert np.flatnonzero(counts).tolist() == [0, 32, 79]
    assert counts.sum() == 3


def test_counts_end_at_the_largest_number():
    nowhere = np.zeros(70_000)
    assert counted(nowhere, nowhere, np.full(70_000, 0.01))[2].max() == 65_535


def some_counts(seed, shape=(9, 11)):
    rng = np.random.default_rng(seed)
    counts = rng.integers(0, 9, (*shape, BINS)) * (rng.random((*shape, BINS)) < 0.1)
    counts[rng.random(shape) < 0.2] = 0
    return counts.astype(np.uint16)


def test_packing_loses_nothing():
    counts = some_counts(3)
    heights = packed(counts)
    np.testing.assert_array_equal(unpacked(heights), counts)
    assert len(heights.bins) == np.count_nonzero(counts)


@pytest.mark.parametrize("seed", range(3))
def test_sums_are_those_of_the_bins_between_the_limits(seed):
    rng = np.random.default_rng(seed)
    counts = rng.integers(0, 9, (4, 5, BINS)).astype(np.uint16)
    low = rng.uniform(-0.9, 0.6, (4, 5))
    high = low + rng.uniform(-0.1, 0.9, (4, 5))
    sums = sums_between(packed(counts), low, high)
    for r, c in np.ndindex(4, 5):
        heights = np.repeat(LEVELS, counts[r, c])
        chosen = heights[(heights >= low[r, c]) & (heights <= high[r, c])]
        expected = len(chosen), chosen.sum(), (chosen**2).sum()
        np.testing.assert_allclose(sums[:, r, c], expected, atol=1e-9)


def test_lowest_heights_are_those_of_the_first_filled_bin():
    counts = np.zeros((1, 3, BINS), np.uint16)
    counts[0, 0, [5, 6]] = 1
    counts[0, 2, 79] = 3
    np.testing.assert_allclose(lowest_heights(packed(counts)), [[-0.64 + 0.11, np.nan, 0.95]])


@pytest.mark.parametrize("box", [3, 4, 7, 14])
@pytest.mark.parametrize("seed", range(3))
def test_low_groups_are_those_below_the_median_around(seed, box):
    counts = some_counts(seed)
    heights = packed(counts)
    depth = np.random.default_rng(seed).uniform(0.0, 0.3, heights.shape)
    median = ndimage.median_filter(np.nan_to_num(lowest_heights(heights)), box)
    limit = (median - depth)[:, :, None]
    expected = np.where(limit <= LEVELS, counts, 0)
    kept = unpacked(without_low_groups(heights, depth, box))
    np.testing.assert_array_equal(kept, expected)
    assert kept.any()
    assert (kept != counts).any()

"""Windows, thresholds and the progressive steps by the formulas of the paper.

Source: K. Zhang, S.-C. Chen, D. Whitman, M.-L. Shyu, J. Yan, C. Zhang, "A progressive morphological filter
for removing nonground measurements from airborne LIDAR data", IEEE Transactions on Geoscience and Remote
Sensing 41(4), 872-882, 2003. Each formula says whether it was read in works that quote the paper, or is from
memory.
"""

import numpy as np
import pytest
from scipy import ndimage

from cloudprep.kernels.progressive import cut_off, height_thresholds, window_sizes


@pytest.mark.parametrize("base", [2, 3, 7])
def test_progressive_windows_that_double_are_2_b_to_the_k_plus_1(base):
    # Zhang et al. 2003, w_k = 2 b^k + 1, as quoted in later works.
    windows = window_sizes(geometric=True, base=base, cell=1.0, largest=900.0)
    assert windows == [2 * base**k + 1 for k in range(1, len(windows) + 1)]


@pytest.mark.parametrize("base", [1, 2, 5])
def test_progressive_windows_that_grow_evenly_are_2_k_b_plus_1(base):
    # Zhang et al. 2003, w_k = 2 k b + 1, from memory.
    windows = window_sizes(geometric=False, base=base, cell=1.0, largest=90.0)
    assert windows == [2 * k * base + 1 for k in range(1, len(windows) + 1)]


def test_progressive_windows_written_out_for_base_2():
    # b = 2 is the paper's usual base (from memory); the numbers follow from the two formulas by hand.
    assert window_sizes(geometric=True, base=2, cell=1.0, largest=60.0) == [5, 9, 17, 33, 65]
    assert window_sizes(geometric=False, base=2, cell=1.0, largest=20.0) == [5, 9, 13, 17, 21]
    assert window_sizes(geometric=False, base=1, cell=0.5, largest=4.0) == [3, 5, 7, 9]


@pytest.mark.parametrize("geometric", [True, False])
@pytest.mark.parametrize("cell", [0.25, 1.0, 2.5])
@pytest.mark.parametrize("largest", [0.1, 5.0, 19.9, 20.0, 60.0, 100.0])
def test_progressive_windows_end_with_the_first_that_spans_the_largest_building(geometric, cell, largest):
    # The largest window must exceed the largest building's shorter side: a secondary source on the paper.
    windows = window_sizes(geometric=geometric, base=2, cell=cell, largest=largest)
    assert windows[-1] * cell >= largest
    assert all(w * cell < largest for w in windows[:-1])
    assert all(w % 2 == 1 for w in windows)


@pytest.mark.parametrize("geometric", [True, False])
@pytest.mark.parametrize(
    ("cell", "slope", "initial", "largest"), [(1, 0.3, 0.3, 2.5), (0.5, 1.0, 0.2, 9.0), (2.5, 0.1, 0.25, 0.6)]
)
def test_progressive_thresholds_follow_the_papers_three_cases(geometric, cell, slope, initial, largest):
    # Zhang et al. 2003: dh_0 if w_k <= 3 (from memory); s (w_k - w_(k-1)) c + dh_0 if w_k > 3 (as quoted in
    # later works); dh_max where that is more (from memory).
    windows = window_sizes(geometric=geometric, base=2 if geometric else 1, cell=cell, largest=60.0)
    found = height_thresholds(windows, cell=cell, slope=slope, initial=initial, largest=largest)
    assert len(found) == len(windows)
    for k in range(1, len(windows)):
        expected = slope * (windows[k] - windows[k - 1]) * cell + initial if windows[k] > 3 else initial
        assert found[k] == pytest.approx(min(expected, largest), rel=1e-12)
    if windows[0] <= 3:
        assert found[0] == initial


def test_progressive_thresholds_written_out():
    # By hand from the same formulas; s 0.3, c 1 m, dh_0 0.3 m, dh_max 2.5 m.
    found = height_thresholds([3, 5, 9, 17, 33], cell=1.0, slope=0.3, initial=0.3, largest=2.5)
    assert found == pytest.approx([0.3, 0.9, 1.5, 2.5, 2.5])
    # No threshold exceeds dh_max, the first one neither.
    assert height_thresholds([3], cell=1.0, slope=0.3, initial=0.8, largest=0.5) == [0.5]


@pytest.mark.parametrize("slope", [0.1, 0.5, 1.5])
def test_progressive_thresholds_let_the_terrain_of_their_slope_pass(slope):
    # Zhang et al. 2003, from memory: s = dh_t / ((w_k - w_(k-1)) / 2 c), with dh_t the terrain's height
    # difference over the step to the next window. Thresholds from that s must spare a ridge whose flanks have
    # that slope, with windows that open it step by step; without the slope's part they cut it.
    windows = window_sizes(geometric=True, base=2, cell=1.0, largest=60.0)
    ridge = np.tile(100 - slope * abs(np.arange(-60, 61.0)), (121, 1))
    known = height_thresholds(windows, cell=1.0, slope=slope, initial=0.01, largest=1e6)
    flat = height_thresholds(windows, cell=1.0, slope=1e-9, initial=0.01, largest=1e6)
    assert not cut_off(ridge, windows, known)[0].any()
    assert cut_off(ridge, windows, flat)[0].any()


def scipys_filter(surface, windows, thresholds):
    """Return the paper's loop in scipy's terms: open, compare with the step before, go on with the opened."""
    outside = np.isnan(surface)
    objects = np.zeros(surface.shape, bool)
    for window, threshold in zip(windows, thresholds, strict=True):
        low = ndimage.minimum_filter(np.where(outside, np.inf, surface), window, mode="constant", cval=np.inf)
        low[outside] = -np.inf
        opened = ndimage.maximum_filter(low, window, mode="constant", cval=-np.inf)
        objects |= ~outside & (np.where(outside, 0, surface) - np.where(outside, 0, opened) > threshold)
        surface = np.where(outside, np.nan, opened)
    return objects, surface


@pytest.mark.parametrize("empty", [0.0, 0.2])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_progressive_steps_equal_the_papers_loop_written_with_scipy(seed, empty):
    # Zhang et al. 2003, from memory: a cell is an object if an opening lowers it by more than the threshold,
    # and the next step works on the opened surface. The minima and maxima are scipy.ndimage's (scipy's
    # documentation).
    rng = np.random.default_rng(seed)
    row, column = np.indices((70, 90))
    surface = 100 + 0.2 * column + 3 * np.sin(row / 9) + rng.normal(0, 0.1, row.shape)
    for _ in range(12):
        r, c, height, width = rng.integers([0, 0, 2, 2], [60, 80, 25, 25])
        surface[r : r + height, c : c + width] += rng.uniform(0.5, 9)
    surface[rng.random(surface.shape) < empty] = np.nan
    windows = window_sizes(geometric=True, base=2, cell=1.0, largest=30.0)
    thresholds = height_thresholds(windows, cell=1.0, slope=0.3, initial=0.3, largest=2.5)
    objects, opened = cut_off(surface, windows, thresholds)
    expected, left = scipys_filter(surface, windows, thresholds)
    assert 100 < np.count_nonzero(expected) < 6000
    np.testing.assert_array_equal(objects, expected)
    np.testing.assert_array_equal(opened, left)


def test_progressive_steps_cut_more_than_the_threshold_only():
    # From memory, as above: "greater than" the threshold; both heights are exact in binary.
    surface = np.zeros((9, 9))
    surface[4, 4], surface[1, 1] = 0.5, 0.75
    objects, opened = cut_off(surface, [3], [0.5])
    assert np.argwhere(objects).tolist() == [[1, 1]]
    assert not opened.any()

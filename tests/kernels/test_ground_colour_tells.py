"""Greenness against its formula, its counts against numpy's histogram, what is learnt against known shares.

Sources: the normalised excess green (2g - r - b) / (r + g + b) of Woebbecke, Meyer, Von Bargen and Mortensen
1995 (from memory); Youden's index of a test is sensitivity + specificity - 1 (Youden 1950, from memory);
numpy.histogramdd; the normal distribution by scipy.stats.
"""

import numpy as np
import pytest
from scipy.stats import norm

from cloudprep.kernels.ground_colour import (
    DARKEST,
    DEEP,
    SHADE,
    SHADES,
    SHALLOW,
    TALL,
    Shades,
    count_shades,
    greenness,
    joined_shades,
    learnt_greens,
)


def test_greenness_follows_its_formula_at_any_depth():
    rng = np.random.default_rng(1)
    red, green, blue = rng.integers(0, 256, (3, 500)).astype(np.uint16)
    red[0], green[0], blue[0] = 0, 200, 0
    red[1], green[1], blue[1] = 200, 0, 100
    chromatic = np.array([red, green, blue]) / (red.astype(int) + green + blue)
    expected = 2 * chromatic[1] - chromatic[0] - chromatic[2]
    np.testing.assert_allclose(greenness(red, green, blue), expected, rtol=0, atol=1e-14)
    assert greenness(red, green, blue)[:2].tolist() == [2.0, -1.0]
    deep = (a * np.uint16(257) for a in (red, green, blue))
    np.testing.assert_allclose(greenness(*deep), expected, rtol=0, atol=1e-14)


def test_greenness_of_grey_is_zero_and_black_has_none():
    grey = np.array([1, 128, 65535, 0], np.uint16)
    assert greenness(grey, grey, grey)[:3].tolist() == [0.0, 0.0, 0.0]
    assert np.isnan(greenness(grey, grey, grey)[3])


def cloud(seed=1, n=6000):
    rng = np.random.default_rng(seed)
    row, column = rng.integers(-2, 5, n), rng.integers(3, 9, n)
    shade = np.where(rng.random(n) < 0.02, np.nan, rng.uniform(-0.4, 0.6, n))
    return row, column, shade, rng.uniform(-1, 6, n), rng.uniform(0.1, 2.0, n)


def test_counts_are_histograms_with_open_ends():
    row, column, shade, over, limit = cloud()
    found = count_shades(row, column, shade, over, limit)
    assert (found.column, found.row) == (column.min(), row.min())
    have = ~np.isnan(shade)
    bins = np.clip(np.floor((shade - DARKEST) / SHADE), 0, SHADES - 1)
    edges = [np.arange(-2, 6) - 0.5, np.arange(3, 10) - 0.5, np.arange(SHADES + 1) - 0.5]
    low = have & (over >= DEEP) & (over <= SHALLOW)
    middle = have & (over > SHALLOW) & (over <= limit)
    for near, chosen in zip(found.near, (low, middle), strict=True):
        expected, _ = np.histogramdd(np.c_[row, column, bins][chosen], edges)
        np.testing.assert_array_equal(near, expected)
    high = have & (over > limit) & (over <= TALL)
    np.testing.assert_array_equal(found.above, np.bincount(bins[high].astype(int), minlength=SHADES))


def test_counts_of_parts_add_up_to_those_of_the_whole():
    whole = cloud(2)
    part = np.random.default_rng(2).integers(0, 4, len(whole[0]))
    parts = [count_shades(*(a[part == k] for a in whole)) for k in (3, 1, 0, 2)]
    nothing = count_shades(*(a[:0] for a in whole))
    joined, expected = joined_shades([nothing, *parts]), count_shades(*whole)
    assert (joined.column, joined.row) == (expected.column, expected.row)
    np.testing.assert_array_equal(joined.near, expected.near)
    np.testing.assert_array_equal(joined.above, expected.above)
    assert learnt_greens(joined_shades([nothing])) is None


def drawn(ground, plants, *, patches=1, green_low=0.0, seed=3, n=40_000):
    """Count normal shades: of soil on the lower side and of plants above; some plants lie low, too."""
    rng = np.random.default_rng(seed)
    row = rng.integers(0, patches, 3 * n)
    shade = np.r_[rng.normal(*ground, n), rng.normal(*plants, 2 * n)]
    plants_over = np.where(rng.random(n) < green_low, 0.0, 0.1)
    over = np.r_[np.zeros(n), plants_over, np.full(n, 2.0)]
    return count_shades(row, np.zeros(3 * n, np.int64), shade, over, np.full(3 * n, 0.3))


@pytest.mark.parametrize("apart", [0.05, 0.1, 0.15])
def test_what_is_told_is_the_index_of_two_normal_distributions(apart):
    """By hand: cut halfway between normals of the same spread s, the index is 2 F(apart / 2 s) - 1."""
    greens = learnt_greens(drawn((0.0, 0.04), (apart, 0.04)))
    expected = 2 * norm.cdf(apart / 0.08) - 1
    assert greens.told == pytest.approx(expected, abs=0.015)
    assert greens.tells == (expected > 0.5)
    assert greens.beyond == pytest.approx(apart / 2, abs=SHADE)


@pytest.mark.parametrize(("ground", "plants"), [(0.2, 0.2), (0.2, 0.05), (0.2, 0.21)])
def test_nothing_is_told_where_ground_is_as_green_as_plants(ground, plants):
    assert not learnt_greens(drawn((ground, 0.03), (plants, 0.03))).tells


def test_nothing_is_told_by_one_colour_or_by_few_points():
    one = learnt_greens(drawn((0.1, 0.0), (0.1, 0.0)))
    assert one.told <= 0
    assert learnt_greens(drawn((0.0, 0.03), (0.2, 0.03), n=150)) is None


@pytest.mark.parametrize(("share", "weight"), [(0.0, 1.0), (0.2, 1.0), (0.375, 0.5), (0.55, 0.0), (1.0, 0.0)])
def test_green_weighs_less_where_it_lies_as_low_as_the_ground(share, weight):
    """By hand: full up to a quarter of how often other points lie low (here always), nothing from a half."""
    greens = learnt_greens(drawn((0.0, 0.02), (0.2, 0.02), green_low=share))
    assert greens.weight == pytest.approx(weight, abs=0.03)


def test_green_weighs_nothing_in_green_patches_only():
    brown = drawn((0.0, 0.02), (0.2, 0.02), patches=1)
    green = drawn((0.2, 0.02), (0.2, 0.02), patches=1, n=4000)
    far = Shades(0, 6, green.near, green.above)
    greens = learnt_greens(joined_shades([brown, far]))
    assert greens.tells
    assert greens.weight[0, 0] == 1.0
    assert greens.weight[6, 0] == 0.0

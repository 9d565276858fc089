"""Flight lines compared: points near the middles of cells, offsets by hand, chains, any order and blocks."""

import numpy as np
import pytest

from cloudprep.kernels.ground_cells import LowestPoints
from cloudprep.kernels.ground_lines import (
    LineSamples,
    joined_lines,
    joined_samples,
    line_offsets,
    line_samples,
    lines_of_lowest,
)


def samples_of(*points, side=1.0):
    """Return the samples of points given as line, x, y, z."""
    line, x, y, z = (np.array(v, float) for v in zip(*points, strict=True))
    return line_samples(x, y, z, line.astype(np.uint16), side)


def cover(seed, lines, side=24, each=3):
    """Return x, y and line of points; ``lines`` says from where to where along x each line reaches."""
    rng = np.random.default_rng(seed)
    x, y, line = [], [], []
    for number, (left, right) in lines.items():
        n = int(each * side * (right - left))
        x.append(rng.uniform(left, right, n))
        y.append(rng.uniform(0, side, n))
        line.append(np.full(n, number, np.uint16))
    return np.concatenate(x), np.concatenate(y), np.concatenate(line), rng


def compared(x, y, z, line):
    samples = line_samples(x, y, z, line, 1.0)
    return line_offsets(samples, samples.z, 1.0)


# -- samples -------------------------------------------------------------------------------------------------


def test_the_point_nearest_to_the_middle_stands_for_its_line_however_high_it_is():
    found = samples_of((5, 0.1, 0.1, 1.0), (5, 0.6, 0.5, 9.0), (2, 0.9, 0.9, 3.0), (5, 1.2, 0.5, 4.0))
    assert found.line.tolist() == [2, 5, 5]
    assert found.z.tolist() == [3.0, 9.0, 4.0]


def test_among_equally_near_points_the_lowest_stands_and_then_the_western_and_southern_one():
    assert samples_of((1, 0.25, 0.5, 7.0), (1, 0.75, 0.5, 6.0)).x.tolist() == [0.75]
    assert samples_of((1, 0.75, 0.5, 7.0), (1, 0.25, 0.5, 7.0)).x.tolist() == [0.25]
    assert samples_of((1, 0.5, 0.75, 7.0), (1, 0.5, 0.25, 7.0)).y.tolist() == [0.25]


@pytest.mark.parametrize("seed", range(6))
def test_samples_are_those_that_sorting_finds(seed):
    """The outside value: numpy's lexsort over cell, line, distance, height and place."""
    rng = np.random.default_rng(seed)
    n = 4000
    x, y = np.round(rng.uniform(-9, 11, (2, n)) * 8) / 8
    z, line = np.round(rng.normal(size=n), 1), rng.integers(0, 9, n).astype(np.uint16)
    side = 2.0
    column, row = np.floor(x / side), np.floor(y / side)
    away = (x / side - column - 0.5) ** 2 + (y / side - row - 0.5) ** 2
    order = np.lexsort((y, x, z, away, line, column, row))
    key = np.c_[row, column, line][order]
    first = order[np.r_[True, (np.diff(key, axis=0) != 0).any(axis=1)]]
    found = line_samples(x, y, z, line, side)
    for got, column_ in zip(found, (line, x, y, z), strict=True):
        np.testing.assert_array_equal(got, column_[first])


@pytest.mark.parametrize("seed", range(4))
def test_neither_blocks_nor_any_order_show_in_samples_or_lines_of_lowest_points(seed):
    rng = np.random.default_rng(seed)
    n = 3000
    x, y = np.round(rng.uniform(0, 20, (2, n)), 1)
    z, line = np.round(rng.normal(size=n), 1), rng.integers(0, 300, n).astype(np.uint16)
    whole, lowest, lines = line_samples(x, y, z, line, 2.0), *lowest_of(x, y, z, line)
    part = rng.integers(0, 5, n)
    shares = [tuple(a[part == k][::-1] for a in (x, y, z, line)) for k in (3, 0, 4, 1, 2)]
    together = joined_samples([line_samples(*share, 2.0) for share in shares], 2.0)
    for got, wanted in zip(together, whole, strict=True):
        np.testing.assert_array_equal(got, wanted)
    parts = [lowest_of(*share) for share in shares]
    np.testing.assert_array_equal(joined_lines(lowest, *zip(*parts, strict=True)), lines)


def lowest_of(x, y, z, line):
    """Return the lowest points of cells of 1 m, found by sorting, and their lines."""
    column, row = np.floor(x).astype(int), np.floor(y).astype(int)
    c, r = column.min(), row.min()
    cells = LowestPoints(
        c, r, *(np.full((row.max() - r + 1, column.max() - c + 1), np.nan) for _ in range(3))
    )
    for i in np.lexsort((y, x, z))[::-1]:
        for raster, values in zip(cells[2:], (x, y, z), strict=True):
            raster[row[i] - r, column[i] - c] = values[i]
    return cells, lines_of_lowest(cells, x, y, z, line, 1.0)


def test_the_smallest_line_counts_where_several_have_the_very_lowest_point():
    x, y, z = np.array([0.5, 0.5, 0.2, 2.5]), np.full(4, 0.5), np.array([1.0, 1.0, 2.0, 0.0])
    found = lowest_of(x, y, z, np.array([9, 4, 1, 6], np.uint16))[1]
    assert found.tolist() == [[4, 65535, 6]]


def test_without_points_there_are_no_samples_and_no_offsets():
    none = line_samples(*(np.zeros(0) for _ in range(3)), np.zeros(0, np.uint16), 1.0)
    assert len(none.x) == 0
    assert len(line_offsets(none, none.z, 1.0).line) == 0


# -- offsets -------------------------------------------------------------------------------------------------


def test_offsets_by_hand():
    """In each patch of 4 by 4 cells line 8 lies 0.2 m higher but for 1 cell; in 3 of 16 patches, 0.3 m."""
    row, column = (a.ravel() for a in np.mgrid[0:16, 0:16])
    rise = np.where((row < 4) & (column < 12), 0.3, 0.2)
    rise[(row % 4 == 1) & (column % 4 == 2)] = 0.9
    x, y = np.repeat(column + 0.5, 2), np.repeat(row + 0.5, 2)
    z = np.c_[np.full(256, 0.01), rise + 0.01].ravel()
    found = line_offsets(LineSamples(np.tile(np.array([3, 8], np.uint16), 256), x, y, z), z, 1.0)
    assert found.line.tolist() == [3, 8]
    # Both cover as much: the lower one is at 0. Most patches agree: the error is the least that is believed.
    np.testing.assert_allclose(found.offset, [0.0, 0.2], atol=1e-12)
    np.testing.assert_allclose(found.error, [0.0, 0.002], atol=1e-12)
    assert found.clear.tolist() == [False, True]


def test_the_line_that_covers_most_lies_at_zero():
    x, y, line, rng = cover(1, {1: (0, 20), 2: (10, 60)})
    z = np.where(line == 1, 0.2, 0.0) + rng.normal(0, 0.03, len(x))
    for sign in (1, -1):
        found = compared(x, y, sign * z, line)
        np.testing.assert_allclose(found.offset, [0.2 * sign, 0], atol=0.02)
        assert found.clear.tolist() == [True, False]


def test_chains_of_overlaps_connect_lines_and_errors_add_up_along_them():
    spans = {k + 1: (16 * k, 16 * k + 24) for k in range(5)}
    true = np.array([0.3, 0.0, 0.0, 0.0, -0.2])
    x, y, line, rng = cover(2, spans, side=40)
    found = compared(x, y, true[line - 1] + rng.normal(0, 0.03, len(x)), line)
    np.testing.assert_allclose(found.offset, true, atol=0.03)
    assert found.clear.tolist() == [True, False, False, False, True]
    assert len(set(found.group)) == 1
    middle = int(np.argmin(found.error))
    assert middle in {1, 2, 3}
    assert found.error[middle] == 0
    assert (np.diff(found.error[: middle + 1]) < 0).all()
    assert (np.diff(found.error[middle:]) > 0).all()


def test_lines_without_overlap_are_not_compared():
    x, y, line, _ = cover(3, {1: (0, 20), 2: (20, 40), 7: (22, 40)})
    found = compared(x, y, np.where(line == 1, 0.5, 0.0), line)
    assert found.offset.tolist() == [0, 0, 0]
    assert found.error[0] == 0
    assert found.group[1] == found.group[2] != found.group[0]


@pytest.mark.parametrize("share", [1.0, 0.3])
def test_a_thin_line_lies_no_higher_than_a_dense_one(share):
    """The lowest of a patch would: 0.06 m noise, and one line has many times the points."""
    x, y, line, rng = cover(4, {1: (0, 40), 2: (0, 40)}, side=40, each=20)
    kept = (line == 1) | (rng.random(len(x)) < share)
    x, y, line = x[kept], y[kept], line[kept]
    found = compared(x, y, 0.6 * x + rng.normal(0, 0.06, len(x)) - 0.6 * np.floor(x) - 0.3, line)
    assert np.abs(found.offset).max() < 4 * found.error.max()
    assert not found.clear.any()


def test_hundreds_of_lines_over_one_place_are_compared_in_one_go():
    rng = np.random.default_rng(5)
    n = 60_000
    x, y = rng.uniform(0, 40, (2, n))
    line = rng.integers(0, 400, n).astype(np.uint16)
    found = compared(x, y, np.where(line == 17, 0.5, 0.0), line)
    assert len(found.line) == 400
    assert not found.clear[found.line != 17].any()


def test_false_offsets_are_rare_where_plants_scatter_the_points():
    clear = 0
    for seed in range(20):
        x, y, line, rng = cover(100 + seed, {1: (0, 40), 2: (0, 40), 3: (0, 40)}, side=40)
        clear += compared(x, y, rng.gamma(1.0, 0.2, len(x)), line).clear.sum()
    assert clear == 0

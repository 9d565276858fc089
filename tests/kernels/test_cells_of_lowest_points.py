"""The lowest point of each cell against plain Python loops; joining the parts of a site."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cloudprep.kernels.cell_summary import (
    CellGrid,
    _lower,
    _lowest_index,
    joint_shape,
    lowest_per_cell,
    lowest_point_per_cell,
    merge_lowest,
    round_cell,
)

SHAPE = (7, 11)
PARTS = st.lists(st.tuples(*[st.integers(-6, 6)] * 2, *[st.integers(0, 5)] * 2), min_size=1, max_size=6)


def cloud(count=400, seed=1):
    """Return cells and coordinates of points, many of them equally low, that leave some cells empty."""
    rng = np.random.default_rng(seed)
    row, column = (rng.integers(0, n - 1, count) for n in SHAPE)
    x, y, z = (rng.integers(-3, 4, count) / 2.0 for _ in range(3))
    return column, row, x, y, z


def by_cell(column, row):
    members = {}
    for i, cell in enumerate(zip(row.tolist(), column.tolist(), strict=True)):
        members.setdefault(cell, []).append(i)
    return members


@pytest.mark.parametrize("count", [0, 1, 30, 2000])
def test_cells_hold_the_lowest_height_of_their_points(count):
    column, row, _, _, z = cloud(count)
    expected = np.full(SHAPE, np.nan)
    for cell, members in by_cell(column, row).items():
        expected[cell] = min(z[i] for i in members)
    assert np.isnan(expected).any()
    np.testing.assert_array_equal(lowest_per_cell(column, row, z, SHAPE), expected)


@pytest.mark.parametrize("count", [0, 1, 30, 2000])
def test_cells_name_the_lowest_point_by_height_then_x_then_y(count):
    column, row, x, y, z = cloud(count)
    found = lowest_point_per_cell(column, row, x, y, z, SHAPE)
    members = by_cell(column, row)
    assert set(zip(*(a.tolist() for a in np.nonzero(found >= 0)), strict=True)) == set(members)
    for cell, points in members.items():
        best = min((z[i], x[i], y[i]) for i in points)
        k = found[cell]
        assert k in points
        assert (z[k], x[k], y[k]) == best


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_cells_do_not_depend_on_the_order_of_the_points(seed):
    column, row, x, y, z = cloud(seed=seed)
    order = np.random.default_rng(seed).permutation(len(z))
    lowest = lowest_per_cell(column, row, z, SHAPE)
    np.testing.assert_array_equal(lowest_per_cell(column[order], row[order], z[order], SHAPE), lowest)
    first = lowest_point_per_cell(column, row, x, y, z, SHAPE)
    other = lowest_point_per_cell(column[order], row[order], x[order], y[order], z[order], SHAPE)
    filled = first >= 0
    assert np.array_equal(filled, other >= 0)
    for axis in (x, y, z):
        np.testing.assert_array_equal(axis[first[filled]], axis[order][other[filled]])


OUTSIDE = [(-1, 0), (0, -1), (SHAPE[1], 0), (0, SHAPE[0]), (-1, -1), (10**12, 0), (0, -(10**12))]


@pytest.mark.parametrize(("c", "r"), OUTSIDE)
def test_cells_refuse_points_outside_the_raster(c, r):
    column, row, x, y, z = cloud(50)
    column, row = np.append(column[1:], c), np.append(row[1:], r)
    with pytest.raises(ValueError, match=r"^1 of 50 points lie outside the raster of 7 x 11 cells$"):
        lowest_per_cell(column, row, z, SHAPE)
    with pytest.raises(ValueError, match=r"^1 of 50 points lie outside"):
        lowest_point_per_cell(column, row, x, y, z, SHAPE)


def test_cells_outside_the_raster_are_never_written():
    # The raster is a piece cut out of a larger one: a write beyond its edge would show in the rest.
    rng = np.random.default_rng(4)
    column, row = rng.integers(-4, SHAPE[1] + 4, 900), rng.integers(-4, SHAPE[0] + 4, 900)
    outside = (column < 0) | (row < 0) | (column >= SHAPE[1]) | (row >= SHAPE[0])
    x, y, z = rng.normal(0, 1, (3, 900))
    sheet = np.full((SHAPE[0] + 10, SHAPE[1] + 10), 77.0)
    numbers = np.full(sheet.shape, -1)
    middle = np.s_[5 : 5 + SHAPE[0], 5 : 5 + SHAPE[1]]
    assert _lower(column, row, z, sheet[middle]) == outside.sum() > 0
    assert _lowest_index(column, row, x, y, z, numbers[middle]) == outside.sum()
    assert (numbers[middle] >= 0).any()
    sheet[middle], numbers[middle] = 77.0, -1
    assert (sheet == 77.0).all()
    assert (numbers == -1).all()


def plainly_merged(parts):
    cells = {}
    for part in parts:
        for (r, c), value in np.ndenumerate(part.values):
            cells.setdefault((part.row + r, part.column + c), []).append(value)
    row, column = min(r for r, _ in cells), min(c for _, c in cells)
    shape = max(r for r, _ in cells) - row + 1, max(c for _, c in cells) - column + 1
    values = np.full(shape, np.nan)
    for (r, c), found in cells.items():
        known = [v for v in found if v == v]  # noqa: PLR0124 - NaN
        if known:
            values[r - row, c - column] = min(known)
    return CellGrid(column, row, values)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(PARTS, st.integers(0, 99))
def test_cells_of_overlapping_parts_join_in_any_order(places, seed):
    rng = np.random.default_rng(seed)
    parts = []
    for column, row, rows, columns in places:
        values = rng.integers(0, 9, (rows, columns)) * 1.0
        values[rng.random(values.shape) < 0.3] = np.nan
        parts.append(CellGrid(column, row, values))
    given_values = [p.values.copy() for p in parts]
    if not any(p.values.size for p in parts):
        assert merge_lowest(parts).values.size == 0
        assert joint_shape(parts) == (0, 0)
        return
    expected = plainly_merged(parts)
    for order in (range(len(parts)), rng.permutation(len(parts))):
        joined = merge_lowest([parts[i] for i in order])
        assert (joined.column, joined.row) == (expected.column, expected.row)
        np.testing.assert_array_equal(joined.values, expected.values)
        assert joint_shape([parts[i] for i in order]) == expected.values.shape
    # In two steps it comes to the same, and the parts stay what they were.
    half = len(parts) // 2
    stepwise = merge_lowest([merge_lowest(parts[half:]), merge_lowest(parts[:half])])
    assert (stepwise.column, stepwise.row) == (expected.column, expected.row)
    np.testing.assert_array_equal(stepwise.values, expected.values)
    for part, before in zip(parts, given_values, strict=True):
        np.testing.assert_array_equal(part.values, before)


def test_cells_of_no_parts_are_no_cells():
    assert merge_lowest([]).values.shape == (0, 0)
    assert joint_shape([]) == (0, 0)


@pytest.mark.parametrize("seed", [1, 2])
def test_cells_of_pieces_of_a_cloud_join_to_those_of_the_whole(seed):
    column, row, _, _, z = cloud(seed=seed)
    piece = np.random.default_rng(seed).integers(0, 5, len(z))
    parts = []
    for k in range(5):
        c, r, h = column[piece == k], row[piece == k], z[piece == k]
        shape = r.max() - r.min() + 1, c.max() - c.min() + 1
        lowest = lowest_per_cell(c - c.min(), r - r.min(), h, shape)
        parts.append(CellGrid(int(c.min()), int(r.min()), lowest))
    joined = merge_lowest(parts)
    whole = lowest_per_cell(column, row, z, SHAPE)
    r, c = joined.values.shape
    place = np.s_[joined.row : joined.row + r, joined.column : joined.column + c]
    np.testing.assert_array_equal(joined.values, whole[place])
    assert np.count_nonzero(~np.isnan(joined.values)) == np.count_nonzero(~np.isnan(whole))


def test_cells_of_round_size_divide_a_kilometre_and_are_not_below_what_is_asked():
    last = 0.0
    for least in np.linspace(0.01, 100, 4001):
        size = round_cell(float(least))
        assert size >= least
        assert (1000 / size).is_integer()
        assert (size * 1024).is_integer()  # exact in binary
        assert size >= last
        assert round_cell(size) == size
        # Cells much larger than asked would waste what the points show.
        assert size <= max(0.125, 2.01 * least)
        last = size


def test_cells_of_round_size_end_at_a_hundred_metres():
    assert round_cell(100.0) == round_cell(100.1) == round_cell(1e6) == 100.0

"""Lowest points of larger cells, and of a site's parts, against a plain dictionary of all points.

The reference knows of no rectangles: it puts every point under the indices of its cell, and takes the
smallest of (z, x, y), which is what the docstrings promise.
"""

import numpy as np
import pytest

from cloudprep.kernels.ground_cells import LowestPoints, gathered, joined


def some_cells(seed, column=0, row=0, shape=(9, 13), empty=0.4):
    """Return a rectangle with few different heights and positions, so that many points are equally low."""
    rng = np.random.default_rng(seed)
    have = rng.random(shape) >= empty
    x, y, z = (np.where(have, rng.integers(-2, 3, shape) / 4.0, np.nan) for _ in range(3))
    return LowestPoints(column, row, x, y, z)


def members(cells, size=1, phase=(0, 0)):
    """Return the (z, x, y) of all points, by (row, column) of the cells of ``size`` that hold them."""
    found = {}
    for r, c in np.argwhere(cells.have):
        place = (cells.row + r - phase[1]) // size, (cells.column + c - phase[0]) // size
        found.setdefault(place, []).append((cells.z[r, c], cells.x[r, c], cells.y[r, c]))
    return found


def lowest(*dictionaries):
    everything = {}
    for found in dictionaries:
        for place, points in found.items():
            everything.setdefault(place, []).extend(points)
    return {place: min(points) for place, points in everything.items()}


def as_dictionary(cells):
    return {place: points[0] for place, points in members(cells).items()}


@pytest.mark.parametrize("size", [1, 2, 3, 5])
@pytest.mark.parametrize("phase", [(0, 0), (1, 0), (0, 1), (-1, 2)])
@pytest.mark.parametrize("corner", [(0, 0), (7, -4), (-5, -1)])
def test_larger_cells_hold_the_lowest_of_their_points(size, phase, corner):
    cells = some_cells(3, *corner)
    larger = gathered(cells, size, phase)
    assert as_dictionary(larger) == lowest(members(cells, size, phase))
    # The rectangle holds the first and the last cell, and nothing around them.
    rows, columns = cells.z.shape
    assert larger.column == (corner[0] - phase[0]) // size
    assert larger.row == (corner[1] - phase[1]) // size
    assert larger.column + larger.z.shape[1] - 1 == (corner[0] + columns - 1 - phase[0]) // size
    assert larger.row + larger.z.shape[0] - 1 == (corner[1] + rows - 1 - phase[1]) // size


def test_a_worked_example_of_larger_cells():
    """By hand: 2 x 2 cells of a raster that starts one column before the edge of the larger ones."""
    nan = np.nan
    z = np.array([[5.0, 3.0, 4.0], [nan, 6.0, nan]])
    x, y = np.where(np.isnan(z), nan, 10 * z), np.where(np.isnan(z), nan, -z)
    larger = gathered(LowestPoints(1, 0, x, y, z), 2)
    assert (larger.column, larger.row) == (0, 0)
    np.testing.assert_array_equal(larger.z, [[5.0, 3.0]])
    np.testing.assert_array_equal(larger.x, [[50.0, 30.0]])
    np.testing.assert_array_equal(larger.y, [[-5.0, -3.0]])


def parts(seed):
    """Return four rectangles that overlap, one of them without cells."""
    return [
        some_cells(seed, 0, 0, (6, 7)),
        some_cells(seed + 1, 3, -2, (8, 5)),
        LowestPoints(99, -99, *(np.empty((0, 0)) for _ in range(3))),
        some_cells(seed + 2, -4, 2, (3, 12)),
    ]


@pytest.mark.parametrize("seed", range(5))
def test_joined_parts_hold_the_lowest_of_all_in_any_order(seed):
    given = parts(seed)
    expected = lowest(*map(members, given))
    rng = np.random.default_rng(seed)
    for _ in range(4):
        whole = joined([given[i] for i in rng.permutation(4)])
        assert as_dictionary(whole) == expected
        assert (whole.column, whole.row, whole.z.shape) == (-4, -2, (8, 12))


def test_joining_and_enlarging_can_change_places():
    given = parts(11)
    whole = gathered(joined(given), 3, (1, 2))
    pieces = joined([gathered(p, 3, (1, 2)) for p in given if p.z.size])
    assert as_dictionary(whole) == as_dictionary(pieces)
    assert (whole.column, whole.row) == (pieces.column, pieces.row)


def test_nothing_joins_to_nothing_and_inputs_stay():
    assert joined([]).z.shape == (0, 0)
    given = parts(5)
    copies = [p._replace(x=p.x.copy(), y=p.y.copy(), z=p.z.copy()) for p in given]
    joined(given)
    gathered(given[0], 2)
    for part, copy in zip(given, copies, strict=True):
        for own, before in zip(part[2:], copy[2:], strict=True):
            np.testing.assert_array_equal(own, before)

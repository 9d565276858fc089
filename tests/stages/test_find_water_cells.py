"""What cells hold is the same however it is gathered."""

import numpy as np
import pytest

from cloudprep.stages.water._cells import CellShare, gathered, joined


def share(width, count, seed):
    rng = np.random.default_rng(seed)
    first = rng.integers(0, 2, count)
    height = rng.integers(-500, 500, count) * 0.01
    places = rng.integers(-width, width, (2, count)) + 17
    return CellShare(*places, first, first * rng.integers(0, 65536, count), height, height)


@pytest.mark.parametrize("width", [1, 12, 5000])
def test_each_cell_stands_once_with_what_its_points_come_to(width):
    given = share(width, 2000, 1)
    found = gathered(given)
    # Reckoned again point by point.
    expected = {}
    for column, row, first, bright, lowest, highest in zip(*given, strict=True):
        old = expected.get((row, column), (0, 0, np.inf, -np.inf))
        expected[row, column] = (old[0] + first, old[1] + bright, min(old[2], lowest), max(old[3], highest))
    assert list(zip(found.row, found.column, strict=True)) == sorted(expected)
    assert list(zip(*found[2:], strict=True)) == [expected[place] for place in sorted(expected)]
    assert [v.dtype for v in found] == [v.dtype for v in given]


@pytest.mark.parametrize("width", [12, 5000])
def test_shares_of_blocks_join_to_that_of_the_whole(width):
    one, other = share(width, 2000, 2), share(width, 30, 3)
    whole = gathered(CellShare(*(np.concatenate(v) for v in zip(one, other, strict=True))))
    for a, b in zip(joined([gathered(one), gathered(other)]), whole, strict=True):
        np.testing.assert_array_equal(a, b)

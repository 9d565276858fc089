"""Points with the same key are found, all of them and no others."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from cloudprep.kernels.repeats import _SPREAD, repeats


def keys_that_repeat(columns):
    """Outside check: what numpy.unique finds of whole rows."""
    rows = np.stack(columns, axis=1)
    _, place, often = np.unique(rows, axis=0, return_inverse=True, return_counts=True)
    return set(np.flatnonzero(often[place.ravel()] > 1).tolist())


@given(st.integers(0, 200), st.integers(1, 4), st.integers(1, 6), st.integers(0, 2**32 - 1))
def test_the_points_are_those_that_numpy_finds(count, different, columns, seed):
    rng = np.random.default_rng(seed)
    values = [rng.integers(-different, different + 1, count) * 10**12 for _ in range(columns)]
    found = repeats(values, np.zeros(count, np.uint16))
    assert set(found.rows.tolist()) == keys_that_repeat(values) if count else len(found.rows) == 0
    for key in np.unique(found.key):
        rows = found.rows[found.key == key]
        assert len(rows) > 1
        assert all(len(np.unique(v[rows])) == 1 for v in values)
    assert np.array_equal(np.unique(found.key), np.arange(len(np.unique(found.key))))


def test_keys_whose_sums_agree_by_chance_are_told_apart():
    one, other = (np.uint64(spread) for spread in _SPREAD[:2])
    with np.errstate(over="ignore"):
        first = np.array([0, other], np.uint64).view(np.int64)
        second = np.array([np.uint64(0), np.uint64(0) - one], np.uint64).view(np.int64)
        sums = first.view(np.uint64) * one + second.view(np.uint64) * other
    assert sums[0] == sums[1]
    assert len(repeats([first, second], np.zeros(2, np.int64)).rows) == 0


def test_points_of_a_key_come_group_by_group():
    values = np.array([7, 7, 5, 7, 7])
    found = repeats([values], np.array([2, 0, 0, 1, 0]))
    assert found.rows[-1] == 0
    assert found.rows[-2] == 3
    assert set(found.rows[:2].tolist()) == {1, 4}

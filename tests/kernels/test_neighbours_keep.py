"""Eight candidates offered at once are kept as if they were sorted one by one."""

import numpy as np
import pytest
from numba import njit

from cloudprep.kernels.neighbours_keep import GROUP, keep_eight


@njit
def kept_after(x, y, z, own, best, last_row, changed):
    for i in range(changed.shape[0]):
        changed[i] = keep_eight(x, y, z, 8 * i, own, best, last_row)


def distances(own, x, y, z):
    lanes = own.reshape(3, 8)
    return sum((lane[:, None] - v) ** 2 for lane, v in zip(lanes, (x, y, z), strict=True))


@pytest.mark.parametrize("rows", [1, 4, 8, 9, 11, 16, 17, 65])
@pytest.mark.parametrize("step", [1e-3, 0.5])  # the coarse one makes many ties
def test_the_smallest_distances_are_held_in_their_order(rows, step):
    rng = np.random.default_rng(rows)
    own = np.round(rng.uniform(0, 3, 24) / step) * step
    x, y, z = np.round(rng.uniform(0, 3, (3, 80)) / step) * step
    x[77:] = y[77:] = z[77:] = np.inf  # no points
    held = -(-rows // GROUP) * GROUP
    best, changed = np.full(held * 8, np.inf), np.zeros(10, np.bool_)
    kept_after(x, y, z, own, best, rows - 1, changed)
    every = np.sort(distances(own, x, y, z), axis=1)
    kept = best.reshape(held, 8)[:rows].T
    assert np.array_equal(kept, every[:, :rows])
    assert changed[0]


def test_what_is_farther_than_all_that_is_held_changes_nothing():
    own = np.zeros(24)
    best = np.repeat(np.arange(8.0), 8)
    before = best.copy()
    changed = np.ones(1, np.bool_)
    far = np.full(8, 100.0)
    kept_after(far, far, far, own, best, 7, changed)
    assert not changed[0]
    assert (best == before).all()

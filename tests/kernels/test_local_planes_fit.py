"""Planes through the known cells around others, against least squares written out in full.

Source: numpy.linalg.lstsq (numpy's documentation). The reference below follows the documented method: tent
weights over blocks of 1, 2, 4 ... cells, the finest that hold enough, with slopes held back a little.
"""

import numpy as np
import pytest

from cloudprep.kernels import local_planes
from cloudprep.kernels.local_planes import KnownSurface

ENOUGH, STIFFNESS = local_planes._ENOUGH, local_planes._STIFFNESS


def least_squares(weight, dx, dy, z, size):
    """Return the height at (0, 0) and the slopes of the weighted plane, its slopes held back."""
    total = weight.sum()
    mx, my = (weight * dx).sum() / total, (weight * dy).sum() / total
    root = np.sqrt(weight)
    held = np.sqrt(STIFFNESS * total) * size
    rows = np.r_[np.c_[root, root * (dx - mx), root * (dy - my)], [[0, held, 0], [0, 0, held]]]
    level, sx, sy = np.linalg.lstsq(rows, np.r_[root * z, 0, 0], rcond=None)[0]
    return np.array([level - sx * mx - sy * my, sx, sy])


def plainly(values, known, r, c):
    """Return height and rise at one cell by the documented method."""
    row, column = np.nonzero(known)
    z = values[row, column].astype(np.float64)
    size, left, plane = 1, 1.0, np.zeros(3)
    while True:
        # Blocks are weighted by where their centres lie; a cell counts at its own place.
        by, bx = ((row // size + 0.5) * size - r - 0.5), ((column // size + 0.5) * size - c - 0.5)
        tent = np.clip(1 - abs(by) / (2 * size), 0, None) * np.clip(1 - abs(bx) / (2 * size), 0, None)
        n = tent.sum()
        coarsest = size > 1 and -(-max(values.shape) // size) <= 2
        share = left * min(max((n - ENOUGH) / ENOUGH, 0), 1)
        if coarsest and n > 0:
            share = left
        if share > 0:
            used = tent > 0
            found = least_squares(tent[used], (column - c)[used], (row - r)[used], z[used], size)
            plane += share * found
            left -= share
        if left <= 1e-3 or coarsest:
            break
        size *= 2
    plane /= 1 - left
    return plane[0], np.hypot(plane[1], plane[2])


def tilted(shape, a=0.3, b=-0.45, level=120.0):
    row, column = np.indices(shape)
    return level + a * column + b * row


@pytest.mark.parametrize("dtype", [np.float64, np.float32])
@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("share", [0.05, 0.3, 0.8])
@pytest.mark.parametrize("shape", [(17, 12), (5, 30), (3, 3), (1, 20), (2, 2), (1, 1)])
def test_local_planes_equal_least_squares(shape, share, seed, dtype):
    rng = np.random.default_rng([seed, *shape])
    values = (500 + tilted(shape) + rng.normal(0, 5, shape)).astype(dtype)
    known = rng.random(shape) < share
    known[rng.integers(shape[0]), rng.integers(shape[1])] = True
    values[~known] = np.nan  # read at known cells only
    row, column = (a.ravel()[:: max(1, known.size // 20)] for a in np.indices(shape))
    height, rise = KnownSurface(values, known).planes_at(row, column)
    expected = [plainly(values, known, r, c) for r, c in zip(row, column, strict=True)]
    np.testing.assert_allclose(
        np.c_[height, rise], expected, rtol=0, atol=1e-8 if dtype == np.float64 else 2e-4
    )


def test_local_planes_are_exact_on_a_tilted_plane_where_cells_lie_all_around():
    values = tilted((40, 40))
    known = np.ones(values.shape, bool)
    row, column = (a.ravel() for a in np.indices((32, 32)) + 4)
    for hole in (np.zeros_like(known), np.indices(known.shape).sum(0) % 2 == 0):
        height, rise = KnownSurface(values, known & ~hole).planes_at(row, column)
        np.testing.assert_allclose(height, values[row, column], rtol=0, atol=1e-9)
        if not hole.any():
            # Slopes are held back by the stiffness, by as little as it says: the tent's variance is 1/2.
            held = 0.5 / (0.5 + STIFFNESS)
            np.testing.assert_allclose(rise, np.hypot(0.3, 0.45) * held, rtol=1e-9)


@pytest.mark.parametrize("width", [3, 10, 25])
def test_local_planes_go_on_climbing_across_a_gap(width):
    values = tilted((80, 80))
    known = np.ones(values.shape, bool)
    gap = np.s_[28 : 28 + width, 31 : 31 + width]
    known[gap] = False
    row, column = np.nonzero(~known)
    height, rise = KnownSurface(values, known).planes_at(row, column)
    # The plane rises by 0.54 a cell; the nearest cell, or a mean, would miss by up to half the gap's rise.
    assert abs(height - values[row, column]).max() < 0.02 * 0.54 * width
    np.testing.assert_allclose(rise, np.hypot(0.3, 0.45), rtol=0.05)


def test_local_planes_stay_level_across_a_line_of_cells():
    values = tilted((9, 40), a=0.5, b=0.0)
    known = np.zeros(values.shape, bool)
    known[4] = True
    height, rise = KnownSurface(values, known).planes_at(np.array([0, 8]), np.array([20, 20]))
    np.testing.assert_allclose(height, values[4, 20], atol=0.1)
    np.testing.assert_allclose(rise, 0.5, rtol=0.05)


def test_local_planes_of_one_known_cell_are_its_height_everywhere():
    values = np.full((13, 21), np.nan)
    values[3, 17] = 88.5
    row, column = (a.ravel() for a in np.indices(values.shape))
    height, rise = KnownSurface(values, ~np.isnan(values)).planes_at(row, column)
    np.testing.assert_allclose(height, 88.5, rtol=0, atol=1e-9)
    np.testing.assert_allclose(rise, 0, atol=1e-9)


def test_local_planes_count_added_cells_like_those_known_from_the_start():
    rng = np.random.default_rng(5)
    values = rng.normal(200, 9, (30, 41))
    known = rng.random(values.shape) < 0.5
    late = known & (rng.random(values.shape) < 0.4)
    surface = KnownSurface(values, known & ~late)
    given = known.copy()
    row, column = (a.ravel() for a in np.indices(values.shape))
    before = surface.planes_at(row, column)[0]
    surface.add(*np.nonzero(late))
    found = surface.planes_at(row, column)
    expected = KnownSurface(values, known).planes_at(row, column)
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-8)
    assert abs(found[0] - before).max() > 1
    np.testing.assert_array_equal(known, given)


def test_local_planes_on_two_threads_equal_those_on_one():
    rng = np.random.default_rng(6)
    values = rng.normal(100, 9, (210, 230))
    known = rng.random(values.shape) < 0.2
    row, column = (a.ravel() for a in np.indices(values.shape))  # more than two threads' worth at a time
    one = KnownSurface(values, known, threads=1).planes_at(row, column)
    two = KnownSurface(values, known, threads=2).planes_at(row, column)
    np.testing.assert_array_equal(one, two)


@pytest.mark.parametrize("level", [-4000.0, 8000.0])
def test_local_planes_move_with_the_level_of_the_ground(level):
    rng = np.random.default_rng(7)
    values = rng.normal(0, 9, (25, 25))
    known = rng.random(values.shape) < 0.1
    row, column = (a.ravel() for a in np.indices(values.shape))
    height, rise = KnownSurface(values, known).planes_at(row, column)
    moved, same = KnownSurface(values + level, known).planes_at(row, column)
    np.testing.assert_allclose(moved - level, height, rtol=0, atol=1e-8)
    np.testing.assert_allclose(same, rise, rtol=0, atol=1e-8)


def test_local_planes_need_a_known_cell():
    with pytest.raises(ValueError, match="no cell is known"):
        KnownSurface(np.zeros((3, 3)), np.zeros((3, 3), bool))

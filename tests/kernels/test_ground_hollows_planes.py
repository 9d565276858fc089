"""Hollows: points far below a plane of their neighbours, against least squares by numpy, and by hand.

Source: numpy.linalg.lstsq for the planes.
"""

import numpy as np
import pytest

from cloudprep.kernels.ground_hollows import hollows

STEP, RISE = 0.5, 0.3


def grid(shape):
    row, column = np.mgrid[0 : shape[0], 0 : shape[1]]
    return column + 0.5, row + 0.5


def pitted(seed, shape=(36, 40)):
    """Return rough tilted ground with single low points and groups of them, and which cells take part."""
    rng = np.random.default_rng(seed)
    x, y = grid(shape)
    x, y = x + rng.uniform(-0.5, 0.5, shape), y + rng.uniform(-0.5, 0.5, shape)
    z = 0.15 * x - 0.1 * y + rng.normal(0, 0.12, shape)
    for _ in range(16):
        r, c = rng.integers(0, shape[0] - 3), rng.integers(0, shape[1] - 3)
        z[r : r + rng.integers(1, 4), c : c + rng.integers(1, 4)] -= rng.uniform(0.8, 3.0)
    return x, y, z, rng.random(shape) < 0.85


def plainly(x, y, z, have, step, rise):
    """Return the level over each hollow, and how close any decision came to going the other way."""
    level, margin = np.full(z.shape, np.nan), np.inf
    for r, c in np.argwhere(have):
        around = np.zeros(z.shape, bool)
        around[max(0, r - 3) : r + 4, max(0, c - 3) : c + 4] = True
        around &= have
        around[r, c] = False
        u, v, w = x[around] - x[r, c], y[around] - y[r, c], z[around] - z[r, c]
        tolerance = step + rise * np.hypot(u, v)
        margin = min(margin, np.abs(np.abs(w) - tolerance).min(initial=np.inf))
        high = w > tolerance
        even = np.abs(w) <= tolerance
        if len(w) < 12 or high.sum() < 0.8 * len(w) or even.sum() > 6:
            continue
        design = np.c_[np.ones(high.sum()), u[high], v[high]]
        plane, *_ = np.linalg.lstsq(design, w[high], rcond=None)
        square = np.mean((design @ plane - w[high]) ** 2)
        flat, deep = 0.25**2 + (0.2 * np.hypot(*plane[1:])) ** 2, step + 2 * np.sqrt(square)
        margin = min(margin, abs(square - flat), abs(plane[0] - deep))
        if square < flat and plane[0] > deep:
            level[r, c] = z[r, c] + plane[0]
    return level, margin


@pytest.mark.parametrize("seed", range(5))
def test_hollows_are_found_as_said(seed):
    x, y, z, have = pitted(seed)
    expected, margin = plainly(x, y, z, have, STEP, RISE)
    assert margin > 1e-6
    assert np.count_nonzero(~np.isnan(expected)) >= 3
    found = hollows(x, y, z, have, step=STEP, rise=RISE)
    # The kernel steadies its equations by a millionth of a square metre.
    np.testing.assert_allclose(found, expected, atol=1e-5, equal_nan=True)


@pytest.mark.parametrize("tilt", [(0.0, 0.0), (0.2, -0.1), (0.0, 0.4)])
def test_hollows_by_hand_a_low_point_gets_the_height_of_the_plane_above_it(tilt):
    x, y = grid((15, 15))
    plane = 7.0 + tilt[0] * x + tilt[1] * y
    z = plane.copy()
    z[7, 7] -= 3.0
    level = hollows(x, y, z, np.ones(z.shape, bool), step=STEP, rise=RISE)
    assert np.argwhere(~np.isnan(level)).tolist() == [[7, 7]]
    assert level[7, 7] == pytest.approx(plane[7, 7], abs=1e-5)


def deepened(cells, depth, size=15):
    x, y = grid((size, size))
    z = np.zeros((size, size))
    for r, c in cells:
        z[r, c] = -depth
    return ~np.isnan(hollows(x, y, z, np.ones(z.shape, bool), step=STEP, rise=RISE))


@pytest.mark.parametrize(("gradient", "found"), [(0.0, False), (2.0, True)])
def test_hollows_by_hand_steep_planes_may_be_rougher(gradient, found):
    """By hand: residuals of +-0.35 m, where 0.25 m is allowed on the level and 0.47 m at a gradient of 2.

    The rows alternate, so that the plane of the neighbours, of which the pit lies 9 m below, is the true one
    but for a few centimetres.
    """
    x, y = grid((15, 15))
    z = gradient * x + np.where(np.arange(15)[:, None] % 2, 0.35, -0.35)
    z[7, 7] -= 9.0
    level = hollows(x, y, z, np.ones(z.shape, bool), step=STEP, rise=RISE)
    assert np.argwhere(~np.isnan(level)).tolist() == ([[7, 7]] if found else [])
    if found:
        assert level[7, 7] == pytest.approx(gradient * x[7, 7], abs=0.06)


def test_hollows_by_hand_how_deep_and_how_many():
    """By hand, on level ground with 48 neighbours: 39 of them must lie more than 0.5 + 0.3 d higher.

    The farthest of them are 3 x sqrt 2 cells away and need 1.78 m; 8 + 4 + 8 = 20 neighbours lie within
    sqrt 5 = 2.24 cells, which need 1.18 m at most; so 1.2 m isn't deep enough and 1.8 m is. A group of seven
    cells has six level neighbours, which is the most; with eight cells there are too many.
    """
    assert not deepened([(7, 7)], 1.2).any()
    assert np.argwhere(deepened([(7, 7)], 1.8)).tolist() == [[7, 7]]
    seven = [(7, 6), (7, 7), (7, 8), (6, 6), (6, 7), (6, 8), (8, 7)]
    assert {tuple(p) for p in np.argwhere(deepened(seven, 2.5)).tolist()} == set(seven)
    assert not deepened([*seven, (8, 8)], 2.5).any()


def test_hollows_are_no_ditches_or_foots_of_slopes():
    """By hand: what goes on at one side has fewer than four fifths of its neighbours above it."""
    x, y = grid((15, 15))
    have = np.ones(x.shape, bool)
    ditch = np.where((y > 6) & (y < 9), -3.0, 0.0)
    foot = np.maximum(0.0, 2.0 * (x - 7.0))
    for z in (ditch, foot, -3.0 * np.exp(-((x - 7) ** 2) / 4)):
        assert np.isnan(hollows(x, y, z, have, step=STEP, rise=RISE)).all()
    # Nor is what has too few neighbours: eleven of them, all 3 m higher.
    few = np.zeros(x.shape, bool)
    few[6:9, 6:10] = True
    z = np.where((x == 7.5) & (y == 7.5), -3.0, 0.0)
    assert np.isnan(hollows(x, y, z, few, step=STEP, rise=RISE)).all()
    few[9, 6] = True
    assert not np.isnan(hollows(x, y, z, few, step=STEP, rise=RISE)).all()


@pytest.mark.parametrize("seed", range(3))
def test_hollows_stay_when_the_raster_is_turned_over_or_lifted(seed):
    x, y, z, have = pitted(seed)
    here = hollows(x, y, z, have, step=STEP, rise=RISE)

    def turned(x, y, z, turn):
        return turn(hollows(*(turn(a).copy() for a in (x, y, z, have)), step=STEP, rise=RISE))

    for there in (
        turned(-x, y, z, lambda a: a[:, ::-1]),
        turned(y, x, z, lambda a: a.T),
        turned(x + 256.0, y - 64.0, z + 32.0, lambda a: a) - 32.0,
    ):
        np.testing.assert_allclose(there, here, atol=1e-6, equal_nan=True)
    z = np.where(have, z, 1e6)  # what takes no part is never looked at
    np.testing.assert_array_equal(hollows(x, y, z, have, step=STEP, rise=RISE), here)

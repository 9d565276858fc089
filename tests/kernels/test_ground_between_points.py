"""Ground that shows in single points: the surface follows it between the lowest points of wide cells.

The hillsides are made here: a slope of 30 degrees with waves, a few points of ground with 5 cm noise, and
plants of 0.2 to 3 m over them, so that the truth is known.
"""

from functools import partial

import numpy as np
import pytest

from cloudprep.kernels.bilinear import bilinear
from cloudprep.kernels.ground_between import Between, drawn_between
from cloudprep.kernels.ground_cells import LowestPoints
from cloudprep.kernels.thin_plate import SurfaceFitter

SIDE, GROUND = 80, 1000


def truth(x, y):
    return 0.577 * y + 1.5 * np.sin(x / 6) * np.cos(y / 7)


def lowest(x, y, z, width):
    """Return the lowest of some points in each cell so wide."""
    count = SIDE // width
    cell = (y // width).astype(int) * count + (x // width).astype(int)
    rasters = np.full((3, count * count), np.nan)
    for i in np.argsort(-z):
        rasters[:, cell[i]] = x[i], y[i], z[i]
    return LowestPoints(0, 0, *rasters.reshape(3, count, count))


def hillside(seed, ground=GROUND, plants=6000):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, SIDE, (2, ground + plants))
    z = truth(x, y) + rng.normal(0, 0.05, len(x))
    z[ground:] += rng.uniform(0.2, 3.0, plants)
    return x, y, z


def surface_of(threads=1):
    return partial(SurfaceFitter((SIDE, SIDE), threads=threads).fit, stiffness=0.1)


def errors(height):
    at = np.arange(SIDE) + 0.5
    return height - truth(at, at[:, None])


def guess(points):
    """Return the surface through the lowest points of cells of 8 m."""
    wide = lowest(*points, 8)
    have = wide.have
    values, weights = np.zeros((SIDE, SIDE)), np.zeros((SIDE, SIDE))
    at = wide.y[have].astype(int), wide.x[have].astype(int)
    values[at], weights[at] = wide.z[have], 1.0
    return surface_of()(values, weights, tolerance=0.01)


def drawn(points, height, widths=(4, 2), rules=None, threads=1):
    levels = [lowest(*points, width) for width in widths]
    return drawn_between(
        height, levels, (0.0, 0.0), cell=1.0, surface=surface_of(threads), closely=0.01, rules=rules
    )


@pytest.mark.parametrize("seed", range(4))
def test_the_surface_comes_nearer_to_the_ground(seed):
    points = hillside(seed)
    before = guess(points)
    after = drawn(points, before).height
    inner = slice(8, -8), slice(8, -8)
    assert np.std(errors(after)[inner]) < 0.75 * np.std(errors(before)[inner])
    # Plants lift it by little, though as many points of theirs lie within 0.7 m of the ground.
    assert abs(np.median(errors(after)[inner])) < 0.1


@pytest.mark.parametrize("seed", range(4))
def test_most_ground_lies_within_the_tolerance_and_most_plants_do_not(seed):
    points = hillside(seed)
    found = drawn(points, guess(points))
    x, y, z = points
    above = z - bilinear(found.height, x, y)
    within = above <= np.maximum(bilinear(found.tolerance, x, y), 0.3)
    inner = (np.minimum(x, y) > 8) & (np.maximum(x, y) < SIDE - 8)
    assert np.mean(within[:GROUND][inner[:GROUND]]) > 0.97
    assert np.mean(within[GROUND:][inner[GROUND:]]) < 0.12


def test_noise_is_that_of_the_points_below():
    """By hand: of points 0.1 m above and 0.1 m below in turn, the deviation is 0.1 m; three of them count."""
    row, column = np.mgrid[0:SIDE, 0:SIDE]
    z = 0.1 * (-1.0) ** (row + column)
    points = LowestPoints(0, 0, column + 0.5, row + 0.5, z)
    plane = np.zeros((SIDE, SIDE))
    found = drawn_between(
        plane, [points], (0.0, 0.0), cell=1.0, surface=lambda *_, start, tolerance: start, closely=0.01
    )
    np.testing.assert_array_equal(found.height, plane)
    np.testing.assert_allclose(found.tolerance, 0.3)


def test_noise_is_measured_place_by_place():
    row, column = np.mgrid[0:SIDE, 0:SIDE]
    z = np.where(column < SIDE / 2, 0.05, 0.2) * (-1.0) ** (row + column)
    points = LowestPoints(0, 0, column + 0.5, row + 0.5, z)
    found = drawn_between(
        np.zeros((SIDE, SIDE)),
        [points],
        (0.0, 0.0),
        cell=1.0,
        surface=lambda *_, start, tolerance: start,
        closely=0.01,
    )
    assert 0.15 < found.tolerance[40, 10] < 0.25
    assert 0.55 < found.tolerance[40, 70] < 0.6


def test_without_levels_or_points_nearby_nothing_is_drawn():
    points = hillside(0)
    height = guess(points)
    assert drawn(points, height, widths=()) is None
    assert drawn(points, height - 50) is None


def test_what_is_far_off_draws_nothing():
    """By hand: on the level, 0.3 m is near; crowns of 5 m and echoes from 3 m below are not."""
    points = [np.array([10.2, 30.5, 50.5]), np.array([10.2, 30.5, 50.5]), np.array([5.0, -3.0, 0.2])]
    seen = []

    def surface(values, weights, *, start, tolerance):
        seen.append(np.argwhere(weights > 0).tolist())
        return start

    drawn_between(
        np.zeros((SIDE, SIDE)),
        [lowest(*points, 2)],
        (0.0, 0.0),
        cell=1.0,
        surface=surface,
        closely=0.01,
        rules=Between(rounds=1),
    )
    assert seen == [[[50, 50]]]


@pytest.mark.parametrize("threads", [2, 3])
def test_threads_change_nothing(threads):
    points = hillside(1)
    height = guess(points)
    one, other = drawn(points, height), drawn(points, height, threads=threads)
    np.testing.assert_array_equal(other.height, one.height)
    np.testing.assert_array_equal(other.tolerance, one.tolerance)

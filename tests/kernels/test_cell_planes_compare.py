"""Planes of two sets of points are compared right, and cells that tell nothing are left out."""

import numpy as np
import pytest

from cloudprep.kernels.cell_planes import DIFFERENCE_STEP, PlaneLimits, plane_differences

LIMITS = PlaneLimits(fewest=6, roughness=0.1, slope=0.2)
SIDE = 2.0


def scene(rng, cells=40, each=12, rise=0.0, noise=0.0, slope=(0.05, -0.1), sets=2):
    """Return x, y, z, cell and set of points all over cells, each set ``rise`` above the one before."""
    n = cells * each * sets
    cell = np.repeat(np.arange(cells), each * sets)
    which = np.tile(np.repeat(np.arange(sets), each), cells)
    # All over the cell: a point somewhere in each of twelve parts of it.
    part = np.arange(n) % 12
    x = SIDE / 4 * (part % 4 + rng.uniform(0, 1, n))
    y = SIDE / 3 * (part // 4 + rng.uniform(0, 1, n))
    z = 50 + slope[0] * x + slope[1] * y + rise * which + rng.normal(0, noise, n)
    return x, y, z, cell, which


def compared(x, y, z, cell, which, limits=LIMITS):
    found = plane_differences(x, y, z, cell.astype(np.int64), which.astype(np.int64), SIDE, limits)
    return found.first, found.second, found.rise * DIFFERENCE_STEP


def test_a_rise_between_tilted_planes_is_found_whatever_points_each_set_has():
    first, second, rise = compared(*scene(np.random.default_rng(1), rise=0.123))
    assert len(rise) == 40
    assert set(zip(first.tolist(), second.tolist(), strict=True)) == {(0, 1)}
    # Coordinates are rounded to millimetres.
    assert np.abs(rise - 0.123).max() < 0.002


def test_three_sets_are_compared_each_with_each():
    first, second, rise = compared(*scene(np.random.default_rng(2), rise=0.1, sets=3))
    for a, b, expected in ((0, 1, 0.1), (0, 2, 0.2), (1, 2, 0.1)):
        own = rise[(first == a) & (second == b)]
        assert len(own) == 40
        assert np.abs(own - expected).max() < 0.002


def test_order_of_points_changes_nothing():
    points = scene(np.random.default_rng(3), rise=0.05, noise=0.03)
    order = np.random.default_rng(4).permutation(len(points[0]))
    straight, shuffled = compared(*points), compared(*(a[order] for a in points))
    assert all(np.array_equal(a, b) for a, b in zip(straight, shuffled, strict=True))


@pytest.mark.parametrize(
    ("change", "limits"),
    [
        ({"noise": 0.5}, LIMITS),  # rough
        ({"slope": (0.3, 0.0)}, LIMITS),  # steep
        ({"each": 5}, LIMITS),  # too few
        ({"sets": 1}, LIMITS),  # nothing to compare with
    ],
)
def test_cells_that_tell_nothing_are_left_out(change, limits):
    _, _, rise = compared(*scene(np.random.default_rng(5), **change), limits)
    assert len(rise) <= 1  # of forty


def test_points_in_a_corner_or_on_a_line_make_no_plane():
    x, y, z, cell, which = scene(np.random.default_rng(6))
    corner = which == 1
    x[corner], y[corner] = x[corner] / 8, y[corner] / 8
    assert len(compared(x, y, z, cell, which)[2]) == 0
    y[corner] = x[corner] = np.random.default_rng(7).uniform(0, SIDE, corner.sum())
    assert len(compared(x, y, z, cell, which)[2]) == 0


def test_no_points_give_no_differences():
    nothing = np.zeros(0)
    assert len(compared(nothing, nothing, nothing, nothing, nothing)[2]) == 0


def test_least_squares_planes_agree_with_numpy():
    """Outside check: numpy.linalg.lstsq fits the same planes."""
    x, y, z, cell, which = scene(np.random.default_rng(8), rise=0.07, noise=0.04)
    _, _, rise = compared(x, y, z, cell, which, PlaneLimits(6, 1.0, 10.0))
    expected = []
    for number in range(40):
        planes, middles = [], []
        for part in (0, 1):
            own = (cell == number) & (which == part)
            a = np.c_[np.ones(own.sum()), x[own], y[own]]
            planes.append(np.linalg.lstsq(a, z[own], rcond=None)[0])
            middles.append([x[own].mean(), y[own].mean()])
        middle = np.r_[1.0, np.mean(middles, axis=0)]
        expected.append(float(middle @ planes[1] - middle @ planes[0]))
    assert len(rise) == 40
    assert rise == pytest.approx(expected, abs=0.001)

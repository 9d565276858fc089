"""The limits of ground: medians of what several surfaces say, by hand and by plain loops.

Sources: the median of three numbers; Euclidean distances from every cell to every other; plane geometry.
"""

import numpy as np
import pytest

from cloudprep.kernels.ground_fine import FineSurface
from cloudprep.kernels.ground_limits import agreed_limits, narrowed
from cloudprep.kernels.ground_seeds import Seeds
from cloudprep.kernels.ground_surface import Surface


def surface(height, support=None, plants=0, objects=0, column=0, row=0, cell=2.0, **flags):
    height = np.asarray(height, float)
    full = np.ones(height.shape, bool)
    seeds = Seeds(
        height, full, ~full, np.full(height.shape, plants, np.uint8), np.full(height.shape, objects, np.uint8)
    )
    support = full if support is None else support
    deck, heap, wall = (flags.get(name, ~full) for name in ("deck", "heap", "wall"))
    return Surface(column, row, cell, height, support, deck, heap, wall, seeds, 0.0, 0.0, 1.0)


def agreed(surfaces, phases, first=(0, 0), shape=(8, 12), **rules):
    rules = {"nearness": 0.3, "slope_share": 1.2} | rules
    return agreed_limits(surfaces, phases, first=first, shape=shape, fine=1.0, **rules)


def test_limits_of_one_level_surface_by_hand():
    """By hand: 0.3 m above it, and 0.3 + 0.5 m below."""
    found = agreed([surface(np.full((4, 6), 5.0))], [(0, 0)])
    np.testing.assert_allclose(found.centre, 5.0)
    np.testing.assert_allclose(found.high, 5.3, rtol=1e-6)
    np.testing.assert_allclose(found.low, 4.2, rtol=1e-6)
    assert not found.split.any()
    assert not found.far.any()
    for raster in found[2:]:
        assert raster.shape == (8, 12)
        assert raster.dtype == np.float32


@pytest.mark.parametrize(("column", "row"), [(0, 0), (-7, 11)])
def test_limits_of_a_plane_lie_on_it_from_whatever_start(column, row):
    """By plane geometry: 0.25 m a metre to the east, seen from rasters that start one fine cell further.

    The outermost cells hold the plane at their centres, half a cell inside the rim.
    """
    surfaces, phases = [], [(0, 0), (1, 0), (0, 1)]
    for phase in phases:
        across = 2.0 * (column + np.arange(9) + 0.5) + phase[0]
        surfaces.append(surface(0.25 * across + np.zeros((7, 1)), column=column, row=row))
    begin = 2 * column + 2, 2 * row + 2
    x = begin[0] + np.arange(12) + 0.5
    # Each by itself (a median would hide one that is out of place), and all of them.
    for chosen in ([0], [1], [2], [0, 1, 2]):
        some = [surfaces[i] for i in chosen], [phases[i] for i in chosen]
        found = agreed(*some, first=begin, shape=(10, 12))
        np.testing.assert_allclose(found.centre, 0.25 * x + np.zeros((10, 1)), atol=1e-5)
        np.testing.assert_allclose(found.high - found.centre, 0.3 + 1.2 * 0.25, atol=1e-5)
        np.testing.assert_allclose(found.centre - found.low, 0.3 + 1.2 * 0.25 + 0.5, atol=1e-5)
    assert (found.column, found.row) == (2 * column + 2, 2 * row + 2)


def test_limits_are_the_majoritys():
    """By hand: of 1, 2 and 9 m the median is 2 m, and the surfaces differ by 8 m."""
    surfaces = [surface(np.full((5, 7), h), plants=p) for h, p in ((9.0, 6), (1.0, 0), (2.0, 3))]
    found = agreed(surfaces, [(0, 0)] * 3)
    np.testing.assert_allclose(found.centre, 2.0)
    np.testing.assert_allclose(found.high, 2.3, rtol=1e-6)
    np.testing.assert_allclose(found.low, 1.2, rtol=1e-6)
    np.testing.assert_allclose(found.split, 8.0)
    np.testing.assert_allclose(found.plants, 3.0)
    # In any order.
    for order in ([1, 2, 0], [2, 0, 1]):
        other = agreed([surfaces[i] for i in order], [(0, 0)] * 3)
        for mine, theirs in zip(found, other, strict=True):
            np.testing.assert_allclose(mine, theirs, rtol=1e-6)


def test_limits_allow_no_more_than_a_slope_of_four():
    steep = 10.0 * 2.0 * (np.arange(8) + 0.5) + np.zeros((6, 1))
    found = agreed([surface(steep)], [(0, 0)])
    np.testing.assert_allclose((found.high - found.centre)[2:-2, 2:-2], 0.3 + 1.2 * 4, atol=1e-4)


@pytest.mark.parametrize("seed", range(3))
def test_distances_lead_to_the_nearest_support_of_the_majority(seed):
    rng = np.random.default_rng(seed)
    supports = rng.random((3, 5, 7)) < 0.3
    surfaces = [surface(np.zeros((5, 7)), support=s) for s in supports]
    found = agreed(surfaces, [(0, 0)] * 3, shape=(10, 14))
    most = np.repeat(np.repeat(supports.sum(axis=0) >= 2, 2, axis=0), 2, axis=1)
    there = np.argwhere(most)
    assert 0 < len(there) < most.size
    for r, c in np.ndindex(10, 14):
        assert found.far[r, c] == pytest.approx(np.hypot(*(there - (r, c)).T).min(), abs=1e-5)


@pytest.mark.parametrize("kind", ["deck", "heap"])
def test_under_a_deck_and_on_a_heap_the_slope_adds_nothing_to_the_tolerance(kind):
    plane = 2.0 * np.arange(8) + np.zeros((6, 1))
    there = np.zeros((6, 8), bool)
    there[:, 4:] = True
    without, limits = agreed([surface(plane)], [(0, 0)]), agreed([surface(plane, **{kind: there})], [(0, 0)])
    over = limits.high - limits.centre
    assert (over[:, -4:] < (without.high - without.centre)[:, -4:]).all()
    assert np.allclose(over[:, :4], (without.high - without.centre)[:, :4])
    np.testing.assert_allclose(over[:, -2:], 0.3, rtol=1e-5)


def test_nothing_is_ground_where_the_lowest_point_is_on_a_wall():
    """Each fine cell belongs to the cell its centre lies in, from whatever start; most starts decide."""
    level = np.zeros((6, 8))
    wall = np.zeros((6, 8), bool)
    wall[2, 3] = True
    found = agreed([surface(level, wall=wall)], [(0, 0)])
    shut = found.high <= found.low
    assert np.argwhere(shut).tolist() == [[4, 6], [4, 7], [5, 6], [5, 7]]
    found = agreed([surface(level, wall=wall)], [(1, 1)])
    assert np.argwhere(found.high <= found.low).tolist() == [[5, 7], [5, 8], [6, 7], [6, 8]]
    some = [surface(level, wall=wall), surface(level), surface(level)]
    assert (agreed(some, [(0, 0)] * 3).high > 0.2).all()


def test_distances_without_any_support_are_infinite():
    found = agreed([surface(np.zeros((4, 6)), support=np.zeros((4, 6), bool))], [(0, 0)])
    assert np.isinf(found.far).all()


# -- narrowing -----------------------------------------------------------------------------------------------


def fine(height, tolerance, steps=False, rock=0.0, shape=(4, 6)):
    return FineSurface(*(np.full(shape, v) for v in (height, tolerance, 0.01, steps, rock)))


def test_narrowed_limits_by_hand():
    """By hand: 0.1 m around 5.1 m, where the coarse limits are 4.2 and 5.3 m."""
    coarse = agreed([surface(np.full((4, 6), 5.0))], [(0, 0)])
    found = narrowed(coarse, fine(5.1, 0.1), first=(0, 0))
    np.testing.assert_allclose(found.low, 5.0, rtol=1e-6)
    np.testing.assert_allclose(found.centre, 5.1, rtol=1e-6)
    np.testing.assert_allclose(found.high, 5.2, rtol=1e-6)
    # Never wider than before.
    wide = narrowed(coarse, fine(5.1, 3.0), first=(0, 0))
    np.testing.assert_array_equal(wide.low, coarse.low)
    np.testing.assert_array_equal(wide.high, coarse.high)
    # Where there are steps nothing changes.
    same = narrowed(coarse, fine(5.1, 0.1, steps=True), first=(0, 0))
    for mine, before in zip(same, coarse, strict=True):
        np.testing.assert_array_equal(mine, before)
    # What speaks for and against the place is left alone.
    for name in ("split", "far", "plants", "objects"):
        np.testing.assert_array_equal(getattr(found, name), getattr(coarse, name))


def test_broken_rock_reaches_up_from_the_finer_surface():
    """By hand: 0.9 m over 5.1 m; as far down as before, and where there is none 0.1 m around."""
    coarse = agreed([surface(np.full((4, 6), 5.0))], [(0, 0)])
    rock = np.zeros((4, 6))
    rock[1, 2] = 0.9
    found = narrowed(coarse, fine(5.1, 0.1)._replace(rock=rock), first=(0, 0))
    there = np.zeros(found.high.shape, bool)
    there[2:4, 4:6] = True
    np.testing.assert_allclose(found.high, np.where(there, 6.0, 5.2), rtol=1e-6)
    np.testing.assert_allclose(found.low, np.where(there, coarse.low, 5.0), rtol=1e-6)
    np.testing.assert_allclose(found.centre, 5.1, rtol=1e-6)


@pytest.mark.parametrize("first", [(0, 0), (-3, 5)])
def test_narrowed_limits_take_steps_and_heights_from_their_place(first):
    """By hand: cells of two by two fine ones; a step in the third column, a plane elsewhere."""
    steps = np.zeros((6, 8), bool)
    steps[:, 2] = True
    across = 2.0 * (first[0] + np.arange(8) + 0.5)
    plane = 0.1 * across + np.zeros((6, 1))
    finer = FineSurface(plane, np.full((6, 8), 0.05), np.zeros((6, 8)), steps, np.zeros((6, 8)))
    begin = 2 * first[0] + 1, 2 * first[1] + 1
    level = 0.1 * 2 * first[0]
    coarse = agreed([surface(np.full((3, 4), level))], [(0, 0)], first=begin, shape=(9, 13))
    found = narrowed(coarse, finer, first=first)
    x = begin[0] + np.arange(13) + 0.5
    step = (x > 2 * first[0] + 4) & (x < 2 * first[0] + 6)
    assert step.sum() == 2
    np.testing.assert_allclose(found.centre[:, step], level)
    np.testing.assert_allclose(found.centre[:, ~step], np.tile(0.1 * x[~step], (9, 1)), atol=1e-5)


def test_narrowed_limits_on_cells_as_fine_as_the_limits():
    """By hand: the finer surface's cells are the limits' own, so its heights are taken as they are."""
    coarse = agreed([surface(np.full((4, 6), 5.0))], [(0, 0)])
    rows, columns = coarse.centre.shape
    heights = 5.0 + 0.01 * np.arange(rows * columns).reshape(rows, columns)
    steps = np.zeros((rows, columns), bool)
    steps[1, 2] = True
    finer = FineSurface(
        heights,
        np.full((rows, columns), 0.02),
        *np.zeros((1, rows, columns)),
        steps,
        np.zeros((rows, columns)),
    )
    found = narrowed(coarse, finer, first=(coarse.column, coarse.row), side=1)
    np.testing.assert_allclose(found.centre[~steps], heights[~steps], atol=1e-6)
    assert found.centre[1, 2] == coarse.centre[1, 2]

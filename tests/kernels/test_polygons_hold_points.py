"""Points in polygons and near their lines, held against a general geometry library."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from cloudprep.kernels.polygons import banded, cell_runs, features_at, nearest_edges
from cloudprep.stages.water._features import edges_of


def star(seed, x, y, size, holes=True):
    rng = np.random.default_rng(seed)
    turn = np.sort(rng.uniform(0, 2 * np.pi, 23))
    reach = size * rng.uniform(0.4, 1.0, 23)
    shell = np.c_[x + reach * np.cos(turn), y + reach * np.sin(turn)]
    whole = shapely.make_valid(shapely.Polygon(shell))
    hole = shapely.Point(x, y).buffer(0.15 * size)
    return shapely.difference(whole, hole) if holes else whole


def some():
    return np.array([star(k, 30.0 * k, 10.0 * (k % 3), 12.0) for k in range(7)], dtype=object)


def test_points_lie_in_the_polygons_that_the_library_says():
    polygons = some()
    rng = np.random.default_rng(5)
    x, y = rng.uniform(-20, 220, 20_000), rng.uniform(-30, 50, 20_000)
    found = features_at(x, y, banded(edges_of(polygons, np.arange(len(polygons)))))
    expected = np.full(len(x), -1)
    for k, polygon in reversed(list(enumerate(polygons))):
        expected[shapely.contains_xy(polygon, x, y)] = k
    assert np.array_equal(found, expected)
    assert np.count_nonzero(found >= 0) > 1000


def test_distances_to_lines_are_those_of_the_library():
    polygons = some()
    rng = np.random.default_rng(6)
    x, y = rng.uniform(-20, 220, 5000), rng.uniform(-30, 50, 5000)
    found, distance = nearest_edges(x, y, edges_of(polygons, np.arange(len(polygons))), 4.0)
    lines = shapely.boundary(polygons)
    apart = np.stack([shapely.distance(line, shapely.points(x, y)) for line in lines])
    near = apart.min(axis=0) <= 4.0
    assert np.array_equal(found >= 0, near)
    np.testing.assert_allclose(distance[near], apart.min(axis=0)[near], atol=1e-9)
    assert np.array_equal(found[near], apart.argmin(axis=0)[near])
    assert np.isinf(distance[~near]).all()


@settings(max_examples=60, deadline=None)
@given(
    cell=st.sampled_from([0.25, 0.5, 1.0, 2.0, 3.7]),
    left=st.floats(-30, 5),
    bottom=st.floats(-30, 5),
    seed=st.integers(0, 50),
)
def test_cells_are_those_whose_centres_lie_inside(cell, left, bottom, seed):
    polygons = np.array([star(seed, 8.0, 9.0, 14.0), star(seed + 1, 20.0, 4.0, 9.0)], dtype=object)
    bands = banded(edges_of(polygons, [0, 1]))
    shape = (23, 31)
    runs = cell_runs(bands, left, bottom, cell, shape)
    painted = np.zeros(shape, bool)
    for row, first, beyond in zip(runs.row, runs.first, runs.beyond, strict=True):
        painted[row, first:beyond] = True
    x, y = np.meshgrid(left + (np.arange(31) + 0.5) * cell, bottom + (np.arange(23) + 0.5) * cell)
    assert np.array_equal(painted, features_at(x.ravel(), y.ravel(), bands).reshape(shape) >= 0)


def test_neighbours_share_no_point_and_leave_none_out():
    # Squares of a chessboard: every corner and every line belongs to exactly one of them.
    squares = np.array([shapely.box(c, r, c + 1, r + 1) for r in range(4) for c in range(4)], dtype=object)
    x, y = (v.ravel() for v in np.meshgrid(np.arange(0, 4, 0.25), np.arange(0, 4, 0.25)))
    hits = np.zeros(len(x), int)
    for square in squares:
        hits += features_at(x, y, banded(edges_of(np.array([square], object), [0]))) == 0
    assert set(hits) == {1}


@pytest.mark.parametrize("count", [0, 5])
def test_no_polygons_hold_nothing(count):
    edges = edges_of(np.empty(0, object), [])
    x = np.arange(float(count))
    assert features_at(x, x, banded(edges)).tolist() == [-1] * count
    found, distance = nearest_edges(x, x, edges, 3.0)
    assert found.tolist() == [-1] * count
    assert np.isinf(distance).all()
    assert len(cell_runs(banded(edges), 0.0, 0.0, 1.0, (3, 3)).row) == 0

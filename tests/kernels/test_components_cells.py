"""Figures of cells add up whatever the cut; names of cells are the same everywhere."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from cloudprep.kernels.components import cell_edge, linked_cells
from cloudprep.kernels.components_cells import (
    cell_names,
    middles,
    named_places,
    places_in_plan,
    points_beneath,
    summed_columns,
)


@settings(max_examples=60, deadline=None)
@given(
    hnp.arrays(np.int64, (20, 2), elements=st.integers(-(2**21), 2**21 - 1)),
    hnp.arrays(np.int64, 20, elements=st.integers(-(2**18), 2**18 - 1)),
)
def test_cells_names_keep_places_and_their_order(xy, z):
    place = np.c_[xy, z]
    names = cell_names(place)
    assert np.array_equal(named_places(names), place)
    assert (names >= 0).all()
    order = np.argsort(names, kind="stable")
    assert np.array_equal(order, np.lexsort(place.T))


def test_cells_names_beyond_their_range_are_those_of_the_outermost_cell():
    far = np.array([[10**12, -(10**12), 10**12], [-(10**12), 10**12, -(10**12)]])
    assert np.array_equal(
        named_places(cell_names(far)), [[2**21 - 1, -(2**21), 2**18 - 1], [-(2**21), 2**21 - 1, -(2**18)]]
    )


def test_cells_figures_are_those_of_their_points():
    rng = np.random.default_rng(6)
    xyz = rng.uniform(-9, 9, (3000, 3))
    taken = rng.random(3000) < 0.8
    cells = linked_cells(*xyz.T, 1.5, taken)
    edge, figures = cell_edge(1.5), cells.figures
    assert figures.points.sum() == taken.sum()
    names = cell_names(cells.place)
    for cell in range(0, len(names), 7):
        own = xyz[taken & (cells.cell_of_point == cell)]
        assert figures.points[cell] == len(own)
        if len(own):
            assert figures.lowest[cell] == own[:, 2].min()
            assert figures.highest[cell] == own[:, 2].max()
            one = slice(cell, cell + 1)
            middle = middles(names[one], figures.points[one], figures.sums[one], edge)[0]
            np.testing.assert_allclose(middle, own.mean(0), atol=1e-6)
        else:
            assert figures.lowest[cell] == np.inf
            assert figures.highest[cell] == -np.inf


def test_cells_figures_of_shares_add_up_to_the_bit():
    rng = np.random.default_rng(7)
    xyz = rng.uniform(0, 6, (2000, 3))
    share = rng.random(2000) < 0.4
    whole, a, b = (linked_cells(*xyz.T, 2.0, mask).figures for mask in (None, share, ~share))
    assert np.array_equal(whole.points, a.points + b.points)
    assert np.array_equal(whole.sums, a.sums + b.sums)
    assert np.array_equal(whole.lowest, np.minimum(a.lowest, b.lowest))
    assert np.array_equal(whole.highest, np.maximum(a.highest, b.highest))


def test_cells_summed_into_columns_are_those_of_all_parts():
    rng = np.random.default_rng(2)
    key, points = rng.integers(0, 40, 300) * 2, rng.integers(1, 9, 300)
    lowest = rng.normal(size=300)
    highest = lowest + rng.uniform(0, 2, 300)
    columns = summed_columns(key, 80, points, lowest, highest)
    assert np.array_equal(columns.key, np.unique(key))
    for i, k in enumerate(columns.key):
        mine = key == k
        assert columns.points[i] == points[mine].sum()
        assert (columns.lowest[i], columns.highest[i]) == (lowest[mine].min(), highest[mine].max())


def test_cells_places_in_plan_are_those_named():
    place = np.random.default_rng(4).integers(-500, 500, (50, 3))
    x, y = places_in_plan(cell_names(place))
    assert np.array_equal(np.stack([x, y], axis=1), place[:, :2])


def test_points_beneath_are_those_of_the_same_column_three_cells_down():
    rng = np.random.default_rng(5)
    place = np.unique(rng.integers(-4, 5, (300, 3)) * [1, 1, 3], axis=0).astype(np.int64)
    points = rng.integers(1, 9, len(place))
    asked = rng.uniform(size=len(place)) < 0.5
    by_column = np.lexsort((place[:, 2], place[:, 0], place[:, 1])).astype(np.int32)
    expected = [
        sum(int(p) for (u, v, w), p in zip(place, points, strict=True) if (u, v) == (x, y) and w <= z - 3)
        if wanted
        else 0
        for (x, y, z), wanted in zip(place, asked, strict=True)
    ]
    assert sum(expected) > 0
    assert points_beneath(place, points, asked, by_column, 3).tolist() == expected


def test_linked_cells_come_column_by_column_too():
    cells = linked_cells(*np.random.default_rng(3).uniform(0, 9, (3, 2000)), 1.0)
    x, y, z = cells.place[cells.by_column].T
    assert np.array_equal(np.lexsort((z, x, y)), np.arange(len(z)))

"""Components equal exact single linkage, whatever the lattice.

Source of the outside answer: scipy.spatial.cKDTree.query_pairs gives all pairs at no more than the gap,
scipy.sparse.csgraph.connected_components joins them (scipy's documentation).
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components as scipy_components
from scipy.spatial import cKDTree

from cloudprep.kernels.components import cell_edge, connected_components, linked_cells
from cloudprep.kernels.components_pairs import have_close_pair


def scipy_answer(xyz, gap):
    pairs = cKDTree(xyz).query_pairs(gap, output_type="ndarray")
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), (len(xyz), len(xyz)))
    count, labels = scipy_components(graph, directed=False)
    return labels, count


def brute_force(xyz, gap):
    """Spread each label over everything within the gap until nothing changes."""
    close = ((xyz[:, None] - xyz[None]) ** 2).sum(2) <= gap * gap
    labels = np.arange(len(xyz))
    while True:
        spread = np.where(close, labels[None], len(xyz)).min(1)
        if np.array_equal(spread, labels):
            return labels
        labels = spread


def same_partition(a, b):
    pairs = np.unique(np.c_[a, b], axis=0)
    return len(pairs) == len(np.unique(a)) == len(np.unique(b))


def scattered(rng):
    return rng.uniform(0, 13, (2000, 3))


def half_metre_lattice(rng):
    return rng.integers(0, 20, (1500, 3)) / 2.0


def surface_and_balls(rng):
    ground = np.c_[rng.uniform(0, 30, (2500, 2)), rng.normal(0, 0.03, 2500)]
    balls = [rng.normal([5 * i, 20, 2 + i], 0.4, (300, 3)) for i in range(5)]
    return np.concatenate([ground, *balls])


def dense_blobs_just_apart(rng):
    """Blobs of hundreds of points a cell, some within 1 m of the next, some a little farther."""
    blobs = [rng.uniform([i * 1.5, 0, 0], [i * 1.5 + 0.5, 0.5, 0.5], (700, 3)) for i in range(3)]
    return np.concatenate([*blobs, blobs[0] + [0, 1.55, 0.02]])


@pytest.mark.parametrize("cloud", [scattered, half_metre_lattice, surface_and_balls, dense_blobs_just_apart])
@pytest.mark.parametrize("gap", [0.05, 0.3, 0.5, 1.0, 2.0])
def test_components_equal_scipy(cloud, gap):
    xyz = cloud(np.random.default_rng(5))
    labels, count = connected_components(*xyz.T, gap)
    expected, expected_count = scipy_answer(xyz, gap)
    assert count == expected_count
    assert same_partition(labels, expected)


coordinates = st.one_of(st.floats(-20, 20, width=32), st.integers(-4, 4).map(float))


@settings(max_examples=80, deadline=None)
@given(
    hnp.arrays(np.float64, st.tuples(st.integers(1, 60), st.just(3)), elements=coordinates),
    st.sampled_from([0.5, 1.0, 3.0, 11.0]),
)
def test_components_equal_brute_force(xyz, gap):
    labels, count = connected_components(*xyz.T, gap)
    expected = brute_force(xyz, gap)
    assert count == len(np.unique(expected))
    assert same_partition(labels, expected)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0.05, 3.0), st.tuples(*[st.floats(-50, 50)] * 3))
def test_components_do_not_depend_on_where_the_lattice_starts(seed, gap, shift):
    # Whole millimetres, and no pair within rounding of the gap: the shifted cloud has the same distances.
    rng = np.random.default_rng(seed)
    xyz = np.round(rng.uniform(0, 6, (120, 3)), 3)
    gap = np.floor(gap * 1000) / 1000 + 0.00031
    moved = np.round(xyz + np.round(shift, 3), 3)
    assert same_partition(connected_components(*xyz.T, gap)[0], connected_components(*moved.T, gap)[0])


def test_components_do_not_depend_on_the_order_of_points():
    rng = np.random.default_rng(8)
    xyz = surface_and_balls(rng)
    order = rng.permutation(len(xyz))
    labels, _ = connected_components(*xyz.T, 0.6)
    shuffled, _ = connected_components(*xyz[order].T, 0.6)
    assert np.array_equal(shuffled, labels[order])  # the numbers too: they follow the cells


def test_components_join_points_exactly_a_gap_apart():
    assert connected_components(np.arange(5.0), np.zeros(5), np.zeros(5), 1.0)[1] == 1
    assert connected_components(np.arange(5.0), np.zeros(5), np.zeros(5), np.nextafter(1.0, 0))[1] == 5


def test_components_survive_points_at_absurd_distances():
    rng = np.random.default_rng(4)
    xyz = rng.uniform(0, 3, (400, 3))
    far = np.array([[1e12, 0, 0], [0, -3e11, 0], [0, 0, 1e13], [1e12, 0, 0.5]])
    labels, count = connected_components(*np.concatenate([xyz, far]).T, 0.5)
    expected, near_count = scipy_answer(xyz, 0.5)
    assert same_partition(labels[:400], expected)
    assert count == near_count + 3
    assert labels[400] == labels[403]


@pytest.mark.parametrize(
    ("xyz", "count"),
    [
        (np.empty((0, 3)), 0),
        (np.zeros((1, 3)), 1),
        (np.array([[0.0, 0, 0], [5, 0, 0]]), 2),
        (np.full((3000, 3), 7.25), 1),
        (np.outer(np.arange(100.0), [3, 4, 0]), 100),
    ],
    ids=["none", "one", "two", "coincident", "collinear"],
)
def test_components_of_degenerate_clouds(xyz, count):
    labels, found = connected_components(*xyz.T, 1.0)
    assert found == count
    assert len(labels) == len(xyz)


@pytest.mark.parametrize(
    ("z", "gap", "message"),
    [
        ([0.0, 1.0], 0.0, "gap must be above 0 m, got 0.0"),
        ([0.0, 1.0], np.inf, "gap must be above 0 m, got inf"),
        ([0.0, np.nan], 1.0, "coordinates must be finite"),
        ([0.0, -np.inf], 1.0, "coordinates must be finite"),
        ([0.0, 1e200], 1.0, "too far from zero"),
    ],
)
def test_components_refuse_bad_arguments(z, gap, message):
    with pytest.raises(ValueError, match=message):
        connected_components(np.zeros(2), np.zeros(2), np.array(z), gap)


@pytest.mark.parametrize("gap", [0.011, 0.3, 1.0, 2.8, 47.0, 100.0, 640.0])
def test_components_cells_hold_only_points_within_the_gap(gap):
    edge = cell_edge(gap)
    assert edge * np.sqrt(3) < gap
    assert 2 * edge > gap  # so that cells three places apart can't hold a close pair
    if gap <= 100:
        assert 1000 / edge == pytest.approx(round(1000 / edge), abs=1e-9)


def test_components_cells_are_where_their_points_are():
    xyz = scattered(np.random.default_rng(1)) - 5
    cells = linked_cells(*xyz.T, 0.9)
    assert np.array_equal(cells.place[cells.cell_of_point], np.floor(xyz * (1 / cell_edge(0.9))))
    assert len(np.unique(cells.place, axis=0)) == len(cells.place)
    zyx = cells.place[:, ::-1]
    assert np.array_equal(np.lexsort(zyx.T[::-1]), np.arange(len(zyx)))


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 60), st.integers(1, 60), st.booleans())
def test_components_pairs_equal_all_distances(seed, na, nb, coarse):
    rng = np.random.default_rng(seed)
    xyz = rng.uniform(0, 1, (na + nb, 3))
    xyz[na:] += rng.uniform(-1.5, 1.5, 3)
    if coarse:
        xyz = np.round(xyz * 2) / 2
    squared = ((xyz[:na, None] - xyz[None, na:]) ** 2).sum(2)
    for limit in (squared.min(), np.nextafter(squared.min(), -1), float(np.median(squared))):
        x, y, z = xyz.T.copy()
        assert have_close_pair(x, y, z, 0, na, na, na + nb, limit) == bool((squared <= limit).any())
        # Points may be reordered, but only inside their run.
        assert sorted(zip(x[:na], y[:na], z[:na], strict=True)) == sorted(map(tuple, xyz[:na].tolist()))

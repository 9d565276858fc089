"""Mean neighbour distances equal a brute-force reference and the answer of scipy's cKDTree.

Source of the outside answer: scipy.spatial.cKDTree.query, scipy's documentation.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy.spatial import cKDTree

from cloudprep.kernels.neighbours import mean_neighbour_distance
from cloudprep.kernels.neighbours_search import any_within, nearest_distances, rows_within
from cloudprep.kernels.neighbours_tree import LEAF, build_tree


def brute_force(xyz, k):
    """Mean and k-th distance to the k nearest other points, from the whole distance matrix."""
    d = np.sqrt(((xyz[:, None] - xyz[None]) ** 2).sum(2))
    np.fill_diagonal(d, -1.0)  # the point itself comes first and is cut off
    d = np.sort(d, axis=1)[:, 1 : k + 1]
    return d.mean(1), d[:, -1]


def scattered(rng, n):
    return rng.uniform(0, 50, (n, 3))


def surface(rng, n):
    xy = rng.uniform(0, np.sqrt(n), (n, 2))
    return np.c_[xy, np.sin(xy[:, 0] / 5) + rng.normal(0, 0.02, n)]


def scan_lines(rng, n):
    across = int(np.sqrt(n) / 2)
    t = np.arange(n)
    x = (t // across) * 1.5 + rng.normal(0, 0.02, n)
    return np.c_[x, (t % across) * 0.4, 0.1 * x]


def very_uneven(rng, n):
    dense = rng.normal(0, 0.05, (n // 2, 3))
    doubled = np.repeat(rng.uniform(0, 100, (n // 16, 3)), 4, axis=0)
    far = rng.normal(0, 5000, (n - len(dense) - len(doubled), 3))
    return rng.permutation(np.concatenate([dense, doubled, far]))


def millimetre_steps(rng, n):
    return np.round(rng.uniform(0, 0.5, (n, 3)), 3)


CLOUDS = [scattered, surface, scan_lines, very_uneven, millimetre_steps]


@pytest.mark.parametrize("cloud", CLOUDS)
@pytest.mark.parametrize("k", [1, 8, 12, 30])
def test_neighbours_equal_scipy(cloud, k):
    xyz = cloud(np.random.default_rng(7), 3000)
    mean, kth = mean_neighbour_distance(*xyz.T, k)
    d = cKDTree(xyz).query(xyz, k + 1)[0][:, 1:]
    np.testing.assert_allclose(mean, d.mean(1), rtol=1e-9, atol=1e-15)
    np.testing.assert_allclose(kth, d[:, -1], rtol=1e-9, atol=1e-15)


coordinates = st.one_of(st.floats(-1e3, 1e3, width=32), st.integers(-3, 3).map(float))


@settings(max_examples=60, deadline=None)
@given(
    hnp.arrays(np.float64, st.tuples(st.integers(2, 70), st.just(3)), elements=coordinates),
    st.integers(1, 20),
)
def test_neighbours_equal_brute_force(xyz, k):
    mean, kth = mean_neighbour_distance(*xyz.T, k)
    expected_mean, expected_kth = brute_force(xyz, k)
    np.testing.assert_allclose(mean, expected_mean, rtol=1e-9)
    np.testing.assert_allclose(kth, expected_kth, rtol=1e-9)


@pytest.mark.parametrize("cloud", CLOUDS)
def test_neighbours_do_not_depend_on_order_or_threads(cloud):
    rng = np.random.default_rng(3)
    xyz = cloud(rng, 2500)
    mean, kth = mean_neighbour_distance(*xyz.T, 9)
    order = rng.permutation(len(xyz))
    shuffled = mean_neighbour_distance(*xyz[order].T, 9, threads=3)
    assert np.array_equal(shuffled[0], mean[order])
    assert np.array_equal(shuffled[1], kth[order])


def test_neighbours_answer_only_what_is_asked():
    xyz = surface(np.random.default_rng(1), 1000)
    asked = np.zeros(1000, bool)
    asked[::7] = True
    mean, kth = mean_neighbour_distance(*xyz.T, 5)
    some_mean, some_kth = mean_neighbour_distance(*xyz.T, 5, queries=asked)
    assert np.array_equal(some_mean[asked], mean[asked])
    assert np.array_equal(some_kth[asked], kth[asked])
    assert np.isnan(some_mean[~asked]).all()
    assert np.isnan(some_kth[~asked]).all()


@pytest.mark.parametrize("n", [1, 2, 3, 7, 8, 9, 63, 64, 65, 513])
def test_neighbours_with_few_points_take_all_there_are(n):
    xyz = np.random.default_rng(n).uniform(0, 9, (n, 3))
    mean, kth = mean_neighbour_distance(*xyz.T, 600)
    if n == 1:
        assert mean.tolist() == kth.tolist() == [np.inf]
    else:
        expected_mean, expected_kth = brute_force(xyz, n - 1)
        np.testing.assert_allclose(mean, expected_mean, rtol=1e-12)
        np.testing.assert_allclose(kth, expected_kth, rtol=1e-12)


def test_neighbours_of_no_point_are_none():
    empty = np.empty(0)
    mean, kth = mean_neighbour_distance(empty, empty, empty, 4)
    assert len(mean) == len(kth) == 0


def test_neighbours_at_the_same_place_count_at_distance_zero():
    x = np.array([0.0, 0.0, 0.0, 10.0])
    mean, kth = mean_neighbour_distance(x, np.zeros(4), np.zeros(4), 2)
    assert mean.tolist() == [0.0, 0.0, 0.0, 10.0]
    assert kth.tolist() == [0.0, 0.0, 0.0, 10.0]


def test_neighbours_of_many_coincident_points_are_zero():
    same = np.full(5000, 3.25)
    mean, _ = mean_neighbour_distance(same, same, same, 8)
    assert (mean == 0).all()


def test_neighbours_refuse_bad_arguments():
    x = np.array([0.0, np.nan, 1.0])
    with pytest.raises(ValueError, match="y is not"):
        mean_neighbour_distance(np.zeros(3), x, np.zeros(3), 2)
    with pytest.raises(ValueError, match="k must be at least 1, got 0"):
        mean_neighbour_distance(np.zeros(3), np.zeros(3), np.zeros(3), 0)
    with pytest.raises(ValueError, match="at least one point"):
        build_tree(*np.empty((3, 0)))


@pytest.mark.parametrize("cloud", CLOUDS)
def test_neighbours_of_positions_equal_scipy(cloud):
    rng = np.random.default_rng(11)
    xyz = cloud(rng, 1500)
    at = xyz[rng.integers(0, len(xyz), 200)] + rng.normal(0, 1, (200, 3))
    found = nearest_distances(build_tree(*xyz.T), *at.T.copy(), 6)
    np.testing.assert_allclose(np.sqrt(found), cKDTree(xyz).query(at, 6)[0], rtol=1e-9)


def test_neighbours_of_positions_beyond_the_cloud_are_infinitely_far():
    found = nearest_distances(
        build_tree(np.zeros(2), np.zeros(2), np.array([0.0, 2.0])), *np.zeros((3, 1)), 4
    )
    assert found.tolist() == [[0.0, 4.0, np.inf, np.inf]]


@pytest.mark.parametrize("cloud", CLOUDS)
def test_neighbours_within_a_distance_are_all_found(cloud):
    rng = np.random.default_rng(13)
    xyz = cloud(rng, 1200)
    at = xyz[:60]
    squared = ((xyz[:, None] - at[None]) ** 2).sum(2).T
    limit = np.partition(squared, 10, axis=1)[:, 10]  # exactly at the 10th neighbour: it is included
    limit[0] = np.inf
    starts, rows = rows_within(build_tree(*xyz.T), *at.T.copy(), limit)
    for i in range(len(at)):
        assert sorted(rows[starts[i] : starts[i + 1]]) == np.flatnonzero(squared[i] <= limit[i]).tolist()


@pytest.mark.parametrize("cloud", CLOUDS)
def test_neighbours_tell_where_any_lies_within_a_distance(cloud):
    rng = np.random.default_rng(12)
    xyz = cloud(rng, 1500)
    at = (xyz[rng.integers(0, len(xyz), 200)] + rng.normal(0, 1, (200, 3))).T.copy()
    tree = build_tree(*xyz.T)
    squared = nearest_distances(tree, *at, 1)[:, 0]
    for distance in (0.0, float(np.sqrt(np.median(squared))), 1e9):
        assert np.array_equal(any_within(tree, *at, distance), squared <= distance**2)
    assert any_within(tree, *xyz.T.copy(), 0.0).all()


def test_neighbours_tree_holds_every_point_once_inside_its_boxes():
    xyz = very_uneven(np.random.default_rng(2), 777)
    tree = build_tree(*xyz.T, threads=2)
    assert sorted(tree.row) == list(range(777))
    assert np.array_equal(np.c_[tree.x, tree.y, tree.z][:777], xyz[tree.row])
    assert np.isinf(tree.x[777:]).all()
    for leaf in range(len(tree.x) // LEAF):
        own = xyz[tree.row[leaf * LEAF : leaf * LEAF + LEAF]]
        assert np.array_equal(tree.boxes[:, leaf], np.r_[own.min(0), own.max(0)])
    top = tree.levels[-2]
    assert np.array_equal(tree.boxes[:, top], np.r_[xyz.min(0), xyz.max(0)])


def test_neighbours_tree_does_not_slice_a_sheet_for_what_lies_far_above_and_below():
    rng = np.random.default_rng(5)
    sheet = np.c_[rng.uniform(0, 64, (4096, 2)), rng.normal(0, 0.05, 4096)]
    clumps = np.repeat(rng.uniform((0, 0, -300), (64, 64, 300), (100, 3)), 8, axis=0)
    tree = build_tree(*rng.permutation(np.concatenate([sheet, clumps])).T)
    leaves = (len(sheet) + len(clumps)) // LEAF
    sides = tree.boxes[3:5, :leaves] - tree.boxes[:2, :leaves]
    of_sheet = tree.boxes[5, :leaves] - tree.boxes[2, :leaves] < 1.0
    # Leaves side by side cover the 64 x 64 m once, those in layers once a layer: 4 times where boxes are cut
    # at their medians, 2.2 times as it is.
    assert of_sheet.sum() > leaves / 2
    assert sides[:, of_sheet].prod(0).sum() < 3 * 64 * 64

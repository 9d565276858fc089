"""Neighbour searches without compiled code (SciPy's kd-tree, NumPy's sums): the same bits."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from cloudprep.kernels import neighbours, neighbours_search, neighbours_shape, neighbours_tree

if TYPE_CHECKING:
    from collections.abc import Callable

    Both = Callable[[Callable[[], object]], tuple[object, object]]

RNG = np.random.default_rng(41)
GRID = np.stack(np.meshgrid(np.arange(7.0), np.arange(6.0), np.arange(3.0)), axis=-1).reshape(-1, 3)
CLOUDS = {
    "random": RNG.normal(size=(900, 3)) * [30, 30, 2] + [4000.25, 500.5, 30.125],
    "gridded": GRID,
    "duplicates": np.repeat(RNG.normal(size=(40, 3)), 7, axis=0),
    "collinear": np.outer(np.arange(50.0), [1.0, 2.0, 0.5]),
    "flat": np.c_[RNG.uniform(0, 9, (200, 2)), np.zeros(200)],
    "two": np.array([[0.0, 0, 0], [1, 1, 1]]),
    "one": np.ones((1, 3)),
}
KS = (1, 6, 24)


@pytest.fixture
def both(monkeypatch: pytest.MonkeyPatch) -> Both:
    """Call something with compiled code and without."""

    def call(function: Callable[[], object]) -> tuple[object, object]:
        compiled = function()
        with monkeypatch.context() as off:
            for module in (neighbours, neighbours_search, neighbours_shape, neighbours_tree):
                off.setattr(module, "COMPILED", False)
            return compiled, function()

    return call


def assert_same(pair: tuple[object, object]) -> None:
    for a, b in zip(*pair, strict=True):
        assert a.dtype == b.dtype
        np.testing.assert_array_equal(a, b)


def positions(cloud: np.ndarray) -> np.ndarray:
    return np.concatenate([cloud[:40], cloud[:40] + 0.25]).T.copy()


@pytest.mark.parametrize("name", CLOUDS)
@pytest.mark.parametrize("k", KS)
def test_mean_distances_are_the_same(both: Both, name: str, k: int) -> None:
    x, y, z = CLOUDS[name].T.copy()
    some = np.arange(len(x)) % 3 > 0
    for queries in (None, some):
        assert_same(both(lambda q=queries: neighbours.mean_neighbour_distance(x, y, z, k, queries=q)))


@pytest.mark.parametrize("name", CLOUDS)
@pytest.mark.parametrize("k", KS)
def test_shapes_are_the_same(both: Both, name: str, k: int) -> None:
    x, y, z = CLOUDS[name].T.copy()
    some = np.arange(len(x)) % 3 > 0

    def shapes() -> list[np.ndarray]:
        found, kth = neighbours_shape.neighbour_shapes(x, y, z, k, queries=some)
        return [*found, kth]

    assert_same(both(shapes))


@pytest.mark.parametrize("name", CLOUDS)
@pytest.mark.parametrize("k", KS)
def test_distances_and_rows_of_the_nearest_are_the_same(both: Both, name: str, k: int) -> None:
    cloud = CLOUDS[name]
    at = positions(cloud)

    def search() -> list[np.ndarray]:
        tree = neighbours_tree.build_tree(*cloud.T.copy())
        found = [neighbours_search.nearest_distances(tree, *at, k)]
        for farthest in (0.0, 1.0, 5.0, np.inf):
            rows = neighbours_search.nearest_rows(tree, *at, k, farthest)
            # Which of points in the same place is found is left open.
            found.append(np.where(rows[..., None] >= 0, cloud[rows], np.nan))
        return found

    assert_same(both(search))


@pytest.mark.parametrize("name", CLOUDS)
def test_points_within_a_radius_are_the_same(both: Both, name: str) -> None:
    cloud = CLOUDS[name]
    at = positions(cloud)

    def search() -> list[np.ndarray]:
        tree = neighbours_tree.build_tree(*cloud.T.copy())
        found = []
        for squared in (-1.0, 0.0, 1.0, 3.0, np.inf):
            starts, rows = neighbours_search.rows_within(tree, *at, np.full(at.shape[1], squared))
            of = np.repeat(np.arange(at.shape[1]), np.diff(starts))
            found += [starts, rows[np.lexsort((rows, of))]]
        return found

    assert_same(both(search))


def test_nothing_asked_for_is_nothing_found(both: Both) -> None:
    cloud, none = CLOUDS["random"], np.empty(0)

    def search() -> list[np.ndarray]:
        tree = neighbours_tree.build_tree(*cloud.T.copy())
        return [
            neighbours_search.nearest_distances(tree, none, none, none, 3),
            neighbours_search.nearest_rows(tree, none, none, none, 3, 1.0),
            *neighbours_search.rows_within(tree, none, none, none, none),
            *neighbours.mean_neighbour_distance(none, none, none, 3),
            *neighbours_shape.neighbour_shapes(none, none, none, 3)[0],
            *neighbours.mean_neighbour_distance(*cloud.T.copy(), 3, queries=np.zeros(len(cloud), bool)),
        ]

    assert_same(both(search))


def test_of_equally_near_points_those_first_by_coordinates_are_found_however_many_there_are() -> None:
    """A ring of 60 points around a position: sorted by hand."""
    turn = np.arange(60)
    ring = np.stack([np.where(turn % 2, 3.0, -3.0), np.where(turn % 4 < 2, 4.0, -4.0), np.zeros(60)])
    found = neighbours_search.plain.nearest_rows(ring.T, np.zeros((1, 3)), 2, np.inf)
    # Twins of (-3, -4): the lowest rows of them.
    np.testing.assert_array_equal(found, [[2, 6]])

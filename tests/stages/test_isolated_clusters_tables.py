"""Columns are found alike by a table of all places and, on wide sparse sites, by a search."""

import numpy as np
import pytest

from cloudprep.stages.noise import _clusters, _surroundings
from cloudprep.stages.noise._clusters import Columns, joined_columns, points_beneath
from cloudprep.stages.noise._surroundings import Lookup


def _columns(rng):
    x, y = rng.integers(-30, 30, (2, 500))
    low = rng.normal(size=500)
    return joined_columns([Columns(x, y, rng.integers(1, 9, 500), low, low + rng.random(500))])


@pytest.mark.parametrize("seed", [0, 1])
def test_lookups_by_table_equal_those_by_search(seed, monkeypatch):
    rng = np.random.default_rng(seed)
    columns, places = _columns(rng), rng.integers(-40, 40, (2, 400))
    height = rng.normal(size=400)

    def found():
        lookup = Lookup(columns, 2.0)
        around = lookup.around(*places)
        return lookup.highest(*places), lookup.walled_in(*places, height), *around

    by_table = found()
    monkeypatch.setattr(_surroundings, "_DENSE", 0)
    monkeypatch.setattr(_surroundings, "_DENSE_LEAST", 0)
    for a, b in zip(by_table, found(), strict=True):
        assert np.array_equal(a, b)
    of_place = {(x, y): z for x, y, z in zip(columns.x, columns.y, columns.highest, strict=True)}
    assert by_table[0].tolist() == [of_place.get((x, y), -np.inf) for x, y in places.T]


@pytest.mark.parametrize("dense", [0, 1_000_000])
def test_points_beneath_equal_a_plain_count(dense, monkeypatch):
    monkeypatch.setattr(_clusters, "_DENSE", 0)
    monkeypatch.setattr(_clusters, "_DENSE_LEAST", dense)
    rng = np.random.default_rng(7)
    place = np.unique(rng.integers(-6, 6, (600, 3)), axis=0)
    points = rng.integers(1, 5, len(place))
    asked = rng.random(len(place)) < 0.3
    beneath = points_beneath(place, points, asked)
    for i in range(len(place)):
        under = (place[:, :2] == place[i, :2]).all(axis=1) & (place[:, 2] <= place[i, 2] - 3)
        assert beneath[i] == (points[under].sum() if asked[i] else 0)


def test_joined_columns_of_places_far_apart_are_in_order():
    far = np.array([0, 3 * 10**9, -(2**31), 5]), np.array([7, -(2**33), 2**32, 7])
    one = np.ones(4, np.int64)
    joined = joined_columns([Columns(*far, one, one * 1.0, one * 2.0)] * 2)
    assert joined.points.tolist() == [2, 2, 2, 2]
    assert list(zip(joined.y, joined.x, strict=True)) == sorted(zip(far[1], far[0], strict=True))

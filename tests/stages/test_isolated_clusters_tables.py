"""Columns are found alike by a table of all places and, on wide sparse sites, by a search."""

import numpy as np
import pytest

from cloudprep.stages.noise import _surroundings
from cloudprep.stages.noise._clusters import Columns, joined_columns
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


def test_joined_columns_of_places_far_apart_are_in_order():
    far = np.array([0, 3 * 10**9, -(2**31), 5]), np.array([7, -(2**33), 2**32, 7])
    one = np.ones(4, np.int64)
    joined = joined_columns([Columns(*far, one, one * 1.0, one * 2.0)] * 2)
    assert joined.points.tolist() == [2, 2, 2, 2]
    assert list(zip(joined.y, joined.x, strict=True)) == sorted(zip(far[1], far[0], strict=True))

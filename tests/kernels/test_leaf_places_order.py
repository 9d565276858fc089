"""Points are put into the order of their cells by counting: the order that sorting gives."""

from __future__ import annotations

import numpy as np
import pytest

from cloudprep.engine.leaves import _sorted_leaves, leaves_of
from cloudprep.kernels import leaf_places
from cloudprep.kernels.leaf_places import moved, numbered, places_of
from cloudprep.model.grid import Lattice

RNG = np.random.default_rng(17)


def _cloud(count: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    x, y = RNG.uniform(-40, 70, (2, count)).round(1)  # many on the very edges of cells
    used = RNG.random(count) < 0.9
    used[0] = True
    return x, y, used


@pytest.mark.parametrize("count", [1, 2, 5000])
@pytest.mark.parametrize("threads", [1, 3])
def test_places_are_those_of_a_stable_sort(monkeypatch: pytest.MonkeyPatch, count: int, threads: int) -> None:
    monkeypatch.setattr(leaf_places, "_PER_THREAD", 300)
    x, y, used = _cloud(count)
    found = numbered(x, y, used, phase=(0.25, 0.5), side=2.5, most=10_000, threads=threads)
    assert found is not None
    column, row = (np.floor((v + p) / 2.5).astype(int) for v, p in ((x, 0.25), (y, 0.5)))
    cell = (row - found.row) * found.shape[1] + column - found.column
    cell[~used] = found.shape[0] * found.shape[1]
    np.testing.assert_array_equal(found.cells, cell)
    wanted = RNG.permutation(np.unique(cell[used]))
    rank = {int(c): k for k, c in enumerate(wanted)} | {found.shape[0] * found.shape[1]: len(wanted)}
    by_cell = np.argsort([rank[int(c)] for c in cell], kind="stable")
    places = places_of(found, wanted)
    np.testing.assert_array_equal(places[by_cell], np.arange(count))
    for values in (x, used, np.arange(count, dtype=np.uint16), x.astype(np.float32)):
        np.testing.assert_array_equal(moved(values, places), values[by_cell])


def test_plain_twins_agree(monkeypatch: pytest.MonkeyPatch) -> None:
    x, y, used = _cloud(3000)
    results = []
    for compiled in (True, False):
        monkeypatch.setattr(leaf_places, "COMPILED", compiled)
        found = numbered(x, y, used, phase=(0.0, 0.0), side=4.0, most=10_000)
        assert found is not None
        cells, counts = found.cells.copy(), found.counts.copy()
        places = places_of(found, np.flatnonzero(counts.sum(axis=0)[:-1])).copy()
        results.append((cells, counts, places, moved(x, places)))
    for one, other in zip(*results, strict=True):
        np.testing.assert_array_equal(one, other)


@pytest.mark.parametrize("compiled", [True, False])
def test_no_numbers_are_refused_before_anything_is_written(
    monkeypatch: pytest.MonkeyPatch, compiled: bool
) -> None:
    monkeypatch.setattr(leaf_places, "COMPILED", compiled)
    x, y, used = _cloud(50)
    used[7], x[7] = True, np.nan
    with pytest.raises(ValueError, match="1 of 50 points"):
        numbered(x, y, used, phase=(0.0, 0.0), side=4.0, most=10_000)


def test_points_that_lie_far_apart_are_sorted() -> None:
    x, y, used = _cloud(200)
    assert numbered(x, y, used, phase=(0.0, 0.0), side=0.01, most=10_000) is None


@pytest.mark.parametrize("origin", [(0.0, 0.0), (412_003.3, 5_654_001.7)])
def test_counting_and_sorting_give_the_same_leaves(origin: tuple[float, float]) -> None:
    x, y, used = _cloud(4000)
    lattice = Lattice(7.0, origin)
    counted, sorted_ = leaves_of(x, y, used, lattice), _sorted_leaves(x, y, used, lattice)
    for one, other in zip(counted[0], sorted_[0], strict=True):
        np.testing.assert_array_equal(one, other)
    order = RNG.permutation(len(counted[0].points))
    np.testing.assert_array_equal(counted[1](order), sorted_[1](order))

"""Blocks: every point in exactly one, buffers complete, labels put back by source row."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cloudprep.engine.sitefacts import measure_site
from cloudprep.engine.store import BlockLayout, PointStore, merged_labels
from cloudprep.model.bounds import EVERYWHERE, Bounds


def store_of(x, y, stray=None):
    n = len(x)
    return PointStore({"x": x, "y": y, "z": np.zeros(n), "classification": np.zeros(n, np.uint8)}, stray)


def layout_of(store, edge, origin=(412_000.0, 5_000_000.0)):
    site = measure_site(store, origin=origin, resolution=0.01, columns=frozenset())
    return BlockLayout(store, site, edge)


def test_a_small_site_is_one_block_without_copies():
    store = store_of(np.array([1.0, 2.0]), np.array([3.0, 4.0]))
    layout = layout_of(store, None)
    assert [b.bounds for b in layout.blocks] == [EVERYWHERE]
    assert np.shares_memory(store.points(["x"], layout.blocks[0].rows)["x"], store.columns["x"])


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 1000),
    edge=st.sampled_from([0.3, 1.0, 7.7, 100.0]),
    phase=st.floats(0, 999, allow_nan=False),
)
def test_every_usable_point_lies_in_exactly_one_block(seed, edge, phase):
    rng = np.random.default_rng(seed)
    x = np.round(rng.uniform(0, 12, 200), 1)  # many on block edges
    y = np.round(rng.uniform(-5, 9, 200), 1)
    stray = rng.random(200) < 0.05
    layout = layout_of(store_of(x, y, stray), edge, (phase, -phase))
    rows = np.concatenate([b.rows for b in layout.blocks])
    assert sorted(rows.tolist()) == np.flatnonzero(~stray).tolist()


def test_points_on_an_edge_belong_to_the_block_that_begins_there():
    layout = layout_of(store_of(np.array([0.0, 10.0, 9.999]), np.zeros(3)), 10.0)
    assert {tuple(b.rows.tolist()): b.bounds.x0 for b in layout.blocks} == {(0, 2): 0.0, (1,): 10.0}


@pytest.mark.parametrize("edge", [None, 4.0, 50.0])
def test_rows_within_bounds_equal_a_plain_search(edge):
    rng = np.random.default_rng(8)
    x, y = rng.uniform(0, 30, (2, 500))
    stray = rng.random(500) < 0.02
    layout = layout_of(store_of(x, y, stray), edge)
    for bounds in (Bounds(3, 3, 9, 14), Bounds(-1e9, -1e9, 1e9, 1e9), Bounds(40, 40, 50, 50)):
        inside = ~stray & (x >= bounds.x0) & (x < bounds.x1) & (y >= bounds.y0) & (y < bounds.y1)
        assert layout.rows_within(bounds).tolist() == np.flatnonzero(inside).tolist()


def test_labels_come_back_by_source_row_and_the_old_ones_stay():
    before = {"classification": np.zeros(5, np.uint8)}
    after = merged_labels(
        before,
        [
            (np.array([4, 1]), {"classification": np.array([7, 2], np.uint8)}),
            (np.array([0]), {"classification": np.array([9], np.uint8)}),
        ],
    )
    assert after["classification"].tolist() == [9, 2, 0, 0, 7]
    assert before["classification"].tolist() == [0] * 5


def test_site_facts_count_spacing_over_occupied_ground_only():
    # Two full 5 m cells of 25 points each, a kilometre apart: 1 point a square metre.
    grid = np.arange(0.5, 5, 1.0)
    x, y = (v.ravel() for v in np.meshgrid(grid, grid))
    store = store_of(np.r_[x, x + 1000], np.r_[y, y])
    site = measure_site(store, origin=(0.0, 0.0), resolution=0.01, columns=frozenset())
    assert site.spacing == pytest.approx(1.0)
    assert site.bounds.x0 == 0.5
    assert site.bounds.x1 > 1004.5

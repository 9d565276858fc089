"""Blocks: every point in exactly one, buffers complete, labels put back by source row."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cloudprep.engine.leaves import Leaves, grouped
from cloudprep.engine.sitefacts import measure_site
from cloudprep.engine.store_memory import MemoryStore
from cloudprep.model.bounds import EVERYWHERE, Bounds


def store_of(x, y, stray=None, edge=None, origin=(412_000.0, 5_000_000.0)):
    n = len(x)
    columns = {"x": x, "y": y, "z": np.zeros(n), "classification": np.zeros(n, np.uint8), "row": np.arange(n)}
    store = MemoryStore(columns, stray)
    store.cut(measure_site(store, origin=origin, resolution=0.01, columns=frozenset()), edge)
    return store


def own_rows(store, block, reach=0.0):
    points, core, _ = store.around(block, ("row",), reach)
    return points["row"][core]


def test_a_small_site_is_one_block_without_copies():
    store = store_of(np.array([1.0, 2.0]), np.array([3.0, 4.0]))
    assert [b.bounds for b in store.blocks] == [EVERYWHERE]
    points, core, _ = store.around(store.blocks[0], ("x",), 5.0)
    assert np.shares_memory(points["x"], store.columns["x"])
    assert core.all()


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
    store = store_of(x, y, stray, edge, (phase, -phase))
    rows = np.concatenate([own_rows(store, b) for b in store.blocks])
    assert sorted(rows.tolist()) == np.flatnonzero(~stray).tolist()
    assert [b.count for b in store.blocks] == [len(own_rows(store, b)) for b in store.blocks]


def test_points_on_an_edge_belong_to_the_block_that_begins_there():
    store = store_of(np.array([0.0, 10.0, 9.999]), np.zeros(3), edge=10.0)
    assert {tuple(own_rows(store, b).tolist()): b.bounds.x0 for b in store.blocks} == {
        (0, 2): 0.0,
        (1,): 10.0,
    }


@pytest.mark.parametrize("edge", [None, 4.0, 50.0])
def test_points_within_bounds_equal_a_plain_search(edge):
    rng = np.random.default_rng(8)
    x, y = rng.uniform(0, 30, (2, 500))
    stray = rng.random(500) < 0.02
    store = store_of(x, y, stray, edge)
    for b in (Bounds(3, 3, 9, 14), Bounds(-1e9, -1e9, 1e9, 1e9), Bounds(40, 40, 50, 50)):
        inside = ~stray & (x >= b.x0) & (x < b.x1) & (y >= b.y0) & (y < b.y1)
        assert sorted(store.within(b, ("row",))["row"].tolist()) == np.flatnonzero(inside).tolist()


def test_a_buffer_holds_every_point_within_reach_of_the_block():
    rng = np.random.default_rng(9)
    x, y = rng.uniform(0, 40, (2, 800))
    store = store_of(x, y, edge=10.0)
    for block in store.blocks:
        points, core, buffered = store.around(block, ("row",), 3.0)
        b = block.bounds.grown(3.0)
        inside = (x >= b.x0) & (x < b.x1) & (y >= b.y0) & (y < b.y1)
        assert sorted(points["row"].tolist()) == np.flatnonzero(inside).tolist()
        assert buffered == b
        assert len(core) == len(points)
        assert core[: block.count].all()
        assert not core[block.count :].any()


def test_blocks_cover_the_site_without_gap_or_overlap_also_where_no_points_lie():
    x = np.array([1.0, 2.0, 95.0, 96.0, 95.5])
    y = np.array([1.0, 2.0, 3.0, 71.0, 72.0])
    store = store_of(x, y, edge=10.0)
    boxes = [b.bounds for b in store.blocks]
    assert sum(b.width * b.height for b in boxes) == pytest.approx(100.0 * 80.0)
    for i, a in enumerate(boxes):
        for b in boxes[:i]:
            assert a.x1 <= b.x0 or b.x1 <= a.x0 or a.y1 <= b.y0 or b.y1 <= a.y0


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10_000), most=st.integers(0, 60))
def test_groups_of_leaves_of_any_sizes_stay_below_the_limit(seed, most):
    rng = np.random.default_rng(seed)
    leaves = [(0, 0, 64)]
    for _ in range(rng.integers(0, 12)):  # split some leaf in four
        c, r, s = leaves.pop(rng.integers(len(leaves)))
        h = s // 2
        if h:
            leaves += [(c, r, h), (c + h, r, h), (c, r + h, h), (c + h, r + h, h)]
        else:
            leaves.append((c, r, s))
    kept = [leaf for leaf in leaves if rng.random() < 0.7] or leaves[:1]
    column, row, size = (np.array(v) for v in zip(*kept, strict=True))
    made = Leaves(column, row, size, rng.integers(1, 30, len(kept)))
    groups = grouped(made, most)
    assert sorted(np.concatenate([g.leaves for g in groups]).tolist()) == list(range(len(kept)))
    for box, chosen in groups:
        assert len(chosen) == 1 or made.points[chosen].sum() <= most
        assert (column[chosen] >= box.column).all()
        assert (column[chosen] + size[chosen] <= box.end_column).all()
        assert (row[chosen] >= box.row).all()
        assert (row[chosen] + size[chosen] <= box.end_row).all()
    area = sum((b.end_column - b.column) * (b.end_row - b.row) for b, _ in groups)
    assert area == ((column + size).max() - column.min()) * ((row + size).max() - row.min())


def test_labels_come_back_by_source_row_and_the_old_ones_stay_meanwhile():
    store = store_of(np.array([0.5, 11.0, 1.5, 12.0]), np.zeros(4), np.array([False] * 3 + [True]), edge=10.0)
    store.columns["classification"] = np.where(store.stray, 18, 1).astype(np.uint8)
    for block in store.blocks:
        rows = own_rows(store, block)
        store.put(
            block, {"classification": (rows + 4).astype(np.uint8), "roughness": rows.astype(np.float32)}
        )
    assert store.column("classification").tolist() == [1, 1, 1, 18]
    store.exchange({"classification": np.dtype("u1"), "roughness": np.dtype("f4")})
    assert store.column("classification").tolist() == [4, 5, 6, 18]  # stray: stays
    assert store.column("roughness").tolist() == [0, 1, 2, 0]


def test_points_of_a_block_lie_next_to_each_other_without_copies():
    rng = np.random.default_rng(10)
    x, y = rng.uniform(0, 40, (2, 900))
    columns = {"x": x.copy(), "y": y.copy(), "z": np.zeros(900), "classification": np.zeros(900, np.uint8)}
    store = MemoryStore(columns)
    site = measure_site(store, origin=(412_000.0, 5_000_000.0), resolution=0.01, columns=frozenset())
    store.cut(site, most=250)
    assert len(store.blocks) >= 4
    assert max(b.count for b in store.blocks) <= 250
    for block in store.blocks:
        points = store.around(block, ("x", "y"), 0.0).points
        assert np.shares_memory(points["x"], store.columns["x"])
        b = block.bounds
        inside = (x >= b.x0) & (x < b.x1) & (y >= b.y0) & (y < b.y1)
        assert sorted(points["x"].tolist()) == sorted(x[inside].tolist())
    np.testing.assert_array_equal(store.column("x"), x)
    np.testing.assert_array_equal(store.column("y", slice(100, 300)), y[100:300])


def test_site_facts_count_spacing_over_occupied_ground_only():
    # Two full 5 m cells of 25 points each, a kilometre apart: 1 point a square metre.
    grid = np.arange(0.5, 5, 1.0)
    x, y = (v.ravel() for v in np.meshgrid(grid, grid))
    store = store_of(np.r_[x, x + 1000], np.r_[y, y])
    site = measure_site(store, origin=(0.0, 0.0), resolution=0.01, columns=frozenset())
    assert site.spacing == pytest.approx(1.0)
    assert site.bounds.x0 == 0.5
    assert site.bounds.x1 > 1004.5

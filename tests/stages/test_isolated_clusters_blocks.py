"""Clusters, verdicts and labels are the same to the bit however the site is cut and shuffled.

Source of the outside answer for the clusters: scipy.spatial.cKDTree.query_pairs joined by
scipy.sparse.csgraph.connected_components (scipy's documentation).
"""

import numpy as np
import pytest
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from cloudprep.model.bounds import Bounds
from cloudprep.stages.base import Context, Points, whole_cloud_context
from cloudprep.stages.noise import _clusters
from cloudprep.stages.noise._clusters import joined_clusters
from cloudprep.stages.noise.isolated_clusters import ClusterParams, IsolatedClusters
from cloudprep.testing import facts_of


def within(columns, b):
    x, y = columns["x"], columns["y"]
    return np.flatnonzero((x >= b.x0) & (x < b.x1) & (y >= b.y0) & (y < b.y1))


def taken(columns, rows):
    return Points({name: values[rows] for name, values in columns.items()})


def jobs_of(columns, site, reach, edge, start, rng):
    """Give every block that holds a point: its rows in a shuffled order, and its context."""
    corners = {
        (np.floor((a - start) / edge), np.floor((b - start) / edge))
        for a, b in zip(columns["x"], columns["y"], strict=True)
    }
    jobs = []
    for i, j in sorted(corners):
        block = Bounds(start + i * edge, start + j * edge, start + (i + 1) * edge, start + (j + 1) * edge)
        rows = rng.permutation(within(columns, block.grown(reach)))
        core = np.isin(rows, within(columns, block))
        fetch = lambda bounds: taken(columns, within(columns, bounds))  # noqa: E731
        jobs.append((rows, Context(site, core, block, block.grown(reach), fetch)))
    return jobs


def shares_and_names(stage, columns, jobs, rng):
    parts, names = [], np.zeros(len(columns["x"]), np.int64)
    for rows, context in jobs:
        summary = stage.summarise(taken(columns, rows), context)
        parts.append(summary.part)
        names[rows[context.core]] = summary.scratch["cluster_cell"][context.core]
    rng.shuffle(parts)
    return stage.merge(parts), names


def whole(stage, columns, site):
    points = Points(columns)
    context = whole_cloud_context(site, len(points))
    summary = stage.summarise(points, context)
    merged = stage.merge([summary.part])
    solution = stage.solve(merged, site)
    label = stage.run(points.replaced(summary.scratch), context, solution).columns["classification"]
    return merged, summary.scratch["cluster_cell"], solution.value, label


def site_with_everything(rng):
    """Return ground, a roof, crowns, a wire, birds, dust and low groups, some of them across many blocks."""
    ground = np.c_[rng.uniform(0, 80, (9000, 2)), rng.normal(0, 0.05, 9000)]
    roof = np.c_[rng.uniform([50, 50], [62, 60], (200, 2)), np.full(200, 8.0)]
    crowns = np.concatenate([rng.normal([x, 70, 9], [1.2, 1.2, 2], (150, 3)) for x in (15, 33, 60)])
    t = np.sort(rng.uniform(0, 76, 70))
    wire = np.c_[2 + t, np.full(70, 24.1), 17 + 0.01 * t]
    birds = rng.uniform([0, 0, 20], [80, 80, 60], (25, 3))
    dust = np.concatenate([rng.normal(c, 0.5, (800, 3)) for c in ([20.0, 40.0, 15.0], [40.0, 20.0, 30.0])])
    row_of_dust = (
        rng.normal([0, 55, 33], [0, 0.6, 0.6], (300, 3)) + np.c_[rng.uniform(5, 45, 300), np.zeros((300, 2))]
    )
    low = np.concatenate([rng.normal([x, x, -4], 0.2, (6, 3)) for x in (10.0, 40.0, 66.0)])
    xyz = np.round(np.concatenate([ground, roof, crowns, wire, birds, dust, row_of_dust, low]), 2)
    xyz = np.concatenate([xyz, xyz[::97], [[300.0, -200.0, 3.0], [300.5, -200.0, 3.0]]])
    return {
        "x": xyz[:, 0].copy(),
        "y": xyz[:, 1].copy(),
        "z": xyz[:, 2].copy(),
        "classification": np.where(rng.random(len(xyz)) < 0.01, 18, 1).astype(np.uint8),
        "withheld": rng.random(len(xyz)) < 0.01,
    }


@pytest.mark.parametrize("gap", [None, 1.6])
@pytest.mark.parametrize(("edge", "start"), [(40.0, 0.0), (20.0, -3.3), (5.0, 1.7)])
def test_clusters_are_the_same_in_blocks_to_the_bit(gap, edge, start):
    rng = np.random.default_rng(1)
    columns = site_with_everything(rng)
    site = facts_of(columns)
    stage = IsolatedClusters(ClusterParams(gap=gap, below=True)).resolved(site)
    _, cell, verdict, label = whole(stage, columns, site)
    jobs = jobs_of(columns, site, stage.reach(), edge, start, rng)
    merged, names = shares_and_names(stage, columns, jobs, rng)
    solution = stage.solve(merged, site)
    assert np.array_equal(names, cell)
    assert np.array_equal(solution.value.name, verdict.name)
    assert np.array_equal(solution.value.low, verdict.low)
    given = {**columns, "cluster_cell": names}
    for rows, context in jobs:
        got = stage.run(taken(given, rows), context, solution).columns["classification"]
        assert np.array_equal(got[context.core], label[rows[context.core]])
    changed = label != columns["classification"]
    assert changed.sum() > 1000
    assert set(label[changed]) == {7, 18}


@pytest.mark.parametrize("huge", [50_000, 60])
def test_clusters_do_not_depend_on_which_are_huge_already_in_a_block(monkeypatch, huge):
    monkeypatch.setattr(_clusters, "HUGE", huge)
    rng = np.random.default_rng(2)
    columns = site_with_everything(rng)
    site = facts_of(columns)
    stage = IsolatedClusters().resolved(site)
    _, _, verdict, _ = whole(stage, columns, site)
    jobs = jobs_of(columns, site, stage.reach(), 13.0, 0.0, rng)
    merged, _ = shares_and_names(stage, columns, jobs, rng)
    assert any(share.huge.any() for share in merged) == (huge == 60)
    assert np.array_equal(stage.solve(merged, site).value.name, verdict.name)
    assert len(verdict.name) > 50


@pytest.mark.parametrize("edge", [80.0, 9.0])
def test_clusters_across_blocks_equal_scipys(edge):
    rng = np.random.default_rng(3)
    xyz = np.concatenate(
        [rng.uniform(0, 40, (1500, 3)) * [1, 1, 0.2], np.repeat(rng.uniform(0, 40, (60, 3)), 4, 0)]
    )
    columns = {axis: np.ascontiguousarray(v) for axis, v in zip("xyz", xyz.T, strict=True)}
    site = facts_of(columns)
    stage = IsolatedClusters(ClusterParams(gap=1.3, below=True)).resolved(site)
    jobs = jobs_of(columns, site, stage.reach(), edge, 0.0, rng)
    merged, names = shares_and_names(stage, columns, jobs, rng)
    clusters = joined_clusters(merged, 1.3)
    ours = clusters.cells.cluster[np.searchsorted(clusters.cells.name, names)]
    pairs = cKDTree(xyz).query_pairs(1.3, output_type="ndarray")
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), (len(xyz), len(xyz)))
    count, theirs = connected_components(graph, directed=False)
    assert clusters.total == count
    assert len(np.unique(np.c_[ours, theirs], axis=0)) == count


def test_clusters_do_not_depend_on_the_order_of_points():
    rng = np.random.default_rng(4)
    columns = site_with_everything(rng)
    site = facts_of(columns)
    stage = IsolatedClusters().resolved(site)
    _, cell, verdict, label = whole(stage, columns, site)
    order = rng.permutation(len(label))
    _, other_cell, other_verdict, other_label = whole(stage, {n: v[order] for n, v in columns.items()}, site)
    assert np.array_equal(other_cell, cell[order])
    assert np.array_equal(other_verdict.name, verdict.name)
    assert np.array_equal(other_label, label[order])


def test_clusters_move_with_the_cloud_by_whole_kilometres():
    rng = np.random.default_rng(5)
    columns = site_with_everything(rng)
    moved = {**columns, "x": columns["x"] + 7000, "y": columns["y"] - 3000}
    stage = IsolatedClusters()
    here, there = (
        whole(stage.resolved(site), cloud, site)[3]
        for cloud, site in ((c, facts_of(c)) for c in (columns, moved))
    )
    assert np.array_equal(here, there)

"""Distances, figures and labels are the same to the bit however the site is cut and shuffled."""

import numpy as np
import pytest

from cloudprep.model.bounds import Bounds
from cloudprep.stages.base import Context, Points, whole_cloud_context
from cloudprep.stages.noise.statistical_outliers import OutlierParams, StatisticalOutliers
from cloudprep.testing import facts_of


def within(columns, b):
    x, y = columns["x"], columns["y"]
    return np.flatnonzero((x >= b.x0) & (x < b.x1) & (y >= b.y0) & (y < b.y1))


def whole(stage, columns, site):
    points = Points(columns)
    context = whole_cloud_context(site, len(points))
    summary = stage.summarise(points, context)
    solution = stage.solve(stage.merge([summary.part]), site)
    labels = stage.run(points.replaced(summary.scratch), context, solution).columns
    return summary.scratch["mean_neighbour_distance"], solution, labels["classification"]


def in_blocks(stage, columns, site, edge, start, seed=0):
    """Run a stage block by block, as the contract says; points of a block come in a shuffled order."""
    rng = np.random.default_rng(seed)
    fetched = []
    stored = dict(columns)
    x, y = columns["x"], columns["y"]
    corners = sorted(
        {(np.floor((a - start) / edge), np.floor((b - start) / edge)) for a, b in zip(x, y, strict=True)}
    )

    def fetch(bounds):
        rows = within(stored, bounds)
        fetched.append(len(rows))
        return Points({n: v[rows] for n, v in stored.items()})

    jobs = []
    for i, j in corners:
        block = Bounds(start + i * edge, start + j * edge, start + (i + 1) * edge, start + (j + 1) * edge)
        rows = rng.permutation(within(columns, block.grown(stage.reach())))
        core = np.isin(rows, within(columns, block))
        jobs.append((rows, Context(site, core, block, block.grown(stage.reach()), fetch)))

    def given(rows):
        return Points({n: v[rows] for n, v in stored.items()})

    parts, distance = [], np.zeros(len(x))
    for rows, context in jobs:
        summary = stage.summarise(given(rows), context)
        parts.append(summary.part)
        distance[rows[context.core]] = summary.scratch["mean_neighbour_distance"][context.core]
    rng.shuffle(parts)
    solution = stage.solve(stage.merge(parts), site)
    stored["mean_neighbour_distance"] = distance
    labels = columns["classification"].copy()
    for rows, context in jobs:
        labels[rows[context.core]] = stage.run(given(rows), context, solution).columns["classification"][
            context.core
        ]
    return distance, solution, labels, fetched


def uneven_site(rng):
    """Ground with holes, a wire, birds, and points far from everything."""
    n = 2500
    ground = np.c_[rng.uniform(0, 60, (n, 2)), rng.normal(0, 0.05, n)]
    hole = np.hypot(ground[:, 0] - 30, ground[:, 1] - 30) < 14
    ground = ground[~hole]
    wire = np.c_[np.linspace(2, 58, 50), np.full(50, 21.3), np.full(50, 17.0)]
    birds = rng.uniform([0, 0, 15], [60, 60, 40], (12, 3))
    lone = np.array([[30.1, 30.2, 0.0], [29, 33, 0.3], [150.0, -90.0, 5.0], [151, -90, 4.0], [30, 30, -9]])
    xyz = np.round(np.concatenate([ground, wire, birds, lone]), 2)
    xyz = np.concatenate([xyz, xyz[:40]])  # duplicates
    codes = np.where(rng.random(len(xyz)) < 0.02, 7, 1).astype(np.uint8)
    return {
        "x": xyz[:, 0].copy(),
        "y": xyz[:, 1].copy(),
        "z": xyz[:, 2].copy(),
        "classification": codes,
        "withheld": rng.random(len(xyz)) < 0.02,
    }


@pytest.mark.parametrize("spread", ["standard", "robust"])
@pytest.mark.parametrize(("edge", "start", "reach"), [(20.0, 0.0, None), (7.0, -2.3, 0.5), (33.0, 5.0, 2.0)])
def test_outliers_are_the_same_in_blocks_to_the_bit(spread, edge, start, reach):
    columns = uneven_site(np.random.default_rng(1))
    site = facts_of(columns)
    stage = StatisticalOutliers(OutlierParams(spread=spread, deviations=0.3, line_reach=reach)).resolved(site)
    distance, solution, labels = whole(stage, columns, site)
    block_distance, block_solution, block_labels, fetched = in_blocks(stage, columns, site, edge, start)
    assert np.array_equal(block_distance, distance, equal_nan=True)
    assert block_solution == solution
    assert np.array_equal(block_labels, labels)
    assert (labels != columns["classification"]).sum() > 5
    assert fetched, "the hole and the lone points need a search beyond the buffer"


def test_outliers_do_not_depend_on_the_order_of_points():
    columns = uneven_site(np.random.default_rng(2))
    site = facts_of(columns)
    stage = StatisticalOutliers(OutlierParams(deviations=0.3)).resolved(site)
    distance, solution, labels = whole(stage, columns, site)
    order = np.random.default_rng(3).permutation(len(distance))
    shuffled = whole(stage, {n: v[order] for n, v in columns.items()}, site)
    assert np.array_equal(shuffled[0], distance[order], equal_nan=True)
    assert shuffled[1] == solution
    assert np.array_equal(shuffled[2], labels[order])


def test_outliers_do_not_depend_on_threads():
    columns = uneven_site(np.random.default_rng(4))
    site = facts_of(columns)
    stage = StatisticalOutliers().resolved(site)
    points = Points(columns)
    one = stage.summarise(points, whole_cloud_context(site, len(points)))
    two = stage.summarise(points, whole_cloud_context(site, len(points), threads=3))
    assert np.array_equal(*(s.scratch["mean_neighbour_distance"] for s in (one, two)), equal_nan=True)
    assert one.part.distances == two.part.distances


def test_outliers_far_from_everything_do_not_redo_their_block():
    rng = np.random.default_rng(5)
    n = 20_000
    xyz = np.concatenate([np.c_[rng.uniform(0, 100, (n, 2)), rng.normal(0, 0.05, n)], [[50.0, 50.0, 60.0]]])
    columns = {
        "x": xyz[:, 0].copy(),
        "y": xyz[:, 1].copy(),
        "z": xyz[:, 2].copy(),
        "classification": np.zeros(n + 1, np.uint8),
    }
    site = facts_of(columns)
    stage = StatisticalOutliers(OutlierParams(deviations=2.0, line_reach=3.0)).resolved(site)
    distance, _, _ = whole(stage, columns, site)
    block_distance, _, labels, fetched = in_blocks(stage, columns, site, 50.0, 0.0)
    assert np.array_equal(block_distance, distance)
    assert labels[-1] == 18
    # The bird at 60 m looks 60 m around, which is all of the site; the others hardly beyond their buffer.
    assert sum(fetched) <= n + 2000

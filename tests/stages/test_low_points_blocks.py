"""low_points gives the same labels whatever the blocks, the order and the site's place, to the bit."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cloudprep.errors import UsageError
from cloudprep.stages.base import Points, whole_cloud_context
from cloudprep.stages.ground.progressive_ground import ProgressiveGround
from cloudprep.stages.noise.low_points import LowPoints
from cloudprep.testing import facts_of, run_stage


def columns_of(xyz):
    x, y, z = (np.ascontiguousarray(v, np.float64) for v in np.reshape(xyz, (-1, 3)).T)
    n = len(x)
    return {
        "x": x,
        "y": y,
        "z": z,
        "classification": np.ones(n, np.uint8),
        "withheld": np.zeros(n, bool),
    }


def labels(columns, **how):
    return run_stage(LowPoints(), columns, **how).labels["classification"]


@pytest.fixture(scope="module")
def crowded():
    """Ground at 4 points a square metre with a group of echoes on every corner of a grid of 10 m."""
    rng = np.random.default_rng(8)
    x, y = rng.uniform(0, 70, (2, 4 * 70 * 70))
    ground = np.c_[x, y, 20 + 0.2 * x + rng.normal(0, 0.03, len(x))]
    groups = []
    for corner in np.stack(np.meshgrid([10, 20, 30, 40, 50, 60], [10, 30, 50]), -1).reshape(-1, 2):
        place = corner + rng.uniform(-2.4, 2.4, (rng.integers(2, 30), 2))
        depth = rng.uniform(1.5, 9) + rng.uniform(0, 0.3, len(place))
        groups.append(np.c_[place, 20 + 0.2 * place[:, 0] - depth])
    echoes = np.concatenate(groups)
    return columns_of(np.concatenate([ground, echoes])), len(ground)


def test_groups_cut_by_the_edges_of_blocks_are_judged_whole(crowded):
    columns, first_echo = crowded
    whole = labels(columns)
    assert (whole[first_echo:] == 7).mean() >= 0.95
    for edge, workers in ((10.0, 1), (13.7, 2), (4.0, 2)):
        assert np.array_equal(labels(columns, block_edge=edge, workers=workers), whole)


def test_labels_follow_shuffled_points_and_moved_sites(crowded):
    columns, _ = crowded
    whole = labels(columns)
    order = np.random.default_rng(2).permutation(len(whole))
    shuffled = {name: values[order] for name, values in columns.items()}
    assert np.array_equal(labels(shuffled, block_edge=20.0), whole[order])
    assert np.array_equal(labels(columns, origin=(33_000.0, -4_000.0)), labels(columns, origin=(0.0, 0.0)))


@settings(deadline=None, max_examples=30, derandomize=True)
@given(
    st.lists(st.tuples(st.floats(0, 30), st.floats(0, 30), st.floats(-40, 40)), min_size=1, max_size=60),
    st.floats(3, 20),
)
def test_any_cloud_comes_out_alike_in_blocks(points, edge):
    columns = columns_of(np.round(points, 3))
    assert np.array_equal(labels(columns, block_edge=edge), labels(columns))


@pytest.mark.parametrize(
    "xyz",
    [
        [(1, 2, 3)],
        [(1, 2, 3), (1.1, 2, -50)],
        [(5, 5, 5)] * 40,
        [(0.5 * k, k, 100) for k in range(60)],
        [(3, 4, k) for k in range(60)],
    ],
    ids=["one", "two", "coincident", "collinear", "vertical"],
)
def test_clouds_without_a_surface_hold_no_low_points(xyz):
    assert (labels(columns_of(np.array(xyz, float))) == 1).all()


@pytest.mark.parametrize("stage", [LowPoints, ProgressiveGround])
def test_a_site_too_wide_for_its_cells_is_refused_in_one_line(stage):
    far_apart = columns_of(np.array([(0, 0, 0), (30_000, 20_000, 0)], float))
    with pytest.raises(UsageError, match=rf"^stage {stage.name}: the site spans 30\.0 x 20\.0 km.*'cell'.*$"):
        run_stage(stage(stage.Params(cell=1.0)), far_apart)
    # The parts may be small and the whole still too large.
    site = facts_of(far_apart)
    resolved = stage(stage.Params(cell=1.0)).resolved(site)
    parts = []
    for k in (0, 1):
        points = Points({name: values[k : k + 1] for name, values in far_apart.items()})
        parts.append(resolved.summarise(points, whole_cloud_context(site, 1)).part)
    with pytest.raises(UsageError, match="million cells"):
        resolved.merge(parts)

"""The outlier stage finds the same points as open3d's statistical outlier removal.

Source: open3d.geometry.PointCloud.remove_statistical_outlier (open3d's documentation). It counts the point
itself among its neighbours, at distance 0, so its ``nb_neighbors`` is one more than ours; every distance is
then k / (k + 1) times ours, and so are mean and deviation. Its deviation is the sample one (n - 1), as ours.

open3d needs a few system libraries (USB, GL, X11); where it can't load, the tests say so and are skipped.
"""

import numpy as np
import pytest

from cloudprep.stages.noise.statistical_outliers import OutlierParams, StatisticalOutliers
from cloudprep.testing import example_cloud, run_stage


def _open3d():
    try:
        import open3d
    except (ImportError, OSError) as error:
        return None, f"open3d can't be loaded: {error}"
    return open3d, ""


open3d, WHY_NOT = _open3d()
pytestmark = pytest.mark.skipif(open3d is None, reason=WHY_NOT)


def open3d_outliers(xyz, k, m):
    cloud = open3d.geometry.PointCloud(open3d.utility.Vector3dVector(xyz))
    _, kept = cloud.remove_statistical_outlier(nb_neighbors=k + 1, std_ratio=m)
    return np.setdiff1d(np.arange(len(xyz)), np.asarray(kept))


def our_outliers(xyz, k, m, block_edge=None):
    columns = {axis: np.ascontiguousarray(v) for axis, v in zip("xyz", xyz.T, strict=True)}
    columns["classification"] = np.zeros(len(xyz), np.uint8)
    stage = StatisticalOutliers(
        OutlierParams(neighbours=k, deviations=m, spread="standard", keep_structures=False)
    )
    labels = run_stage(stage, columns, block_edge=block_edge).labels
    return np.flatnonzero(np.isin(labels["classification"], (7, 18)))


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(("k", "m"), [(8, 1.0), (8, 3.0), (12, 2.0), (20, 4.0)])
def test_outliers_equal_open3ds(seed, k, m):
    columns = example_cloud(6000, seed)
    xyz = np.c_[columns["x"], columns["y"], columns["z"]]
    expected = open3d_outliers(xyz, k, m)
    assert np.array_equal(our_outliers(xyz, k, m), expected)
    assert np.array_equal(our_outliers(xyz, k, m, block_edge=19.0), expected)
    assert len(expected) > 0


def test_outliers_equal_open3ds_on_an_uneven_cloud():
    rng = np.random.default_rng(7)
    dense = rng.normal([50, 50, 2], 0.3, (4000, 3))
    flat = np.c_[rng.uniform(0, 100, (8000, 2)), rng.normal(0, 0.1, 8000)]
    far = rng.normal(0, 200, (40, 3))
    xyz = rng.permutation(np.concatenate([dense, flat, far]))
    for m in (0.5, 1.5, 3.0):
        expected = open3d_outliers(xyz, 10, m)
        assert np.array_equal(our_outliers(xyz, 10, m), expected)
        assert len(expected) > 0

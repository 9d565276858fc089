"""The outlier stage equals the same test written with scipy.

Source: scipy.spatial.cKDTree (scipy's documentation) for the neighbours; the test is that of Rusu et al.,
Robotics and Autonomous Systems 56 (2008).
"""

import numpy as np
import pytest
from scipy.spatial import cKDTree

from cloudprep.stages.noise.statistical_outliers import OutlierParams, StatisticalOutliers
from cloudprep.testing import example_cloud, run_stage


def scipy_outliers(xyz, k, m):
    mean = cKDTree(xyz).query(xyz, k + 1)[0][:, 1:].mean(axis=1)
    return mean > mean.mean() + m * mean.std(ddof=1)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(("k", "m"), [(8, 1.0), (8, 3.0), (12, 2.0), (20, 4.0)])
def test_outliers_equal_scipys(seed, k, m):
    columns = {n: v for n, v in example_cloud(6000, seed).items() if n in "xyz"}
    columns["classification"] = np.zeros(len(columns["x"]), np.uint8)
    expected = scipy_outliers(np.c_[columns["x"], columns["y"], columns["z"]], k, m)
    stage = StatisticalOutliers(
        OutlierParams(neighbours=k, deviations=m, spread="standard", keep_structures=False)
    )
    found = np.isin(run_stage(stage, columns, block_edge=23.0).labels["classification"], (7, 18))
    assert np.array_equal(np.flatnonzero(found), np.flatnonzero(expected))
    assert expected.any()

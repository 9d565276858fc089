"""What aligning is built of gives the same as open3d, where that has it.

Source: open3d.geometry.PointCloud.estimate_normals and open3d.pipelines.registration (TukeyLoss, point to
plane), as its documentation describes them. open3d needs a few system libraries; where it can't load, these
are skipped.
"""

import numpy as np
import pytest
from scipy.spatial import cKDTree

from cloudprep.kernels.point_to_plane import TUKEY, biweights, design, fitted_planes, paired, solved


def _open3d():
    try:
        import open3d
    except (ImportError, OSError) as error:
        return None, f"open3d can't be loaded: {error}"
    return open3d, ""


open3d, WHY_NOT = _open3d()
pytestmark = pytest.mark.skipif(open3d is None, reason=WHY_NOT)


def ground(count, seed, noise=0.02):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(-50, 50, (2, count))
    return np.c_[x, y, 3 * np.sin(x / 9) * np.cos(y / 11) + rng.normal(0, noise, count)]


def cloud(points, normals=None):
    made = open3d.geometry.PointCloud(open3d.utility.Vector3dVector(points))
    if normals is not None:
        made.normals = open3d.utility.Vector3dVector(normals)
    return made


def test_normals_are_open3ds():
    points = ground(20_000, 1)
    ours = fitted_planes(points, 50.0)
    theirs = cloud(points)
    theirs.estimate_normals(open3d.geometry.KDTreeSearchParamKNN(12))
    all_of_them = np.asarray(theirs.normals)
    _, rows = cKDTree(points).query(ours.places)
    assert len(rows) > 19_000
    cosines = np.abs(np.einsum("ni,ni->n", ours.normals, all_of_them[rows]))
    assert cosines.min() > 1 - 1e-6


def test_weights_are_open3ds():
    loss = open3d.pipelines.registration.TukeyLoss(TUKEY)
    distances = np.linspace(-6, 6, 241)
    assert biweights(distances, TUKEY) == pytest.approx([loss.weight(d) for d in distances], abs=1e-12)


def test_a_rigid_step_is_open3ds():
    """One step from the same pairs; the turns are so small that vector and Euler angles agree to 1e-8."""
    planes = fitted_planes(ground(8000, 2), 4.0)
    moving = ground(6000, 3) + np.array([0.004, -0.003, 0.005])
    pairs = paired(moving, planes, cKDTree(planes.places), 3.0)
    matrix = design(pairs, planes, (0, 1, 2, 3, 4, 5))
    weights = biweights(pairs.distances, 0.2)
    ours = solved((matrix * weights[:, None]).T @ matrix, -matrix.T @ (weights * pairs.distances))
    registration = open3d.pipelines.registration
    estimate = registration.TransformationEstimationPointToPlane(registration.TukeyLoss(0.2))
    which = open3d.utility.Vector2iVector(np.stack([pairs.rows, pairs.planes], axis=1).astype(np.int32))
    theirs = estimate.compute_transformation(cloud(moving), cloud(planes.places, planes.normals), which)
    turns = [theirs[2, 1], theirs[0, 2], theirs[1, 0]]
    assert np.linalg.norm(ours[3:]) > 1e-3
    assert ours[3:] == pytest.approx(theirs[:3, 3], abs=1e-7)
    assert ours[:3] == pytest.approx(turns, abs=1e-7)

"""Moving real clouds changes their coordinates, as SciPy reckons them, and no other byte of a point.

Source of the clouds: the test data of laspy's source distribution 2.7.0 (BSD-2-Clause).
"""

import laspy
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from cloudprep.errors import CloudprepError
from cloudprep.io.las import CoordinatePatch, WriteOptions, open_flight, write_patched
from cloudprep.model.motion import Motion

pytestmark = pytest.mark.network

TURN = (1e-3, -5e-4, 2e-3)
SHIFT = (0.37, -0.21, 0.113)


def records(path):
    """Return all points by laspy, with their bytes behind the coordinates."""
    cloud = laspy.read(path)
    raw = np.ascontiguousarray(cloud.points.array).view(np.uint8).reshape(len(cloud.points), -1)
    steps = np.stack([cloud.X, cloud.Y, cloud.Z], axis=1).astype(float)
    return cloud, steps * cloud.header.scales + cloud.header.offsets, raw[:, 12:]


def test_real_clouds_move_and_keep_all_else(real_clouds, tmp_path):
    moved = 0
    for name, path in real_clouds.items():
        try:
            flight = open_flight(path)
        except CloudprepError:
            continue
        if not flight.count:
            continue
        kind = "laz" if flight.compressed else "las"
        middle = (np.array(flight.header_min) + flight.header_max) / 2
        motion = Motion(SHIFT, TURN, tuple(float(v) for v in middle))
        patch = CoordinatePatch(flight, motion, 1.0, 1.0)
        target = tmp_path / f"moved.{kind}"
        write_patched(flight, target, {}, WriteOptions(format=kind), moving=patch)
        _, before, rest = records(path)
        cloud, after, new_rest = records(target)
        wanted = Rotation.from_rotvec(TURN).apply(before - middle) + middle + SHIFT
        off = np.abs(after - wanted).max(axis=0)
        assert (off <= np.array(flight.scales) / 2 + 1e-7).all(), name
        assert np.array_equal(rest, new_rest), name
        assert np.allclose(cloud.header.mins, after.min(axis=0), rtol=0, atol=1e-6), name
        assert np.allclose(cloud.header.maxs, after.max(axis=0), rtol=0, atol=1e-6), name
        moved += 1
    assert moved >= 20

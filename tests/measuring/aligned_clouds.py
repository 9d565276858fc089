"""Clouds that lie elsewhere than they should, by a motion that is known."""

import laspy
import numpy as np
from scipy.spatial.transform import Rotation

EAST, NORTH = 412_000.0, 5_654_000.0


class Known:
    """A motion, made by SciPy: ``R (p - centre) + centre + shift``; turns in degrees."""

    def __init__(self, shift=(0, 0, 0), turn=(0, 0, 0), centre=(0, 0, 0)):
        self.shift, self.centre = np.array(shift, float), np.array(centre, float)
        self.rotation = Rotation.from_rotvec(turn, degrees=True)

    def __call__(self, points):
        return self.rotation.apply(points - self.centre) + self.centre + self.shift


def remains(known, told):
    """Return how far points at a told motion's centre are from home, m, and how turned, degrees."""
    centre = np.array(told["centre"])
    turn = Rotation.from_matrix(told["rotation"])
    ended = turn.apply(known(centre[None])[0] - centre) + centre + told["shift"]
    return ended - centre, np.degrees((turn * known.rotation).as_rotvec())


def moved_copy(source, target, motion=None, *, change=None, keep=None, noise=0.0, seed=0, scale=0.001):
    """Write a cloud anew: points cut (keep), changed, noisy, and then moved."""
    cloud = laspy.read(source)
    points = np.array(cloud.xyz)
    if change is not None:
        points = change(points)
    points = points + np.random.default_rng(seed).normal(0, noise, points.shape)
    if keep is not None:
        kept = keep(points)
        cloud.points = cloud.points[kept]
        points = points[kept]
    if motion is not None:
        points = motion(points)
    cloud.change_scaling(scales=np.full(3, scale))
    cloud.x, cloud.y, cloud.z = points.T
    cloud.write(target)
    return target


def write_cloud(path, points, classification=2, *, scale=0.001, crs="EPSG:25832", offsets=(EAST, NORTH, 0.0)):
    """Write points (metres from the corner of the made-up site) as LAS 1.4."""
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = np.full(3, scale), np.array(offsets)
    if crs is not None:
        import pyproj

        header.add_crs(pyproj.CRS(crs))
    cloud = laspy.LasData(header)
    cloud.x, cloud.y, cloud.z = points[:, 0] + EAST, points[:, 1] + NORTH, points[:, 2]
    cloud.classification = np.broadcast_to(np.uint8(classification), len(points)).copy()
    cloud.return_number = cloud.number_of_returns = np.ones(len(points), np.uint8)
    cloud.write(path)
    return path


def scattered(height, count=30_000, side=120.0, noise=0.02, seed=0, corner=(0.0, 0.0), away=(0.0, 0.0, 0.0)):
    """Return points of a surface, the corner of the site at 0, all moved away by a shift."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, side, (2, count))
    x, y = x + corner[0], y + corner[1]
    return np.c_[x, y, height(x, y) + rng.normal(0, noise, count)] + np.array(away)


def hills(x, y):
    return 100 + 3 * np.sin(x / 11) * np.cos(y / 13)


def level(x, y):
    return 100 + 0 * x

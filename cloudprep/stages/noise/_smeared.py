"""Which points of a photogrammetric cloud are shapeless clumps in the air: the rules of ``edge_smear``."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.columns_above import Surface, seen_around
from cloudprep.kernels.columns_near import near_any
from cloudprep.kernels.columns_sorted import sorted_columns
from cloudprep.kernels.ground_colour import greenness
from cloudprep.kernels.neighbours_search import nearest_distances, nearest_rows
from cloudprep.kernels.neighbours_tree import build_tree
from cloudprep.stages.noise._usable import usable

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.model.points import Points
    from cloudprep.stages.base import Context

    Floats = NDArray[np.float64]
    Mask = NDArray[np.bool_]
    Rows = NDArray[np.int64]

# Shapeless is what is so rough for the mean distance of its neighbours: evenly in a ball it is 0.6, on the
# surfaces of a matched cloud about 0.1. Asked is whose own share is at least the first, and then the mean of
# so many neighbours and itself must be at least the second.
_ASKED = 0.13
_SHAPELESS = 0.22
_NEIGHBOURS = 16
# A surface is where it is smaller than that, the neighbours spread along the plane and it isn't steep.
_SURFACE = 0.16
_FLAT = 0.5
_SURFACE_SPACINGS = 0.35
_LEVEL = 0.35
# So many points of surfaces are seen clearly below, as a share of the usual number.
_SEEN = 0.2
# Of so many neighbours and the point itself, this share is shapeless with a surface below.
_COMPANY = 32
_AGREE = 0.7
# Fewer neighbours within reach say nothing.
_LEAST = 8
# Asked at last is what lies so near to a shapeless point, in spacings.
_BESIDE = 3.0
# Greener neighbours (middle of the normalised excess green) are leaves.
_GREEN = 0.1
# Shares are added up in whole steps, so that sums don't depend on the order.
_STEPS = 1_000_000


class Lengths(NamedTuple):
    """Mean point spacing and the stage's parameters, m."""

    spacing: float
    clear: float
    radius: float
    company: float

    @property
    def usual(self) -> float:
        """How many points of a surface usually lie within the radius in plan."""
        return math.pi * (self.radius / self.spacing) ** 2


def smear_reach(radius: float, company: float) -> float:
    """Return how far (m) a verdict depends on other points."""
    return 2.0 * company + radius


def smeared(points: Points, core: Mask, lengths: Lengths, context: Context) -> Mask:
    """Tell which points of a block are part of a shapeless clump with a surface seen below.

    Parameters
    ----------
    points : Points
        Usable points of the block and its buffer, at least one, with their shapes.
    core : ndarray of bool, shape (n,)
        Which of them belong to the block.
    lengths : Lengths
        How far to look.
    context : Context
        What surrounds the block.
    """
    found = np.zeros(len(points), np.bool_)
    rough, apart = points["roughness"], points["neighbour_distance"]
    # What nobody worked out (no neighbours at all) is not shapeless.
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.nan_to_num(rough / apart, nan=0.0, posinf=0.0)
    hanging = np.flatnonzero(share > _ASKED)
    hanging = hanging[_seen_below(points, share, hanging, lengths, context)]
    if len(hanging) == 0:
        return found
    x, y, z = (points[axis] for axis in "xyz")
    tree = build_tree(x, y, z, threads=context.threads)
    # A hair less than the reach, to be safe from rounding.
    reach = lengths.company * (1 - 1e-9)
    near = nearest_rows(tree, x[hanging], y[hanging], z[hanging], _NEIGHBOURS, reach)
    steps = np.rint(share * _STEPS).astype(np.int64)
    count, total = _over(near, steps)
    shapeless = np.zeros(len(points), np.bool_)
    enough = count >= _LEAST
    shapeless[hanging] = enough & (total + steps[hanging] > _SHAPELESS * _STEPS * (count + 1))
    asked = _beside(points, core, shapeless, lengths)
    if len(asked) == 0:
        return found
    near = nearest_rows(tree, x[asked], y[asked], z[asked], _COMPANY, reach)
    count, fellows = _over(near, shapeless.astype(np.int64))
    agree = (count >= _LEAST) & (fellows + shapeless[asked] >= _AGREE * (count + 1))
    found[asked[agree]] = ~_green(points, near[agree])
    return found


def _seen_below(points: Points, share: Floats, asked: Rows, lengths: Lengths, context: Context) -> Mask:
    """Tell under which of some points a surface is seen, clearly below."""
    nz = points["normal_z"]
    surface = (
        (share < _SURFACE)
        & (points["roughness"] < _FLAT * points["extent"])
        & (points["roughness"] < _SURFACE_SPACINGS * lengths.spacing)
        & (nz > _LEVEL)
    )
    rows = np.flatnonzero(surface)
    if len(rows) == 0 or len(asked) == 0:
        return np.zeros(len(asked), np.bool_)
    x, y, z = (points[axis][rows] for axis in "xyz")
    columns = sorted_columns(x, y, lengths.radius)
    order = columns.order
    rows = rows[order]
    slope_x, slope_y = (-points[name][rows] / nz[rows] for name in ("normal_x", "normal_y"))
    clear = np.full(len(rows), lengths.clear, np.float32)
    planes = Surface(columns, x[order], y[order], z[order], slope_x, slope_y, clear)
    qx, qy, qz = (points[axis][asked] for axis in "xyz")
    seen = seen_around(planes, qx, qy, qz, lengths.radius, threads=context.threads)
    below: Mask = seen.below >= _SEEN * lengths.usual
    return below


def _over(near: Rows, values: Rows) -> tuple[Rows, Rows]:
    """Return how many neighbours there are, and the sum of their values."""
    there = near >= 0
    return there.sum(axis=1), np.where(there, values[near], 0).sum(axis=1)


def _beside(points: Points, core: Mask, shapeless: Mask, lengths: Lengths) -> Rows:
    """Return the points of the block that lie beside a shapeless one, or are one."""
    rows = np.flatnonzero(shapeless)
    if len(rows) == 0:
        return rows
    reach = _BESIDE * lengths.spacing
    x, y, z = (points[axis] for axis in "xyz")
    near = core & near_any(x, y, x[rows], y[rows], reach)
    asked = np.flatnonzero(near)
    tree = build_tree(x[rows], y[rows], z[rows])
    away = nearest_distances(tree, x[asked], y[asked], z[asked], 1)[:, 0]
    return asked[shapeless[asked] | (away <= reach * reach)]


def _green(points: Points, near: Rows) -> Mask:
    """Tell whose neighbours are green in the middle; without colours none are."""
    if not all(name in points for name in ("red", "green", "blue")) or len(near) == 0:
        return np.zeros(len(near), np.bool_)
    rows, which = np.unique(near, return_inverse=True)
    shade = greenness(*(points[name][rows] for name in ("red", "green", "blue")))[which.reshape(near.shape)]
    shade[near < 0] = np.nan
    black = np.isnan(shade).all(axis=1)
    shade[black] = 0.0
    green: Mask = np.nanmedian(shade, axis=1) > _GREEN
    return green


def times_and_colour(points: Points, core: Mask) -> tuple[float, float, bool]:
    """Return the range of pulse times in a block, and whether anything in it is coloured.

    Parameters
    ----------
    points : Points
        The block and its buffer.
    core : ndarray of bool, shape (n,)
        Which of the points belong to the block.
    """
    rows = core & usable(points)
    coloured = all(name in points and bool(points[name][rows].any()) for name in ("red", "green", "blue"))
    times = points["gps_time"][rows] if "gps_time" in points else np.zeros(0)
    if len(times) == 0:
        return math.inf, -math.inf, coloured
    return float(times.min()), float(times.max()), coloured

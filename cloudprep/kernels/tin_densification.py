"""Densification of a triangulated irregular network by points near its facets.

References
----------
P. Axelsson, "DEM generation from laser scanner data using adaptive TIN models", International Archives of
Photogrammetry and Remote Sensing 33(B4), 110-117, 2000.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import scipy  # its parts are loaded when they are first used

from cloudprep.kernels.hilbert import spatial_order
from cloudprep.kernels.tin import tin_heights
from cloudprep.kernels.tin_facets import accept_lowest, triangles_around
from cloudprep.kernels.tin_points import SUBSTEPS, fitting_step
from cloudprep.kernels.triangulation import triangulate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.kernels.ground_cells import LowestPoints

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]
    Indices = NDArray[np.int64]

# Rounds end where they add less than a thousandth of the network. A hundredth was too early: of a made-up
# square kilometre a fifth of the ground was still missing. A limit keeps it from creeping on for ever.
_MOST_ROUNDS = 60
_FEWEST_ADDED = 1e-3

# Ground points that say how the ground rises at a place of the rim, and how much it is held level.
_RIM_SUPPORT = 6
_RIM_RIDGE = 0.01


class Limits(NamedTuple):
    """When a point joins the network.

    Parameters
    ----------
    distance : float
        Distance from the facet, m, at most.
    angle : float
        Angle at each corner between the facet and the line to the point, degrees, at most.
    """

    distance: float
    angle: float


class _Net(NamedTuple):
    """All points of the raster and of the rim around it, in spatial order."""

    across: Floats
    up: Floats
    z: Floats
    row: Indices
    column: Indices
    rim: Flags
    step: float


def _rim(width: float, height: float, spacing: float) -> tuple[Floats, Floats]:
    """Return positions along a rectangle from (0, 0), at most ``spacing`` apart."""
    xs = np.linspace(0, width, max(2, math.ceil(width / spacing) + 1))
    ys = np.linspace(0, height, max(2, math.ceil(height / spacing) + 1))[1:-1]
    x = np.concatenate((xs, xs, np.zeros(len(ys)), np.full(len(ys), width)))
    y = np.concatenate((np.zeros(len(xs)), np.full(len(xs), height), ys, ys))
    return x, y


def _net(cells: LowestPoints, cell: float, seed_cells: int, resolution: float) -> tuple[_Net, Flags]:
    """Return all points, and which of them are the lowest of the seed cells."""
    rows, columns = cells.z.shape
    have = cells.have
    row, column = np.nonzero(have)
    # The rim lies a cell outside, so that no point of the raster is on it.
    left, bottom = (cells.column - 1) * cell, (cells.row - 1) * cell
    width, height = (columns + 2) * cell, (rows + 2) * cell
    rim_x, rim_y = _rim(width, height, seed_cells * cell)
    step = fitting_step(max(width, height), resolution)
    across = np.rint(np.concatenate((cells.x[have] - left, rim_x)) / step)
    up = np.rint(np.concatenate((cells.y[have] - bottom, rim_y)) / step)
    z = np.concatenate((cells.z[have], np.zeros(len(rim_x))))
    of_rim = np.arange(len(z)) >= len(row)
    row = np.concatenate((row, np.floor(rim_y / cell).astype(np.int64) - 1))
    column = np.concatenate((column, np.floor(rim_x / cell).astype(np.int64) - 1))
    order = spatial_order(across, up)
    first = np.ones(len(order), bool)
    first[1:] = (np.diff(across[order]) != 0) | (np.diff(up[order]) != 0)
    order = order[first]
    net = _Net(across[order], up[order], z[order], row[order], column[order], of_rim[order], step)
    return net, _seeds(net, cells.z.shape, seed_cells)


def _seeds(net: _Net, shape: tuple[int, int], size: int) -> Flags:
    """Return which points are the lowest of their square.

    Squares are at least ``size`` cells wide and divide the raster evenly: the narrow rest at a rim could lie
    on one roof. There are two at least each way: one seed alone can't tell how a site is inclined.
    """
    real = np.flatnonzero(~net.rim)
    rows, columns = shape
    down, along = max(2, rows // size), max(2, columns // size)
    square = net.row[real] * down // rows * along + net.column[real] * along // columns
    order = np.lexsort((net.up[real], net.across[real], net.z[real], square))
    _, first = np.unique(square[order], return_index=True)
    seeds = np.zeros(len(net.z), bool)
    seeds[real[order[first]]] = True
    return seeds


def _nearest(net: _Net, ground: Flags, count: int) -> Indices:
    """Return the ground points nearest to each point of the rim, shape (points of the rim, count)."""
    known = np.flatnonzero(ground)
    places = np.column_stack((net.across, net.up))
    _, nearest = scipy.spatial.cKDTree(places[known]).query(places[net.rim], min(count, len(known)))
    return known[nearest.reshape(np.count_nonzero(net.rim), -1)]


def _trend(net: _Net, ground: Flags) -> tuple[Floats, Floats]:
    """Return how the ground rises to the east and north at each point of the rim, from the nearest ground."""
    nearest = _nearest(net, ground, _RIM_SUPPORT)
    x, y, z = net.across[nearest] * net.step, net.up[nearest] * net.step, net.z[nearest]
    x, y, z = (v - v.mean(axis=1, keepdims=True) for v in (x, y, z))
    xx, xy, yy, xz, yz = ((v * w).sum(axis=1) for v, w in ((x, x), (x, y), (y, y), (x, z), (y, z)))
    # A ridge keeps points on a line, or one alone, from tilting the plane.
    ridge = _RIM_RIDGE * (xx + yy) + 1e-9
    xx, yy = xx + ridge, yy + ridge
    det = xx * yy - xy * xy
    return (xz * yy - yz * xy) / det, (yz * xx - xz * xy) / det


def _lay_rim(net: _Net, ground: Flags) -> None:
    """Lay the rim through the nearest ground, in place, rising as the ground there does.

    Laid level the network would turn away from slopes, and no point there would fit it.
    """
    nearest = _nearest(net, ground, 1)[:, 0]
    rise_east, rise_north = _trend(net, ground)
    east, north = ((of[net.rim] - of[nearest]) * net.step for of in (net.across, net.up))
    net.z[net.rim] = net.z[nearest] + rise_east * east + rise_north * north


def densified(
    cells: LowestPoints, *, cell: float, seed_cells: int, limits: Limits, resolution: float
) -> NDArray[np.float64]:
    """Return the heights of a network that grew by the points near it.

    The lowest points of large squares are triangulated. Then every round each facet takes in the lowest of
    the points that fit it (see :func:`cloudprep.kernels.tin_facets.accept_lowest`), and the network is drawn
    anew. A rim around the raster closes it; it goes on from the nearest ground as that rises.

    Parameters
    ----------
    cells : LowestPoints
        One point a cell, at least one in all; ``x``, ``y`` counted from where cell (0, 0) starts.
    cell : float
        Side of a cell, m.
    seed_cells : int
        Cells along a side of the squares whose lowest points start the network.
    limits : Limits
        When a point joins.
    resolution : float
        The step in which x and y are stored, m.

    Returns
    -------
    ndarray of float64, shape (rows, columns)
        Height of the network at the cell centres, m.
    """
    net, ground = _net(cells, cell, seed_cells, resolution)
    rows, columns = cells.z.shape
    at = np.full((rows, columns), -1, np.int64)
    real = np.flatnonzero(~net.rim)
    at[net.row[real], net.column[real]] = real
    sine = math.sin(math.radians(limits.angle))
    for _ in range(_MOST_ROUNDS):
        _lay_rim(net, ground)
        used = np.flatnonzero(ground | net.rim)
        triangles = used[triangulate(np.column_stack((net.across[used], net.up[used])))].astype(np.int32)
        accepted = np.zeros(len(ground), bool)
        candidate = ~ground & ~net.rim
        added = accept_lowest(
            net.across,
            net.up,
            net.z,
            triangles,
            *triangles_around(len(net.z), triangles),
            net.rim,
            net.step,
            at,
            net.row,
            net.column,
            candidate,
            limits.distance,
            sine,
            accepted,
        )
        ground |= accepted
        if added <= _FEWEST_ADDED * len(used):
            break
    _lay_rim(net, ground)
    used = np.flatnonzero(ground | net.rim)
    steps = np.column_stack((net.across[used], net.up[used]))
    centres = [
        np.rint((np.arange(n) + 1.5) * cell / net.step * SUBSTEPS).astype(np.int64) for n in (columns, rows)
    ]
    return tin_heights(steps, net.z[used], triangulate(steps), centres[0], centres[1])

"""Heights of a tile from the triangles of the whole site, though only the points around are triangulated.

A triangle is one of the whole site's if its circle holds no other point. Whether it does is known where the
circle stays among the points at hand, where it meets no hull of points elsewhere, or after a look at those it
meets. And where all points within the longest edge of a cell are at hand, no triangle but one found there can
hold it.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.tin import mesh_heights, squared_limit
from cloudprep.kernels.tin_circles import OPEN, PROVEN, judge_circles, refute_circles
from cloudprep.kernels.tin_points import SUBSTEPS, distinct_sites
from cloudprep.kernels.triangulation import triangle_mesh
from cloudprep.stages.surface._ground_points import Rectangle

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.kernels.tin_hulls import Hulls
    from cloudprep.kernels.tin_points import Sites
    from cloudprep.stages.surface._ground_points import GroundPoints
    from cloudprep.stages.surface._tiles import Tile

# The first look goes as far as some spacings of the ground points, the next three times as far, and so on.
_SPACINGS = 10
_LEAST_CELLS = 4
_FURTHER = 3
# Against rounding of centres and of what is known.
_SPARE = 4


def settle_by_triangles(tile: Tile, ground: GroundPoints, hulls: Hulls, longest_edge: float) -> Sites:
    """Give the cells of a tile their heights.

    Parameters
    ----------
    tile : Tile
        Its heights are filled in.
    ground : GroundPoints
        The site's points.
    hulls : Hulls
        Convex hulls of all points of the site.
    longest_edge : float
        Triangles with a longer edge (steps) are left out.

    Returns
    -------
    Sites
        All points of the tile, and some around.
    """
    farthest = longest_edge + _SPARE
    halo = min(first_halo(tile, ground, _SPACINGS), farthest)
    own: Sites | None = None
    while True:
        part = tile.unsettled()
        rectangle = ground.opened(tile.grown(part, halo))
        if own is None:
            rectangle = _widened(ground.opened(tile.around()), rectangle)
            if halo < farthest:
                rectangle = rectangle.common(ground.known)
        sites = distinct_sites(*ground.within(rectangle))
        own = own or sites
        last = halo >= farthest or rectangle.unbounded
        _settle(tile, sites, rectangle, ground, hulls, longest_edge, last=last)
        if last or tile.state.all():
            return own
        halo = min(_FURTHER * halo, farthest)


def first_halo(tile: Tile, ground: GroundPoints, spacings: float) -> float:
    """Return how far (steps) around a tile to look first: infinitely far where it has no points."""
    around = tile.around()
    count = ground.bins.about(*around)
    if count == 0:
        return math.inf
    pitch = (around.x1 - around.x0) / tile.cells.columns
    area = (around.x1 - around.x0) * (around.y1 - around.y0)
    return max(spacings * math.sqrt(area / count), _LEAST_CELLS * pitch)


def _widened(one: Rectangle, other: Rectangle) -> Rectangle:
    low = min(one.x0, other.x0), min(one.y0, other.y0)
    return Rectangle(*low, max(one.x1, other.x1), max(one.y1, other.y1))


def _settle(
    tile: Tile,
    sites: Sites,
    known: Rectangle,
    ground: GroundPoints,
    hulls: Hulls,
    longest_edge: float,
    *,
    last: bool,
) -> None:
    mesh, used = triangle_mesh(sites.steps)
    if used == 0:
        return
    mesh = mesh[:used]
    x, y = int(sites.left), int(sites.bottom)
    positions = (tile.columns - x * SUBSTEPS, tile.rows - y * SUBSTEPS)
    bounds = (known.shifted(-x, -y), ground.site.shifted(-x, -y))
    rest = (mesh, *positions, longest_edge, *bounds, tile.heights, tile.state)
    doubtful = mesh_heights(sites.steps, sites.z, *rest)
    if len(doubtful) == 0:
        return
    corners = mesh[doubtful[:, None] + np.arange(3)]
    triangles = sites.steps[corners].reshape(-1, 6) + np.array([x, y] * 3, np.float64)
    if last:
        # Too long ones no longer matter: a cell that no other triangle holds is empty.
        short = _squared_edges(triangles).max(axis=1) <= squared_limit(longest_edge)
        doubtful, triangles = doubtful[short], np.ascontiguousarray(triangles[short])
    verdicts = _verdicts(triangles, known, ground, hulls, look=last)
    mesh_heights(sites.steps, sites.z, *rest, chosen=doubtful[verdicts == PROVEN])


def _squared_edges(triangles: NDArray[np.float64]) -> NDArray[np.float64]:
    corners = triangles.reshape(-1, 3, 2)
    edges: NDArray[np.float64] = ((corners - np.roll(corners, 1, axis=1)) ** 2).sum(axis=2)
    return edges


def _verdicts(
    triangles: NDArray[np.float64], known: Rectangle, ground: GroundPoints, hulls: Hulls, *, look: bool
) -> NDArray[np.uint8]:
    """Say of each triangle whether it is one of the whole site's; all are decided if points may be looked at."""
    verdicts = np.zeros(len(triangles), np.uint8)
    boxes = hulls.boxes()
    met = np.zeros(len(boxes), bool)
    judge_circles(triangles, np.array(known), hulls.x, hulls.y, hulls.starts, boxes, verdicts, met)
    if look:
        for box in boxes[met]:
            if not (verdicts == OPEN).any():
                break
            columns, rows, _, _ = ground.within(ground.opened(Rectangle(*box)))
            refute_circles(triangles, columns.astype(np.float64), rows.astype(np.float64), verdicts)
        verdicts[verdicts == OPEN] = PROVEN
    return verdicts

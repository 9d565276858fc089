"""Heights of a tile from the triangles of the whole site, though only the points around are triangulated.

A triangle is one of the whole site's if its circle holds no other point. Whether it does is known where the
circle stays among the points at hand, where it meets no hull of points elsewhere, or after a look at those it
meets. And where all points within the longest edge of a cell are at hand, no triangle but one found there can
hold it.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.natural_neighbours import natural_heights
from cloudprep.kernels.tin import SETTLED, mesh_heights, squared_limit
from cloudprep.kernels.tin_circles import OPEN, PROVEN, judge_circles, refute_circles
from cloudprep.kernels.tin_hulls import mark_outside, outline_of
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


class Surroundings(NamedTuple):
    """Where the whole site has points.

    Attributes
    ----------
    hulls : Hulls
        Convex hulls, each of some points; every point lies in one.
    boxes : ndarray of float64, shape (h, 4)
        Least x and y, greatest x and y of each.
    outline : ndarray of float64, shape (c, 2)
        Corners of the convex hull of all points.
    """

    hulls: Hulls
    boxes: NDArray[np.float64]
    outline: NDArray[np.float64]

    @classmethod
    def of(cls, hulls: Hulls) -> Surroundings:
        """Return what follows from the hulls."""
        return cls(hulls, hulls.boxes(), outline_of(hulls))


class Look(NamedTuple):
    """Points that were looked at, and their triangles.

    Attributes
    ----------
    sites : Sites
        The points, and corners of hulls around.
    mesh : ndarray of int32
        Their triangles as a mesh, as much of it as is in use; empty where there are none.
    known : Rectangle
        Where no point is missing.
    """

    sites: Sites
    mesh: NDArray[np.int32]
    known: Rectangle


def settle_by_triangles(tile: Tile, ground: GroundPoints, around: Surroundings, longest_edge: float) -> Sites:
    """Give the cells of a tile their heights.

    Parameters
    ----------
    tile : Tile
        Its heights are filled in.
    ground : GroundPoints
        The site's points.
    around : Surroundings
        Where the site has points.
    longest_edge : float
        Triangles with a longer edge (steps) are left out.

    Returns
    -------
    Sites
        All points of the tile, and some around.
    """
    return _settle_by_triangles(tile, ground, around, longest_edge).sites


def settle_by_natural_neighbours(
    tile: Tile, ground: GroundPoints, around: Surroundings, longest_edge: float
) -> Sites:
    """Give the cells of a tile their heights by natural neighbours, on the cells that triangles hold.

    Where the Voronoi cell of a position reaches farther than half of the longest edge (on the rim of the
    site, beside wide gaps) its height comes from the triangle that holds it: so what must be at hand is
    bounded.

    Parameters
    ----------
    tile, ground, around, longest_edge
        As for :func:`settle_by_triangles`.

    Returns
    -------
    Sites
        All points of the tile, and some around.
    """
    first = _settle_by_triangles(tile, ground, around, longest_edge)
    natural = type(tile)(tile.cells, tile.places)
    natural.state[np.isnan(tile.heights)] = SETTLED
    radius, farthest = longest_edge / 2, longest_edge + _SPARE
    _settle_by_neighbours(natural, first, ground, radius)
    halo = min(first_halo(tile, ground, _SPACINGS), farthest)
    while halo < farthest and not natural.state.all():
        halo = min(_FURTHER * halo, farthest)
        for part in natural.pieces(halo):
            piece = natural.piece(part)
            rectangle = ground.opened(piece.grown(piece.unsettled(), halo))
            look = _looked(rectangle, ground, around, longest_edge)
            _settle_by_neighbours(piece, look, ground, radius)
            natural.put(part, piece)
    found = ~np.isnan(natural.heights)
    tile.heights[found] = natural.heights[found]
    return first.sites


def _settle_by_neighbours(tile: Tile, look: Look, ground: GroundPoints, radius: float) -> None:
    if len(look.mesh) == 0:
        return
    sites, x, y = look.sites, int(look.sites.left), int(look.sites.bottom)
    natural_heights(
        sites.steps,
        sites.z,
        look.mesh,
        tile.columns - x * SUBSTEPS,
        tile.rows - y * SUBSTEPS,
        radius,
        look.known.shifted(-x, -y),
        ground.site.shifted(-x, -y),
        tile.heights,
        tile.state,
    )


def _settle_by_triangles(tile: Tile, ground: GroundPoints, around: Surroundings, longest_edge: float) -> Look:
    mark_outside(around.outline, tile.columns / SUBSTEPS, tile.rows / SUBSTEPS, tile.state, SETTLED)
    farthest = longest_edge + _SPARE
    halo = min(first_halo(tile, ground, _SPACINGS), farthest)
    rectangle = ground.opened(_grown(tile.around(), halo))
    if halo < farthest:
        rectangle = rectangle.common(ground.known)
    first = _settle(tile, rectangle, ground, around, longest_edge, last=halo >= farthest)
    while halo < farthest and not tile.state.all():
        halo = min(_FURTHER * halo, farthest)
        for part in tile.pieces(halo):
            piece = tile.piece(part)
            rectangle = ground.opened(piece.grown(piece.unsettled(), halo))
            _settle(piece, rectangle, ground, around, longest_edge, last=halo >= farthest)
            tile.put(part, piece)
    return first


def _with_corners(
    points: tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int32], NDArray[np.float64]],
    known: Rectangle,
    hulls: Hulls,
    by: float,
) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int32], NDArray[np.float64]]:
    """Add the corners of the hulls around, without heights.

    They are few, and keep the triangles along the site's rim and across gaps from being others than the whole
    site's: less has to be looked at again.
    """
    columns, rows, index, z = points
    x, y = hulls.x, hulls.y
    near = (x >= known.x0 - by) & (x <= known.x1 + by) & (y >= known.y0 - by) & (y <= known.y1 + by)
    near &= (x < known.x0) | (x > known.x1) | (y < known.y0) | (y > known.y1)
    more = np.flatnonzero(near)
    return (
        np.concatenate((columns, x[more].astype(np.int32))),
        np.concatenate((rows, y[more].astype(np.int32))),
        np.concatenate((index, np.full(len(more), -1, np.int32))),
        z,
    )


def first_halo(tile: Tile, ground: GroundPoints, spacings: float) -> float:
    """Return how far (steps) around a tile to look first: infinitely far where it has no points."""
    around = tile.around()
    count = ground.bins.number(*around)
    if count == 0:
        return math.inf
    pitch = (around.x1 - around.x0) / tile.cells.columns
    area = (around.x1 - around.x0) * (around.y1 - around.y0)
    return max(spacings * math.sqrt(area / count), _LEAST_CELLS * pitch)


def _grown(one: Rectangle, by: float) -> Rectangle:
    return Rectangle(one.x0 - by, one.y0 - by, one.x1 + by, one.y1 + by)


def _settle(
    tile: Tile,
    known: Rectangle,
    ground: GroundPoints,
    around: Surroundings,
    longest_edge: float,
    *,
    last: bool,
) -> Look:
    """Settle what the points of a rectangle and the hulls settle, and all of the tile if it is the last look.

    The last look is one as far as the longest edge around every unsettled cell.
    """
    look = _looked(known, ground, around, longest_edge)
    if len(look.mesh):
        _settle_by_mesh(tile, look.sites, look.mesh, known, ground, around, longest_edge, last=last)
    if last or known.unbounded:
        tile.state[:] = SETTLED
    return look


def _looked(known: Rectangle, ground: GroundPoints, around: Surroundings, longest_edge: float) -> Look:
    sites = distinct_sites(*_with_corners(ground.within(known), known, around.hulls, longest_edge))
    mesh, used = triangle_mesh(sites.steps)
    return Look(sites, mesh[:used], known)


def _settle_by_mesh(
    tile: Tile,
    sites: Sites,
    mesh: NDArray[np.int32],
    known: Rectangle,
    ground: GroundPoints,
    around: Surroundings,
    longest_edge: float,
    *,
    last: bool,
) -> None:
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
    verdicts = _verdicts(triangles, known, ground, around, look=last)
    mesh_heights(sites.steps, sites.z, *rest, chosen=doubtful[verdicts == PROVEN])


def _squared_edges(triangles: NDArray[np.float64]) -> NDArray[np.float64]:
    corners = triangles.reshape(-1, 3, 2)
    edges: NDArray[np.float64] = ((corners - np.roll(corners, 1, axis=1)) ** 2).sum(axis=2)
    return edges


def _verdicts(
    triangles: NDArray[np.float64],
    known: Rectangle,
    ground: GroundPoints,
    around: Surroundings,
    *,
    look: bool,
) -> NDArray[np.uint8]:
    """Say of each triangle whether it is one of the whole site's; a look at the points decides all."""
    verdicts = np.zeros(len(triangles), np.uint8)
    hulls, boxes, _ = around
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

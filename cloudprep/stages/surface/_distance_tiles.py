"""Heights of a tile from the nearest points of the whole site, though only those around are searched."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.interpolation import nearest_means
from cloudprep.kernels.tin_points import SUBSTEPS, distinct_sites
from cloudprep.stages.surface._tin_tiles import first_halo

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.kernels.tin_points import Sites
    from cloudprep.stages.surface._ground_points import GroundPoints, Rectangle
    from cloudprep.stages.surface._tiles import Tile

_SPACINGS = 3
_FURTHER = 3
_SPARE = 4


def settle_by_distance(
    tile: Tile, ground: GroundPoints, *, power: float, neighbours: int, radius: float
) -> Sites:
    """Give the cells of a tile their heights.

    A cell is settled where its farthest neighbour lies nearer than anything that isn't at hand, or where all
    that lies within the radius is.

    Parameters
    ----------
    tile : Tile
        Its heights are filled in.
    ground : GroundPoints
        The site's points.
    power, neighbours, radius
        As for :func:`cloudprep.kernels.interpolation.inverse_distance_heights`.

    Returns
    -------
    Sites
        All points of the tile, and some around.
    """
    farthest = radius + _SPARE
    halo = min(first_halo(tile, ground, _SPACINGS * math.sqrt(neighbours)), farthest)
    own: Sites | None = None
    while True:
        part = tile.unsettled()
        rectangle = ground.opened(tile.grown(part, halo))
        if own is None:
            around = tile.around()
            rectangle = ground.opened(
                type(around)(
                    min(around.x0, rectangle.x0),
                    min(around.y0, rectangle.y0),
                    max(around.x1, rectangle.x1),
                    max(around.y1, rectangle.y1),
                )
            )
            if halo < farthest:
                rectangle = rectangle.common(ground.known)
        sites = distinct_sites(*ground.within(rectangle))
        own = own or sites
        columns = tile.columns[part[1]] - int(sites.left) * SUBSTEPS
        rows = tile.rows[part[0]] - int(sites.bottom) * SUBSTEPS
        heights, reached = nearest_means(
            sites.steps, sites.z, columns, rows, power=power, neighbours=neighbours, radius=radius
        )
        room = _room(tile, part, rectangle)
        settled = np.minimum(reached, radius) < room - 1
        open_before = tile.state[part] == 0
        taken = settled & open_before
        tile.heights[part][taken] = heights[taken]
        tile.state[part][taken] = 1
        if halo >= farthest or rectangle.unbounded or tile.state.all():
            return own
        halo = min(_FURTHER * halo, farthest)


def _room(tile: Tile, part: tuple[slice, slice], known: Rectangle) -> NDArray[np.float64]:
    """Return how far (steps) it is from each centre to the nearest side of what is known."""
    x, y = tile.columns[part[1]] / SUBSTEPS, tile.rows[part[0]] / SUBSTEPS
    across, up = np.minimum(x - known.x0, known.x1 - x), np.minimum(y - known.y0, known.y1 - y)
    room: NDArray[np.float64] = np.minimum(up[:, None], across[None, :])
    return room

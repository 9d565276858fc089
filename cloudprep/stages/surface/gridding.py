"""From ground points to heights on a window of cells, and where each height comes from."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from enum import IntEnum
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from cloudprep.kernels.interpolation_fill import nearest_fill, smooth_fill
from cloudprep.model.mapped import let_go
from cloudprep.stages.surface._distance_tiles import settle_by_distance
from cloudprep.stages.surface._smooth import Role, smoothed
from cloudprep.stages.surface._tiles import Cells, Places, Tile, tiles_of
from cloudprep.stages.surface._tin_tiles import (
    Surroundings,
    settle_by_natural_neighbours,
    settle_by_triangles,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.kernels.tin_hulls import Hulls
    from cloudprep.kernels.tin_points import Sites
    from cloudprep.model.grid import Window
    from cloudprep.stages.surface._ground_points import GroundPoints


class HeightSource(IntEnum):
    """Codes of the companion raster."""

    EMPTY = 0
    MEASURED = 1
    INTERPOLATED = 2
    FILLED = 3


LEGEND = {
    int(HeightSource.EMPTY): "empty",
    int(HeightSource.MEASURED): "measured: at least one ground point in the cell",
    int(HeightSource.INTERPOLATED): "interpolated between ground points around the cell",
    int(HeightSource.FILLED): "filled from surrounding cells",
}

Method = Literal["auto", "tin", "natural_neighbour", "smooth", "inverse_distance", "nearest"]
BY_TRIANGLES: tuple[Method, ...] = ("auto", "tin", "natural_neighbour", "smooth")
"""Methods that need to know where the whole site has points."""
MAYBE_SMOOTH: tuple[Method, ...] = ("auto", "smooth")
"""Methods that draw triangles first; the whole raster may be smoothed afterwards."""
Fill = Literal["none", "nearest", "smooth"]
# Rows that are gone over at a time.
_LINES = 256
BESIDE = 255
"""Measured, but under no triangle: a code of :data:`MAYBE_SMOOTH`, until the rest is smoothed."""


class Manner(NamedTuple):
    """How to grid; lengths in metres, see the parameters of the stage."""

    method: Method
    longest_edge: float
    power: float
    neighbours: int
    search_radius: float
    fill: Fill
    fill_distance: float
    stiffness: float


def draw_heights(
    ground: GroundPoints, window: Window, part: Window, manner: Manner, hulls: Hulls, threads: int = 1
) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
    """Return heights (m, NaN where empty) and their :class:`HeightSource` for some cells of a site's window.

    They are the same for any part, whatever of the site is at hand. A cell that holds ground points but whose
    centre lies under no triangle (the rim of the site, a lone point in a lake, all points on one line) takes
    the height of its ground point nearest to the centre.

    Parameters
    ----------
    ground : GroundPoints
        The site's ground points.
    window : Window
        All cells of the site.
    part : Window
        The cells wanted; whatever lies in them is at hand.
    manner : Manner
        Method and lengths; the filling comes later (:func:`fill_heights`).
    hulls : Hulls
        Convex hulls of all ground points of the site; for the method ``tin``.
    threads : int
        Tiles at work at one time.

    Returns
    -------
    heights : ndarray of float64, shape (rows, columns)
    source : ndarray of uint8, shape (rows, columns)
    """
    around = Surroundings.of(hulls)
    heights, source = np.full(part.shape, np.nan), np.zeros(part.shape, np.uint8)
    places = Places.of(window, ground.frame)
    column, row = part.column - window.column, part.row - window.row

    def draw(cells: Cells) -> None:
        tile = Tile(cells, places)
        sites = _settle(tile, ground, manner, around)
        without = np.isnan(tile.heights)
        tile.measure(sites, HeightSource.MEASURED, HeightSource.INTERPOLATED)
        at = (
            slice(cells.row - row, cells.row - row + cells.rows),
            slice(cells.column - column, cells.column - column + cells.columns),
        )
        heights[at], source[at] = tile.heights, tile.source
        if manner.method in MAYBE_SMOOTH:
            source[at][without & (tile.source == HeightSource.MEASURED)] = BESIDE

    tiles = tiles_of(Cells(column, row, part.columns, part.rows), places, ground)
    if threads == 1:
        for cells in tiles:
            draw(cells)
    else:
        with ThreadPoolExecutor(threads, thread_name_prefix="tiles") as pool:
            for _ in pool.map(draw, tiles):
                pass
    return heights, source


def _settle(tile: Tile, ground: GroundPoints, manner: Manner, around: Surroundings) -> Sites:
    step = ground.frame.step
    if manner.method == "tin" or manner.method in MAYBE_SMOOTH:
        return settle_by_triangles(tile, ground, around, manner.longest_edge / step)
    if manner.method == "natural_neighbour":
        return settle_by_natural_neighbours(tile, ground, around, manner.longest_edge / step)
    neighbours = 1 if manner.method == "nearest" else manner.neighbours
    radius = manner.search_radius / step
    return settle_by_distance(tile, ground, power=manner.power, neighbours=neighbours, radius=radius)


def smooth_heights(
    heights: NDArray[np.float64], source: NDArray[np.uint8], window: Window, manner: Manner
) -> None:
    """Smooth a whole raster in place if that is the method; :func:`draw_heights` left it linear.

    Where it was left open whether to smooth, ``manner`` says what was settled since.

    Parameters
    ----------
    heights : ndarray of float64, shape (rows, columns)
        NaN where empty.
    source : ndarray of uint8, shape (rows, columns)
        Codes.
    window : Window
        Where the cells lie.
    manner : Manner
        Whether, and how stiff.
    """
    if manner.method == "smooth":
        _smooth(heights, source, window, manner.stiffness)
    for start in range(0, len(source), _LINES):
        lines = source[start : start + _LINES]
        lines[lines == BESIDE] = HeightSource.MEASURED
        let_go(source)


def _smooth(
    heights: NDArray[np.float64], source: NDArray[np.uint8], window: Window, stiffness: float
) -> None:
    roles = np.full(256, Role.OUTSIDE, np.uint8)
    roles[HeightSource.MEASURED], roles[HeightSource.INTERPOLATED] = Role.DATUM, Role.BRIDGED
    roles[BESIDE] = Role.KEPT
    smoothed(heights, source, roles, window, stiffness)


def fill_heights(
    heights: NDArray[np.float64], source: NDArray[np.uint8], cell: float, manner: Manner
) -> None:
    """Fill empty cells of a whole raster in place, as far as the manner says.

    Parameters
    ----------
    heights : ndarray of float64, shape (rows, columns)
        NaN where empty.
    source : ndarray of uint8, shape (rows, columns)
        Codes.
    cell : float
        Cell size, m.
    manner : Manner
        Whether and how.
    """
    if manner.fill == "none":
        return
    spread = nearest_fill if manner.fill == "nearest" else smooth_fill
    heights[:] = spread(heights, manner.fill_distance / cell)
    source[~np.isnan(heights) & (source == HeightSource.EMPTY)] = HeightSource.FILLED

"""From ground points to heights on a window of cells, and where each height comes from."""

from __future__ import annotations

from enum import IntEnum
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from cloudprep.kernels.interpolation import inverse_distance_heights, nearest_heights
from cloudprep.kernels.interpolation_fill import nearest_fill, smooth_fill
from cloudprep.kernels.tin import tin_heights
from cloudprep.kernels.tin_cells import cells_of_steps, nearest_in_cell
from cloudprep.kernels.tin_points import SUBSTEPS, Sites, sites_of, substeps
from cloudprep.kernels.triangulation import triangulate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.model.grid import Window


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

Method = Literal["tin", "inverse_distance", "nearest"]
Fill = Literal["none", "nearest", "smooth"]


class Manner(NamedTuple):
    """How to grid; lengths in metres, see the parameters of the stage."""

    method: Method
    longest_edge: float
    power: float
    neighbours: int
    search_radius: float
    fill: Fill
    fill_distance: float


def grid_heights(
    points: tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]],
    window: Window,
    resolution: float,
    manner: Manner,
) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
    """Return heights (m, NaN where empty) and their :class:`HeightSource` for each cell of a window.

    A cell that holds ground points but whose centre lies under no triangle (the rim of the site, a lone point
    in a lake, all points on one line) takes the height of its ground point nearest to the centre.

    Parameters
    ----------
    points : three ndarrays of float64, shape (n,)
        x, y, z of ground points within the window, m.
    window : Window
        The cells.
    resolution : float
        Step in which x and y are stored, m.
    manner : Manner
        Method and lengths.

    Returns
    -------
    heights : ndarray of float64, shape (rows, columns)
    source : ndarray of uint8, shape (rows, columns)
    """
    source = np.zeros(window.shape, np.uint8)
    if len(points[0]) == 0:
        return np.full(window.shape, np.nan), source
    sites = sites_of(*points, resolution)
    cell = window.lattice.cell
    columns = substeps(sites, window.left + cell / 2, cell, window.columns, along=0)
    rows = substeps(sites, window.bottom + cell / 2, cell, window.rows, along=1)
    heights = _heights(sites, columns, rows, manner)

    column = cells_of_steps(
        sites.steps[:, 0], substeps(sites, window.left, cell, window.columns + 1, along=0)
    )
    row = cells_of_steps(sites.steps[:, 1], substeps(sites, window.bottom, cell, window.rows + 1, along=1))
    bare = np.flatnonzero(np.isnan(heights[row, column]))
    if bare.size:
        centres = np.column_stack((columns[column[bare]], rows[row[bare]])) / SUBSTEPS
        numbers = row[bare] * window.columns + column[bare]
        cells, values = nearest_in_cell(sites.steps[bare], sites.z[bare], numbers, centres)
        heights.ravel()[cells] = values

    source[~np.isnan(heights)] = HeightSource.INTERPOLATED
    source[row, column] = HeightSource.MEASURED
    if manner.fill != "none":
        spread = nearest_fill if manner.fill == "nearest" else smooth_fill
        heights = spread(heights, manner.fill_distance / cell)
        source[~np.isnan(heights) & (source == HeightSource.EMPTY)] = HeightSource.FILLED
    return heights, source


def _heights(
    sites: Sites, columns: NDArray[np.int64], rows: NDArray[np.int64], manner: Manner
) -> NDArray[np.float64]:
    if manner.method == "tin":
        triangles = triangulate(sites.steps)
        return tin_heights(sites.steps, sites.z, triangles, columns, rows, manner.longest_edge / sites.step)
    radius = manner.search_radius / sites.step
    if manner.method == "nearest":
        return nearest_heights(sites.steps, sites.z, columns, rows, radius=radius)
    return inverse_distance_heights(
        sites.steps, sites.z, columns, rows, power=manner.power, neighbours=manner.neighbours, radius=radius
    )

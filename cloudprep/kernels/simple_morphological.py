"""The simple morphological filter on a raster of lowest heights.

References
----------
T. J. Pingel, K. C. Clarke, W. A. McBride, "An improved simple morphological filter for the terrain
classification of airborne LIDAR data", ISPRS Journal of Photogrammetry and Remote Sensing 77, 21-30, 2013.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.fill import covered
from cloudprep.kernels.interpolation_fill import smooth_fill
from cloudprep.kernels.opening_disk import opened_by_disk
from cloudprep.kernels.steepness import steepness

if TYPE_CHECKING:
    from numpy.typing import NDArray


def low_cells(surface: NDArray[np.float32], *, cell: float, slope: float) -> NDArray[np.bool_]:
    """Return the cells that lie too low to be ground.

    The paper turns the surface upside down and filters it like objects, with a window of one cell: what an
    opening of the inverted surface lowers by more than ``slope`` times that radius is a low outlier.

    Parameters
    ----------
    surface : ndarray of float32, shape (rows, columns)
        Heights, m; NaN outside the data.
    cell : float
        Cell size, m.
    slope : float
        Steepest descent into a pit that still may be terrain, rise over run; 5 in the paper.

    Returns
    -------
    ndarray of bool, shape (rows, columns)
        True for low cells.

    Examples
    --------
    >>> line = np.array([[0.0, 0.0, -5.5, 0.0, -4.5, 0.0]], np.float32)
    >>> low_cells(line, cell=1.0, slope=5.0)
    array([[False, False,  True, False, False, False]])
    """
    upside_down, inside = -surface, ~np.isnan(surface)
    return np.asarray(upside_down - opened_by_disk(upside_down, 1, inside) > slope * cell)


def cut_by_disks(
    surface: NDArray[np.float32], *, cell: float, slope: float, radius: float
) -> NDArray[np.bool_]:
    """Return the cells that progressive openings with growing disks cut off.

    The disks have radii of 1, 2, 3 ... cells, up to the first that reaches ``radius``; each opens what the
    one before left. A cell is an object if one opening lowers it by more than ``slope`` times the disk's
    radius in metres.

    Parameters
    ----------
    surface : ndarray of float32, shape (rows, columns)
        Heights, m; NaN outside the data.
    cell : float
        Cell size, m.
    slope : float
        Terrain slope that is never cut, rise over run.
    radius : float
        Largest radius, m.

    Returns
    -------
    ndarray of bool, shape (rows, columns)
        True for cells of objects.

    Examples
    --------
    >>> line = np.array([[0.0, 0.0, 0.2, 0.0, 0.1, 0.0]], np.float32)
    >>> cut_by_disks(line, cell=1.0, slope=0.15, radius=2.0)
    array([[False, False,  True, False, False, False]])
    """
    inside = ~np.isnan(surface)
    objects = np.zeros(surface.shape, bool)
    for cells in range(1, max(1, math.ceil(radius / cell)) + 1):
        opened = opened_by_disk(surface, cells, inside)
        objects |= (surface - opened) > slope * cells * cell  # NaN compares false
        surface = opened
    return objects


class TerrainSurface(NamedTuple):
    """The provisional terrain model of the paper.

    Attributes
    ----------
    height : ndarray of float32, shape (rows, columns)
        Terrain heights at the cell centres, m.
    slope : ndarray of float32, shape (rows, columns)
        Its steepness, rise over run.
    """

    height: NDArray[np.float32]
    slope: NDArray[np.float32]


def terrain_surface(
    lowest: NDArray[np.float32], *, cell: float, gap: int, slope: float, radius: float, low_slope: float
) -> TerrainSurface:
    """Return the terrain under a raster of lowest heights.

    Holes are spanned by a membrane (the paper's springs between neighbours), low cells are removed and
    spanned too, the openings mark objects, and a membrane across what is left is the terrain.

    Parameters
    ----------
    lowest : ndarray of float32, shape (rows, columns)
        Lowest height a cell, m; NaN where a cell is empty; at least one is not.
    cell : float
        Cell size, m.
    gap : int
        Openings take no notice of empty gaps wider than twice as many cells: these are outside the data.
    slope, radius : float
        As for :func:`cut_by_disks`.
    low_slope : float
        As for :func:`low_cells`.

    Returns
    -------
    TerrainSurface
        Heights and slopes of every cell.
    """
    have = ~np.isnan(lowest)
    outside = ~covered(have, gap)
    full = _spanned(lowest, outside)
    low = low_cells(full, cell=cell, slope=low_slope)
    if low.any():
        full = _spanned(np.where(low, np.float32(np.nan), lowest), outside)
    objects = cut_by_disks(full, cell=cell, slope=slope, radius=radius)
    # Never nothing: no opening lowers the lowest cell of a surface that keeps between its known heights.
    left = np.where(low | objects, np.nan, lowest)
    height = smooth_fill(left.astype(np.float64), math.inf)
    return TerrainSurface(height.astype(np.float32), steepness(height, cell).astype(np.float32))


def _spanned(heights: NDArray[np.float32], outside: NDArray[np.bool_]) -> NDArray[np.float32]:
    full = smooth_fill(heights.astype(np.float64), math.inf).astype(np.float32)
    full[outside] = np.nan
    return full

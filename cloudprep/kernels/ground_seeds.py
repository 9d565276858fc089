"""A first ground surface from openings of the lowest points, and how far each cell sticks out."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from scipy import ndimage

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.fill_nearest import fill_nearest
from cloudprep.kernels.opening_disk import closed_by_disk, opened_by_disk
from cloudprep.kernels.opening_lines import directions_dropping
from cloudprep.kernels.steepness import steepness
from cloudprep.kernels.strips import in_strips
from cloudprep.kernels.thin_plate import SurfaceFitter

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.kernels.ground_cells import LowestPoints

# Stiffness of surfaces that close gaps, and of the one that shows the lie of the land.
_FILLING = 1e-3
_LIE_OF_LAND = 10.0
# A cell that the closing of its neighbours exceeds by so many cell sides is no ground, but a low point.
_LOW = 5.0
# The first pass takes a slope for granted; the second one knows the lie of the land.
_FIRST_SLOPE = 0.2
_SECOND_SLOPE = 0.07
_SLOPE_SHARE = 0.4
_STEEPEST = 1.5

ROUGHLY = 0.2
"""Surfaces on the way to the ground are solved until they change by less, m: finer ones label the same."""


class Seeds(NamedTuple):
    """What the openings told.

    Parameters
    ----------
    surface : ndarray of float64, shape (rows, columns)
        First ground surface, m.
    inside : ndarray of bool, shape (rows, columns)
        Cells that the data cover.
    low : ndarray of bool, shape (rows, columns)
        Cells whose lowest point lies far below its neighbours.
    plants, objects : ndarray of uint8, shape (rows, columns)
        In how many of eight directions the cell sticks out of its 10 m and of its 50 m.
    """

    surface: NDArray[np.float64]
    inside: NDArray[np.bool_]
    low: NDArray[np.bool_]
    plants: NDArray[np.uint8]
    objects: NDArray[np.uint8]


def footprint(have: NDArray[np.bool_], gap: float, *, threads: int = 1) -> NDArray[np.bool_]:
    """Return the cells that the data cover, with gaps closed by a disk and holes filled.

    Parameters
    ----------
    have : ndarray of bool, shape (rows, columns)
        Cells with data.
    gap : float
        Radius of the disk, cells.
    threads : int
        Threads to use; the result doesn't depend on them.

    Returns
    -------
    ndarray of bool, shape (rows, columns)
        What lies beyond is nobody's ground: roofs carried into it would outgrow every window.
    """
    rim = math.ceil(gap) + 2
    padded = np.pad(have, rim)
    if gap >= 1:
        everywhere = np.ones(padded.shape, bool)
        padded = closed_by_disk(padded.astype(np.float32), gap + 1e-9, everywhere, threads=threads) > 0
    filled = ndimage.binary_fill_holes(padded)
    return np.asarray(filled[rim:-rim, rim:-rim])


@njit(nogil=True, cache=True, error_model="numpy")
def _mark_lowered(
    z: NDArray[np.float32],
    opened: NDArray[np.float32],
    most: float,
    extra: NDArray[np.float32],
    begin: int,
    end: int,
    found: NDArray[np.bool_],
) -> None:
    """Mark the cells of some rows that were lowered by more than ``most``, plus a raster's value if given."""
    limit = np.float32(most)
    for r in range(begin, end):
        before, after, marks = z[r], opened[r], found[r]
        if len(extra):
            more = extra[r]
            for c in range(len(marks)):
                marks[c] |= before[c] - after[c] > limit + more[c]
        else:
            for c in range(len(marks)):
                marks[c] |= before[c] - after[c] > limit


def _objects(
    z: NDArray[np.float32],
    inside: NDArray[np.bool_],
    largest: float,
    cell: float,
    slope: float,
    extra: NDArray[np.float32],
    threads: int,
) -> NDArray[np.bool_]:
    """Return cells that an opening lowers by more than its radius allows."""
    found = np.zeros(z.shape, bool)
    for radius in range(1, int(largest / cell + 1e-9) + 1):
        opened = opened_by_disk(z, radius, inside, threads=threads)
        given = z, opened, slope * radius * cell, extra

        def mark(part: slice, given: tuple[Any, Any, Any, Any] = given) -> None:
            _mark_lowered(*given, part.start, part.stop, found)

        in_strips(mark, (z.shape[0], z.shape[1]), threads)
        z = opened
    return found


def _bare(z: NDArray[np.float64], known: NDArray[np.bool_], objects: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the known cells that are no objects; where none is left, the lowest ones.

    The cells in the gaps are no data, and may be all that the openings leave of a small cloud.
    """
    bare = known & ~objects
    return bare if bare.any() else known & (z == z[known].min())


def seeds(
    cells: LowestPoints,
    *,
    cell: float,
    spacing: float,
    window: float,
    fitter: SurfaceFitter | None = None,
    threads: int = 1,
) -> Seeds:
    """Find a first ground surface.

    Parameters
    ----------
    cells : LowestPoints
        Lowest points of all cells; at least one cell holds a point.
    cell : float
        Side of a cell, m.
    spacing : float
        Point spacing, m.
    window : float
        Radius of the largest opening, m.
    fitter : SurfaceFitter, optional
        For rasters of this shape, to save making one.
    threads : int
        Threads to use; the result doesn't depend on them.

    Returns
    -------
    Seeds
        Two passes of openings with growing disks. The first tells the lie of the land, the second allows
        for it.
    """
    have = cells.have
    fit = partial((fitter or SurfaceFitter(have.shape)).fit, tolerance=ROUGHLY)
    inside = footprint(have, 3 * spacing / cell, threads=threads)
    closed = fit(cells.z, have, _FILLING)
    filled = np.where(have, cells.z, closed).astype(np.float32)
    low = have & (closed_by_disk(filled, 1, inside, threads=threads) - filled > _LOW * cell)
    if low.all(where=have):  # The closing rests on gaps alone.
        low = np.zeros_like(low)
    known = have & ~low
    if low.any():
        closed = fit(cells.z, known, _FILLING, start=closed)
        filled = np.where(known, cells.z, closed).astype(np.float32)
    largest, nothing = math.ceil(window / cell - 1e-9) * cell, np.empty((0, 0), np.float32)
    objects = _objects(filled, inside, largest, cell, _FIRST_SLOPE, nothing, threads)
    bare = fit(cells.z, _bare(cells.z, known, objects), _FILLING)
    lie = fit(bare, inside, _LIE_OF_LAND, start=bare)
    rise = (_SLOPE_SHARE * spacing * steepness(lie, cell, steepest=_STEEPEST)).astype(np.float32)
    everywhere = np.ones(have.shape, bool)
    filled = fill_nearest(np.where(known, cells.z, np.nan), everywhere).astype(np.float32)
    objects = _objects(filled, inside, window, cell, _SECOND_SLOPE, rise, threads)
    return Seeds(
        surface=fit(cells.z, _bare(cells.z, known, objects), _FILLING, start=bare),
        inside=inside,
        low=low,
        plants=directions_dropping(filled, 10.0 / cell, 0.15 + rise, inside, threads=threads),
        objects=directions_dropping(filled, 50.0 / cell, 0.5 + rise, inside, threads=threads),
    )

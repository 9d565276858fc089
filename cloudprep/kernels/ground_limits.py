"""How high and how low ground points may lie, agreed between surfaces of rasters that start elsewhere."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cloudprep.kernels.bilinear import bilinear, corners_of
from cloudprep.kernels.compiling import njit
from cloudprep.kernels.distances import distance_to
from cloudprep.kernels.steepness import steepness
from cloudprep.kernels.strips import in_strips

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cloudprep.kernels.ground_fine import FineSurface
    from cloudprep.kernels.ground_surface import Surface

    Raster = NDArray[np.float32]
    Floats = NDArray[np.float64]
    # Of places between columns: the column before, the one after, and the share of the latter.
    Columns = tuple[NDArray[np.int64], NDArray[np.int64], Floats]

# Slopes beyond this count as this one.
_STEEPEST = 4.0
# Below the surface, points may lie so much deeper than the height allowed above it, m.
_DEEPER = 0.5


class Limits(NamedTuple):
    """Rasters on the fine lattice; heights at the cell centres, m from the level of the fit.

    Parameters
    ----------
    column, row : int
        First cell.
    low, centre, high : ndarray of float32, shape (rows, columns)
        Ground lies between ``low`` and ``high``; ``centre`` is the surface.
    split : ndarray of float32, shape (rows, columns)
        How far the surfaces differ, m.
    far : ndarray of float32, shape (rows, columns)
        Distance to the next cell whose lowest point is ground on most of the surfaces, m.
    plants, objects : ndarray of float32, shape (rows, columns)
        In how many of eight directions the place sticks out of its 10 m and 50 m, on average.
    """

    column: int
    row: int
    low: Raster
    centre: Raster
    high: Raster
    split: Raster
    far: Raster
    plants: Raster
    objects: Raster


@njit(nogil=True, cache=True, error_model="numpy")
def _read_row(values: NDArray[Any], row: int, columns: Columns, out: Floats) -> None:
    """Read one row of a raster between its columns' centres."""
    before, after, share = columns
    for c in range(len(out)):
        t = share[c]
        out[c] = (1.0 - t) * values[row, before[c]] + t * values[row, after[c]]


@njit(nogil=True, cache=True, error_model="numpy")
def _read_surface(
    rasters: tuple[NDArray[Any], ...],
    support: NDArray[np.bool_],
    first: tuple[float, float],
    step: float,
    begin: int,
    out: Raster,
    supported: NDArray[np.uint8],
) -> None:
    """Read four rasters, and add up the support, at the fine cells of some rows from ``begin`` on."""
    height, slope, plants, objects = rasters
    rows, count = height.shape[0], out.shape[2]
    # What the columns have to do with it is the same in all rows.
    before, after, own = np.empty(count, np.int64), np.empty(count, np.int64), np.empty(count, np.int64)
    share = np.empty(count)
    for c in range(count):
        across = first[0] + (c + 0.5) * step
        at = corners_of(rows, height.shape[1], across, 0.0)
        before[c], after[c], share[c] = at.column, at.next_column, at.across
        own[c] = min(max(int(across), 0), support.shape[1] - 1)
    columns = before, after, share
    lower, upper = np.empty((4, count)), np.empty((4, count))
    read = -1
    for r in range(len(supported)):
        up = first[1] + (begin + r + 0.5) * step
        at = corners_of(rows, height.shape[1], 0.0, up)
        if at.row != read:
            # Fine rows between the same two rows share what is read of these.
            read = at.row
            for row, lines in ((at.row, lower), (at.next_row, upper)):
                _read_row(height, row, columns, lines[0])
                _read_row(slope, row, columns, lines[1])
                _read_row(plants, row, columns, lines[2])
                _read_row(objects, row, columns, lines[3])
        t = at.up
        for k in range(4):
            below, above, line = lower[k], upper[k], out[k, r]
            for c in range(count):
                line[c] = (1.0 - t) * below[c] + t * above[c]
        own_row = min(max(int(up), 0), support.shape[0] - 1)
        for c in range(count):
            supported[r, c] += np.uint8(support[own_row, own[c]])


def _nearest(
    flags: NDArray[np.bool_], first: tuple[float, float], step: float, shape: tuple[int, int]
) -> NDArray[np.bool_]:
    """Return the flags of the cells in which fine cells have their centres."""
    column, row = (
        np.clip((start + (np.arange(count) + 0.5) * step).astype(np.int64), 0, most - 1)
        for start, count, most in zip(first, shape[::-1], flags.shape[::-1], strict=True)
    )
    return flags[np.ix_(row, column)]


@njit(nogil=True, cache=True, error_model="numpy")
def _middle(count: int, lines: Raster, out: Raster) -> None:
    """Write the median of one, two or three lines: whole lines at a time become vector instructions."""
    a = lines[0]
    if count == 1:
        for c in range(len(out)):
            out[c] = a[c]
    elif count == 2:
        b = lines[1]
        for c in range(len(out)):
            out[c] = (a[c] + b[c]) / np.float32(2)
    else:
        b, d = lines[1], lines[2]
        for c in range(len(out)):
            out[c] = max(min(a[c], b[c]), min(max(a[c], b[c]), d[c]))


@njit(nogil=True, cache=True, error_model="numpy")
def _medians(
    read: Raster,
    nearness: np.float32,
    slope_share: np.float32,
    deeper: np.float32,
    begin: int,
    limits: Raster,
) -> None:
    """Write some rows' low, centre, high and split from heights ``read[:, 0]`` and slopes ``read[:, 1]``."""
    count, columns = read.shape[0], read.shape[3]
    lines, near = np.empty((count, columns), np.float32), np.empty((count, columns), np.float32)
    most = np.empty(columns, np.float32)
    for r in range(read.shape[2]):
        for k in range(count):
            height, slope, own, line = read[k, 0, r], read[k, 1, r], near[k], lines[k]
            for c in range(columns):
                own[c] = nearness + slope_share * slope[c]
            for c in range(columns):
                line[c] = height[c] - own[c] - deeper
        _middle(count, lines, limits[0, begin + r])
        for k in range(count):
            height, line = read[k, 0, r], lines[k]
            for c in range(columns):
                line[c] = height[c]
        _middle(count, lines, limits[1, begin + r])
        split = limits[3, begin + r]
        for c in range(columns):
            most[c] = split[c] = lines[0, c]
        for k in range(1, count):
            line = lines[k]
            for c in range(columns):
                most[c] = max(most[c], line[c])
            for c in range(columns):
                split[c] = min(split[c], line[c])
        for c in range(columns):
            split[c] = most[c] - split[c]
        for k in range(count):
            height, own, line = read[k, 0, r], near[k], lines[k]
            for c in range(columns):
                line[c] = height[c] + own[c]
        _middle(count, lines, limits[2, begin + r])


def agreed_limits(
    surfaces: Sequence[Surface],
    phases: Sequence[tuple[int, int]],
    *,
    first: tuple[int, int],
    shape: tuple[int, int],
    fine: float,
    nearness: float,
    slope_share: float,
    threads: int = 1,
) -> Limits:
    """Take the median of several surfaces' limits.

    Parameters
    ----------
    surfaces : sequence of Surface
        Fitted on rasters that start elsewhere.
    phases : sequence of tuple of int
        Columns and rows of the fine lattice by which each raster is shifted.
    first : tuple of int
        First column and row of the limits on the fine lattice.
    shape : tuple of int
        Rows and columns of the limits.
    fine : float
        Side of the fine cells, m.
    nearness, slope_share : float
        A ground point lies at most ``nearness`` (m) plus ``slope_share`` times the slope above the surface,
        and at most 0.5 m more below it.
    threads : int
        Threads to use; the result doesn't depend on them.

    Returns
    -------
    Limits
        A point within the medians is within the limits of most surfaces.
    """
    supported, standing = np.zeros(shape, np.uint8), np.zeros(shape, np.uint8)
    given = []
    for surface, phase in zip(surfaces, phases, strict=True):
        step = fine / surface.cell
        slope = steepness(surface.height, surface.cell, steepest=_STEEPEST)
        # Under a deck the surface is steep at the abutments only, where a tolerance would let the deck in.
        # And material is gentle on top, so that the slope there is that of its walls.
        slope[surface.deck | surface.heap] = 0.0
        if surface.tolerance is not None and slope_share > 0:
            # The noise is known there: a slope adds nothing to it.
            np.minimum(slope, np.maximum(surface.tolerance - nearness, 0.0) / slope_share, out=slope)
        rasters = (
            surface.height,
            slope,
            surface.seeds.plants,
            surface.seeds.objects,
        )
        corner = (first[0] - phase[0]) * step - surface.column, (first[1] - phase[1]) * step - surface.row
        given.append((rasters, surface.support, corner, step))
        if surface.wall.any():
            standing += _nearest(surface.wall, corner, step, shape)
    limits, sticking = np.empty((4, *shape), np.float32), np.empty((2, *shape), np.float32)
    near, share, deeper = np.float32(nearness), np.float32(slope_share), np.float32(_DEEPER)

    def agree(part: slice) -> None:
        # What is read of the surfaces is put together while it is in the cache.
        read = np.empty((len(surfaces), 4, part.stop - part.start, shape[1]), np.float32)
        for k, one in enumerate(given):
            _read_surface(*one, part.start, read[k], supported[part])
        _medians(read, near, share, deeper, part.start, limits)
        for k in range(2):
            read[:, 2 + k].mean(axis=0, out=sticking[k, part])

    in_strips(agree, shape, threads)
    support = 2 * supported >= len(surfaces)
    # The lowest point there is on a wall, and so are all others.
    wall = 2 * standing >= len(surfaces)
    limits[2][wall] = limits[0][wall]
    far = distance_to(support, threads=threads) * fine
    low, centre, high, split = limits
    return Limits(
        *first,
        low=low,
        centre=centre,
        high=high,
        split=split,
        far=far.astype(np.float32),
        plants=sticking[0],
        objects=sticking[1],
    )


def narrowed(
    limits: Limits, surface: FineSurface, *, first: tuple[int, int], side: int = 2, threads: int = 1
) -> Limits:
    """Narrow the limits to a finer surface, but for places with steps.

    Parameters
    ----------
    limits : Limits
        Of the coarse surfaces.
    surface : FineSurface
        Its cells measure ``side`` by ``side`` fine ones.
    first : tuple of int
        First column and row of that surface, in its own cells.
    side : int
        Fine cells along a side of its cells.
    threads : int
        Threads to use; the result doesn't depend on them.

    Returns
    -------
    Limits
        With the finer surface as centre.
    """
    shape = limits.centre.shape
    low, centre, high = (np.empty_like(raster) for raster in (limits.low, limits.centre, limits.high))

    def narrow(part: slice) -> None:
        row, column = np.mgrid[part, 0 : shape[1]]
        across = (column.ravel() + limits.column + 0.5) / side - first[0]
        up = (row.ravel() + limits.row + 0.5) / side - first[1]

        def at(raster: NDArray[np.float64]) -> Raster:
            return bilinear(raster, across, up).reshape(row.shape).astype(np.float32)

        middle, near = at(surface.height), at(surface.tolerance)
        r = np.clip(up.astype(np.int64), 0, surface.steps.shape[0] - 1)
        c = np.clip(across.astype(np.int64), 0, surface.steps.shape[1] - 1)
        steps = surface.steps[r, c].reshape(row.shape)
        rock = surface.rock[r, c].reshape(row.shape)
        kept = steps | (rock > 0)
        low[part] = np.where(kept, limits.low[part], np.maximum(limits.low[part], middle - near))
        centre[part] = np.where(steps, limits.centre[part], middle)
        high[part] = np.where(kept, limits.high[part], np.minimum(limits.high[part], middle + near))
        high[part] = np.where(rock > 0, np.maximum(high[part], middle + rock), high[part])

    in_strips(narrow, (shape[0], shape[1]), threads)
    return limits._replace(low=low, centre=centre, high=high)

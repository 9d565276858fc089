"""What surfaces are told from, gathered column by column in one pass: points by what they are, and planes."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.columns_above import Surface
from cloudprep.kernels.compiling import njit, read_only

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.kernels.columns_sorted import Columns

    Floats = NDArray[np.float64]
    Singles = NDArray[np.float32]
    Integers = NDArray[np.int64]
    Flags = NDArray[np.bool_]
    Kinds = NDArray[np.uint8]

# What a point is: smooth and steep, or smooth and level enough for its plane to tell of heights.
STEEP, LEVEL = 1, 2


class Smooth(NamedTuple):
    """What is smooth, and what is level.

    Parameters
    ----------
    rough : float
        Roughness is no more than this, m,
    spread : float
        and the extent more than so many times the roughness;
    apart : float
        the neighbours' mean distance is no more than this, m.
    level : float
        The normal's upward part is at least this.
    """

    rough: float
    spread: float
    apart: float
    level: float


def gathered(
    x: Floats,
    y: Floats,
    z: Floats,
    rough: Singles,
    extent: Singles,
    distance: Singles,
    upward: Singles,
    rows: Integers,
    rules: Smooth,
) -> tuple[Floats, Kinds]:
    """Return coordinates of some points, and what each is.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (n,)
        Coordinates, m.
    rough, extent, distance, upward : ndarray of float32, shape (n,)
        Roughness, extent and mean distance to neighbours, m, and the upward part of the normal.
    rows : ndarray of int64, shape (m,)
        The points.
    rules : Smooth
        What is smooth.

    Returns
    -------
    places : ndarray of float64, shape (3, m)
        Coordinates, m.
    kinds : ndarray of uint8, shape (m,)
        :data:`STEEP`, :data:`LEVEL`, or 0 for what isn't smooth.
    """
    places, kinds = np.empty((3, len(rows))), np.empty(len(rows), np.uint8)
    x, y, z = read_only(x), read_only(y), read_only(z)
    rough, extent, distance = read_only(rough), read_only(extent), read_only(distance)
    px, py, pz = places
    most, spread, apart, level = rules
    _gather(
        x,
        y,
        z,
        rough,
        extent,
        distance,
        read_only(upward),
        rows,
        most,
        spread,
        apart,
        level,
        px,
        py,
        pz,
        kinds,
    )
    return places, kinds


@njit(nogil=True, cache=True)
def _gather(
    x: Floats,
    y: Floats,
    z: Floats,
    rough: Singles,
    extent: Singles,
    distance: Singles,
    upward: Singles,
    rows: Integers,
    most: float,
    spread: float,
    apart: float,
    level: float,
    px: Floats,
    py: Floats,
    pz: Floats,
    kinds: Kinds,
) -> None:
    # In single precision, as the columns are.
    limit, times, far, least = np.float32(most), np.float32(spread), np.float32(apart), np.float32(level)
    for j in range(rows.shape[0]):
        i = rows[j]
        px[j], py[j], pz[j] = x[i], y[i], z[i]
        smooth = (rough[i] <= limit) & (extent[i] > times * rough[i]) & (distance[i] <= far)
        kinds[j] = (LEVEL if upward[i] >= least else STEEP) if smooth else 0


def surface_of(
    columns: Columns,
    x: Floats,
    y: Floats,
    z: Floats,
    rows: Integers,
    normals: tuple[Singles, Singles, Singles],
    close: float,
) -> Surface:
    """Return the surface of some points of columns; nothing of it is shared with what is given.

    Parameters
    ----------
    columns : Columns
        Where the points of the surface lie: ``order`` says which of x, y and z each one is.
    x, y, z : ndarray of float64, shape (n,)
        Coordinates, m.
    rows : ndarray of int64, shape (n,)
        Which row of the normals each of them has.
    normals : tuple of ndarray of float32
        Normals' parts along x, y and z; the last one isn't 0.
    close : float
        Tolerance of all points, m.
    """
    n = len(columns.order)
    px, py, pz = np.empty((3, n))
    slope_x, slope_y = np.empty((2, n), np.float32)
    nx, ny, nz = (read_only(normal) for normal in normals)
    _place(columns.order, rows, x, y, z, nx, ny, nz, px, py, pz, slope_x, slope_y)
    return Surface(columns, px, py, pz, slope_x, slope_y, np.full(n, close, np.float32))


@njit(nogil=True, cache=True)
def _place(
    order: Integers,
    rows: Integers,
    x: Floats,
    y: Floats,
    z: Floats,
    normal_x: Singles,
    normal_y: Singles,
    normal_z: Singles,
    px: Floats,
    py: Floats,
    pz: Floats,
    slope_x: Singles,
    slope_y: Singles,
) -> None:
    for j in range(order.shape[0]):
        t = order[j]
        i = rows[t]
        px[j], py[j], pz[j] = x[t], y[t], z[t]
        slope_x[j] = -normal_x[i] / normal_z[i]
        slope_y[j] = -normal_y[i] / normal_z[i]


def set_tolerances(surface: Surface, rows: Integers, rough: Singles, times: float, least: float) -> None:
    """Set tolerances of a surface to so many times the points' own roughness, m, at least to some value, m.

    Parameters
    ----------
    surface : Surface
        Its tolerances are set.
    rows : ndarray of int64
        As for :func:`surface_of`.
    rough : ndarray of float32
        Roughness, m.
    times, least : float
        How many times, and at least how much.
    """
    _set_tolerances(surface.tolerance, surface.columns.order, rows, read_only(rough), times, least)


@njit(nogil=True, cache=True)
def _set_tolerances(
    tolerance: Singles, order: Integers, rows: Integers, rough: Singles, times: float, least: float
) -> None:
    factor, floor = np.float32(times), np.float32(least)
    for j in range(order.shape[0]):
        tolerance[j] = max(factor * rough[rows[order[j]]], floor)

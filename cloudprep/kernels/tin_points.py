"""Points on whole-number steps, one height per place, in one canonical order."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.hilbert import spatial_order
from cloudprep.kernels.predicates import EXTENT

if TYPE_CHECKING:
    from numpy.typing import NDArray

SUBSTEPS = 256
"""Parts of a step in which cell centres and edges are given: 2^26 steps times 2^8 parts leave the exact tests
of the scan conversion within 64 bits."""

# Two flights of one site may store coordinates in different steps, or shifted by part of a step; a tenth of
# the coarsest step holds them all in practice.
_FINER = 10


class Frame(NamedTuple):
    """The whole steps of a site: one zero and one step for every part of it.

    Attributes
    ----------
    left, bottom : float
        Where step 0 lies, m: the south-western corner of the bounds.
    step : float
        Length of a step, m.
    columns, rows : int
        Points lie on steps 0 to this.
    bounds : tuple of float
        What the frame was made from: least x and y, greatest x and y (half-open), m.
    """

    left: float
    bottom: float
    step: float
    columns: int
    rows: int
    bounds: tuple[float, float, float, float]


class Sites(NamedTuple):
    """Distinct points in canonical order: along the Hilbert curve.

    Attributes
    ----------
    steps : ndarray of float64, shape (n, 2)
        Whole-number x and y, >= 0, below 2^26.
    z : ndarray of float64, shape (n,)
        Heights, m.
    left, bottom : float
        Where step 0 lies, m.
    step : float
        Length of a step, m.
    """

    steps: NDArray[np.float64]
    z: NDArray[np.float64]
    left: float
    bottom: float
    step: float


def fitting_step(extent: float, resolution: float) -> float:
    """Return the step in which an extent is measured with fewer than 2^26 whole numbers.

    Parameters
    ----------
    extent : float
        The longer side of the points' rectangle, m.
    resolution : float
        The step in which the points themselves are stored, m, > 0.

    Returns
    -------
    float
        A tenth of the resolution where that fits (flights that store finer or shifted steps lose nothing),
        else the resolution, else the smallest whole multiple of it that fits.

    Examples
    --------
    >>> fitting_step(1000.0, 0.01), fitting_step(100_000.0, 0.01), fitting_step(100.0, 1e-9)
    (0.001, 0.01, 1.491e-06)
    """
    most = EXTENT - 2  # rounding may add one step
    if extent * _FINER <= most * resolution:
        return resolution / _FINER
    return resolution * max(1, math.ceil(extent / (most * resolution)))


def frame_of(bounds: tuple[float, float, float, float], resolution: float) -> Frame:
    """Return the frame of a site.

    Parameters
    ----------
    bounds : tuple of float
        Least x and y, greatest x and y (half-open), m.
    resolution : float
        The step in which x and y are stored, m, > 0.

    Returns
    -------
    Frame
        Its steps.

    Raises
    ------
    ValueError
        If the resolution is not above 0.
    """
    if not resolution > 0:
        raise ValueError(f"resolution must be > 0 m, got {resolution}")
    x0, y0, x1, y1 = bounds
    step = fitting_step(max(x1 - x0, y1 - y0), resolution)
    return Frame(x0, y0, step, round((x1 - x0) / step), round((y1 - y0) / step), (x0, y0, x1, y1))


def quantise(
    x: NDArray[np.float64], y: NDArray[np.float64], step: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], float, float]:
    """Return coordinates as whole numbers of steps from the lowest x and the lowest y.

    Moving all points by one amount changes nothing but where step 0 lies.

    Parameters
    ----------
    x, y : ndarray of float64, shape (n,), n >= 1
        Coordinates, m.
    step : float
        Step, m, see :func:`fitting_step`.

    Returns
    -------
    columns, rows : ndarray of float64, shape (n,)
        Whole numbers, >= 0.
    left, bottom : float
        Where step 0 lies, m.
    """
    left, bottom = float(x.min()), float(y.min())
    return np.rint((x - left) / step), np.rint((y - bottom) / step), left, bottom


def sites_of(
    x: NDArray[np.float64], y: NDArray[np.float64], z: NDArray[np.float64], resolution: float
) -> Sites:
    """Return points on whole-number steps, one per place, in an order that depends on the points alone.

    Where several points share x and y the LOWEST height stays. They are ground points, whose errors point
    upwards (grass, a car, the next flight's noise on a wall): the lowest is the likeliest, while a mean would
    invent a height that nothing measured, and would depend on how often a flight passed.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (n,)
        Coordinates, m, finite.
    resolution : float
        The step in which x and y are stored, m, > 0.

    Returns
    -------
    Sites
        The distinct points.

    Raises
    ------
    ValueError
        If the resolution is not above 0.
    """
    if not resolution > 0:
        raise ValueError(f"resolution must be > 0 m, got {resolution}")
    if len(x) == 0:
        return Sites(np.empty((0, 2)), np.empty(0), 0.0, 0.0, resolution)
    step = fitting_step(max(float(np.ptp(x)), float(np.ptp(y))), resolution)
    columns, rows, left, bottom = quantise(x, y, step)
    order = spatial_order(columns, rows).astype(np.intp)
    columns, rows, heights = columns.take(order), rows.take(order), z.take(order)
    first = np.ones(len(order), bool)
    first[1:] = (columns[1:] != columns[:-1]) | (rows[1:] != rows[:-1])
    if not first.all():
        heights = np.minimum.reduceat(heights, np.flatnonzero(first))
        columns, rows = columns[first], rows[first]
    return Sites(np.column_stack((columns, rows)), heights, left, bottom, step)


def distinct_sites(
    columns: NDArray[np.int32], rows: NDArray[np.int32], index: NDArray[np.int32], z: NDArray[np.float64]
) -> Sites:
    """Return points that lie on whole steps already as sites, counted from their own lowest column and row.

    As :func:`sites_of`, with ``left`` and ``bottom`` in steps and a step of 1.

    Parameters
    ----------
    columns, rows : ndarray of int32, shape (n,)
        Whole steps.
    index : ndarray of int32, shape (n,)
        Where each point's height stands in ``z``; -1 for one whose height isn't known, which then is NaN.
    z : ndarray of float64
        Heights, m.

    Returns
    -------
    Sites
        The distinct points, the lowest height of each place.
    """
    if len(columns) == 0:
        return Sites(np.empty((0, 2)), np.empty(0), 0.0, 0.0, 1.0)
    left, bottom = int(columns.min()), int(rows.min())
    x, y = (columns - left).astype(np.float64), (rows - bottom).astype(np.float64)
    steps, heights = np.empty((len(x), 2)), np.empty(len(x))
    n = _distinct(spatial_order(x, y), x, y, index, z, steps, heights)
    return Sites(steps[:n], heights[:n], float(left), float(bottom), 1.0)


@njit(nogil=True, cache=True)
def _distinct(order, x, y, index, z, steps, heights):  # type: ignore[no-untyped-def]
    n = 0
    for i in range(len(order)):
        at = np.uint64(order[i])
        height = z[index[at]] if index[at] >= 0 else np.nan
        if n > 0 and steps[n - 1, 0] == x[at] and steps[n - 1, 1] == y[at]:
            heights[n - 1] = min(heights[n - 1], height)
            continue
        steps[n, 0] = x[at]
        steps[n, 1] = y[at]
        heights[n] = height
        n += 1
    return n


def substeps(sites: Sites | Frame, first: float, cell: float, count: int, *, along: int) -> NDArray[np.int64]:
    """Return positions ``first, first + cell, ...`` in parts of a step from the sites' step 0.

    Parameters
    ----------
    sites : Sites or Frame
        Whose step and zero to use.
    first : float
        The first position, m, in the coordinates the sites were made from.
    cell : float
        Distance between positions, m.
    count : int
        How many.
    along : int
        0 for x, 1 for y.

    Returns
    -------
    ndarray of int64, shape (count,)
        Positions rounded to 1/256 of a step.
    """
    zero = (sites.left, sites.bottom)[along]
    positions = ((first - zero) + np.arange(count) * cell) / sites.step * SUBSTEPS
    rounded: NDArray[np.int64] = np.rint(positions).astype(np.int64)
    return rounded

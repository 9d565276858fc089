"""What light and water see of a raster of heights: gradients by Horn, slope, aspect, brightness."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import COMPILED, njit, read_only
from cloudprep.kernels.plain import relief as plain

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Heights = NDArray[np.floating[Any]]

_LINES = 256
_FLAT = 1e-6


class Gradient(NamedTuple):
    """Rise over run to the east and to the north."""

    east: float
    north: float


@njit(nogil=True, cache=True, error_model="numpy")
def _neighbour(
    z: Heights, r: int, c: int, up: int | np.int64, right: int | np.int64, otherwise: float
) -> float:
    """Return a neighbour's height; where it is missing, what a plane through the opposite one gives."""
    rows, columns = z.shape
    if 0 <= r + up < rows and 0 <= c + right < columns:
        value = float(z[r + up, c + right])
        if value == value:  # noqa: PLR0124 - NaN
            return value
    if 0 <= r - up < rows and 0 <= c - right < columns:
        value = float(z[r - up, c - right])
        if value == value:  # noqa: PLR0124 - NaN
            return 2.0 * float(z[r, c]) - value
    return otherwise


@njit(nogil=True, cache=True, error_model="numpy")
def _at_a_rim(z: Heights, r: int, c: int, cell: float) -> Gradient:
    own = float(z[r, c])
    # As literals they would have the neighbour's kernel compiled eight times.
    back, here, on = np.int64(-1), np.int64(0), np.int64(1)
    n, s = _neighbour(z, r, c, on, here, own), _neighbour(z, r, c, back, here, own)
    e, w = _neighbour(z, r, c, here, on, own), _neighbour(z, r, c, here, back, own)
    nw, ne = _neighbour(z, r, c, on, back, n + w - own), _neighbour(z, r, c, on, on, n + e - own)
    sw, se = _neighbour(z, r, c, back, back, s + w - own), _neighbour(z, r, c, back, on, s + e - own)
    east = ((ne + 2.0 * e + se) - (nw + 2.0 * w + sw)) / (8.0 * cell)
    north = ((nw + 2.0 * n + ne) - (sw + 2.0 * s + se)) / (8.0 * cell)
    return Gradient(east, north)


@njit(nogil=True, cache=True, error_model="numpy")
def _gradient(z: Heights, r: int, c: int, cell: float) -> Gradient:
    rows, columns = z.shape
    if 0 < r < rows - 1 and 0 < c < columns - 1:
        nw, n, ne = float(z[r + 1, c - 1]), float(z[r + 1, c]), float(z[r + 1, c + 1])
        w, e = float(z[r, c - 1]), float(z[r, c + 1])
        sw, s, se = float(z[r - 1, c - 1]), float(z[r - 1, c]), float(z[r - 1, c + 1])
        east = ((ne + 2.0 * e + se) - (nw + 2.0 * w + sw)) / (8.0 * cell)
        north = ((nw + 2.0 * n + ne) - (sw + 2.0 * s + se)) / (8.0 * cell)
        if east == east and north == north:  # noqa: PLR0124 - NaN
            return Gradient(east, north)
    return _at_a_rim(z, r, c, cell)


@njit(nogil=True, cache=True, error_model="numpy")
def _slopes(z: Heights, cell: float, percent: bool, first: int, last: int, out: NDArray[np.float32]) -> None:
    for r in range(first, last):
        for c in range(z.shape[1]):
            if z[r, c] != z[r, c]:
                out[r, c] = np.nan
                continue
            g = _gradient(z, r, c, cell)
            rise = math.sqrt(g.east * g.east + g.north * g.north)
            out[r, c] = 100.0 * rise if percent else math.degrees(math.atan(rise))


@njit(nogil=True, cache=True, error_model="numpy")
def _aspects(z: Heights, cell: float, flat: float, first: int, last: int, out: NDArray[np.float32]) -> None:
    for r in range(first, last):
        for c in range(z.shape[1]):
            out[r, c] = np.nan
            if z[r, c] != z[r, c]:
                continue
            g = _gradient(z, r, c, cell)
            if math.sqrt(g.east * g.east + g.north * g.north) > flat:
                turned = np.float32(math.degrees(math.atan2(-g.east, -g.north)) % 360.0)
                # Rounding to four bytes may make 360 of what is just below it.
                out[r, c] = turned if turned < 360.0 else 0.0


@njit(nogil=True, cache=True, error_model="numpy")
def _shades(
    z: Heights,
    cell: float,
    lights: NDArray[np.float64],
    oblique: bool,
    exaggeration: float,
    first: int,
    last: int,
    out: NDArray[np.float32],
) -> None:
    # lights: to east, to north, up, one row a light.
    count = lights.shape[0]
    for r in range(first, last):
        for c in range(z.shape[1]):
            if z[r, c] != z[r, c]:
                out[r, c] = np.nan
                continue
            g = _gradient(z, r, c, cell)
            east, north = g.east * exaggeration, g.north * exaggeration
            steep = east * east + north * north
            length = math.sqrt(1.0 + steep)
            total = weights = 0.0
            for k in range(count):
                a, b, up = lights[k, 0], lights[k, 1], lights[k, 2]
                cosine = max((up - a * east - b * north) / length, 0.0)
                weight = 1.0
                if oblique:
                    # The square of the sine between the light and the aspect, across the plan.
                    across = a * north - b * east
                    weight = across * across / (steep * (a * a + b * b)) if steep > 0 else 0.5
                total += weight * cosine
                weights += weight
            out[r, c] = 255.0 * total / weights if weights > 0 else 0.0


def _in_strips(rows: int, threads: int, work: Callable[[int, int], None]) -> None:
    starts = range(0, rows, _LINES)
    if threads == 1 or len(starts) == 1:
        work(0, rows)
        return
    with ThreadPoolExecutor(threads, thread_name_prefix="relief") as pool:
        for _ in pool.map(lambda first: work(first, min(first + _LINES, rows)), starts):
            pass


def slopes(heights: Heights, cell: float, *, percent: bool = False, threads: int = 1) -> NDArray[np.float32]:
    """Return how steep each cell of a raster is.

    Parameters
    ----------
    heights : ndarray of float, shape (rows, columns)
        Heights, row 0 the southernmost; NaN where there is nothing.
    cell : float
        Cell size, in the unit of the heights, > 0.
    percent : bool
        Rise over run in per cent instead of degrees.
    threads : int
        Threads to use.

    Returns
    -------
    ndarray of float32, shape (rows, columns)
        NaN where the cell itself has no height.

    Notes
    -----
    Gradients by Horn 1981, "Hill shading and the reflectance map", Proc. IEEE 69:14-47: the eight neighbours,
    the middle ones twice. A neighbour that is missing (outside, or NaN) is given what a plane through the
    cell and its other neighbours has there, so that planes keep their slope up to the rim; a cell without
    any neighbour is flat.

    Examples
    --------
    >>> slopes(np.array([[0.0, 1.0, 2.0], [0.0, 1.0, 2.0]]), 1.0)
    array([[45., 45., 45.],
           [45., 45., 45.]], dtype=float32)
    """
    if not COMPILED:
        return plain.slopes(heights, cell, percent=percent)
    out, seen = np.empty(heights.shape, np.float32), read_only(heights)
    _in_strips(len(heights), threads, lambda a, b: _slopes(seen, cell, percent, a, b, out))
    return out


def aspects(heights: Heights, cell: float, *, flat: float = _FLAT, threads: int = 1) -> NDArray[np.float32]:
    """Return which way each cell falls: degrees clockwise from north, 0 to 360.

    Parameters
    ----------
    heights, cell, threads
        As for :func:`slopes`.
    flat : float
        A cell no steeper than this (rise over run) has no aspect.

    Returns
    -------
    ndarray of float32, shape (rows, columns)
        NaN where the cell has no height, or is flat.

    Examples
    --------
    >>> aspects(np.array([[0.0, 1.0, 2.0], [0.0, 1.0, 2.0]]), 1.0)[0, 1]
    np.float32(270.0)
    """
    if not COMPILED:
        return plain.aspects(heights, cell, flat=flat)
    out, seen = np.empty(heights.shape, np.float32), read_only(heights)
    _in_strips(len(heights), threads, lambda a, b: _aspects(seen, cell, flat, a, b, out))
    return out


def light_of(azimuth: float, altitude: float) -> tuple[float, float, float]:
    """Return the direction to a light (east, north, up) from degrees: clockwise from north, above ground."""
    flat = math.cos(math.radians(altitude))
    return (
        flat * math.sin(math.radians(azimuth)),
        flat * math.cos(math.radians(azimuth)),
        math.sin(math.radians(altitude)),
    )


def shades(
    heights: Heights,
    cell: float,
    lights: list[tuple[float, float, float]],
    *,
    oblique: bool = False,
    exaggeration: float = 1.0,
    threads: int = 1,
) -> NDArray[np.float32]:
    """Return how bright each cell is in parallel light: 0 dark to 255 facing the light.

    Parameters
    ----------
    heights, cell, threads
        As for :func:`slopes`.
    lights : list of (float, float, float)
        Directions to the lights (:func:`light_of`); more than one are averaged.
    oblique : bool
        Weigh each light by the squared sine of the angle between it and the aspect, so that every slope is
        lit from its side.
    exaggeration : float
        Heights are multiplied by it.

    Returns
    -------
    ndarray of float32, shape (rows, columns)
        Brightness; NaN where the cell has no height.

    Notes
    -----
    ``255 (cos(zenith) cos(slope) + sin(zenith) sin(slope) cos(azimuth - aspect))``, negative values 0, which
    is the cosine between the light and the surface normal ``(-east, -north, 1)`` (Horn 1981). Weights: Mark
    1992, "Multidirectional, oblique-weighted, shaded-relief image of the Island of Hawaii", USGS Open-File
    Report 92-422.
    """
    if not COMPILED:
        return plain.shades(heights, cell, lights, oblique=oblique, exaggeration=exaggeration)
    out, seen = np.empty(heights.shape, np.float32), read_only(heights)
    table = np.array(lights, np.float64)
    _in_strips(
        len(heights),
        threads,
        lambda a, b: _shades(seen, cell, table, oblique, exaggeration, a, b, out),
    )
    return out

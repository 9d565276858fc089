"""Which points are ground, and how sure that is: limits and odds read at every point, in one pass."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.bilinear import Corners, corners_of, read_corners
from cloudprep.kernels.compiling import njit
from cloudprep.kernels.ground_confidence import beyond, log_one_and, logit_of, percent_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.kernels.ground_limits import Limits

    Floats = NDArray[np.float64]
    Raster = NDArray[np.float32]
    Flags = NDArray[np.bool_]

_PER_THREAD = 50_000
_AT_ONCE = 256
# Narrower tolerances than this count as this, m.
_LEAST_TOLERANCE = 0.01


class Lattice(NamedTuple):
    """Where the rasters' cells lie: positions in cells are (x + east) / side, (y + north) / side.

    Parameters
    ----------
    side : float
        Of a cell, m.
    east, north : float
        The local zero as seen from the lattice's edge before it, m.
    """

    side: float
    east: float
    north: float


@njit(nogil=True, cache=True, error_model="numpy")
def _judge(
    x: Floats,
    y: Floats,
    z: Floats,
    level: float,
    less: Floats,
    lattice: Lattice,
    first: tuple[int, int],
    rasters: tuple[Raster, Raster, Raster],
    logits: tuple[Raster, Raster],
    ground: Flags,
    sure: NDArray[np.uint8],
) -> None:
    low, centre, high = rasters
    rows, columns = centre.shape
    # A few points at a time, step by step: most steps then are vector instructions, and none waits for what
    # another one decides.
    row, column = np.empty(_AT_ONCE, np.int64), np.empty(_AT_ONCE, np.int64)
    own_row, own_column = np.empty(_AT_ONCE, np.int64), np.empty(_AT_ONCE, np.int64)
    aside, above = np.empty(_AT_ONCE), np.empty(_AT_ONCE)
    least, middle, most = np.empty(_AT_ONCE), np.empty(_AT_ONCE), np.empty(_AT_ONCE)
    height, place = np.empty(_AT_ONCE), np.empty(_AT_ONCE)
    log_over, log_under = np.empty(_AT_ONCE), np.empty(_AT_ONCE)
    for start in range(0, len(z), _AT_ONCE):
        count = min(_AT_ONCE, len(z) - start)
        for k in range(count):
            across = (x[start + k] + lattice.east) / lattice.side - first[0]
            up = (y[start + k] + lattice.north) / lattice.side - first[1]
            at = corners_of(rows, columns, across, up)
            row[k], column[k], aside[k], above[k] = at.row, at.column, at.across, at.up
            own_row[k] = int(min(max(np.floor(up), 0.0), rows - 1.0))
            own_column[k] = int(min(max(np.floor(across), 0.0), columns - 1.0))
        for k in range(count):
            r, c = row[k], column[k]
            at = Corners(r, min(r + 1, rows - 1), c, min(c + 1, columns - 1), aside[k], above[k])
            least[k], middle[k], most[k] = (
                read_corners(low, at),
                read_corners(centre, at),
                read_corners(high, at),
            )
        if len(less):
            for k in range(count):
                most[k] -= less[start + k] * (most[k] - middle[k])
        for k in range(count):
            own_z = z[start + k] - level
            ground[start + k] = (own_z <= most[k]) & (own_z >= least[k])
            height[k] = (own_z - middle[k]) / max(most[k] - middle[k], _LEAST_TOLERANCE)
        for k in range(count):
            r, c = own_row[k], own_column[k]
            place[k] = logits[0][r, c] if ground[start + k] else logits[1][r, c]
        for k in range(count):
            # Of ground, neither is asked.
            over, under = beyond(0.5 if ground[start + k] else height[k])
            log_over[k], log_under[k] = log_one_and(over), log_one_and(under)
        for k in range(count):
            place[k] = logit_of(height[k], ground[start + k], place[k], log_over[k], log_under[k])
        for k in range(count):
            sure[start + k] = percent_of(place[k])


def judge(
    x: Floats,
    y: Floats,
    z: Floats,
    *,
    level: float = 0.0,
    less: Floats | None,
    lattice: Lattice,
    limits: Limits,
    logits: tuple[Raster, Raster],
    threads: int = 1,
) -> tuple[Flags, NDArray[np.uint8]]:
    """Tell which points are ground, and how sure that is.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (n,)
        Local metres.
    level : float
        Height from which those of the limits are counted, m.
    less : ndarray of float64, shape (n,), optional
        By which share of its height over the surface the upper limit is lower for a point.
    lattice : Lattice
        Of the limits.
    limits : Limits
        Where ground may lie; no NaN.
    logits : tuple of ndarray of float32, shape (rows, columns)
        The places' logits for ground and for other points, of
        :func:`~cloudprep.kernels.ground_confidence.place_logits`.
    threads : int
        Threads to use; the result doesn't depend on them.

    Returns
    -------
    ground : ndarray of bool, shape (n,)
        The points between the limits.
    sure : ndarray of uint8, shape (n,)
        Percent, 1 to 99.
    """
    ground, sure = np.empty(len(z), bool), np.empty(len(z), np.uint8)
    lower = np.empty(0) if less is None else less
    given = lattice, (limits.column, limits.row), (limits.low, limits.centre, limits.high), logits

    def part(rows: slice) -> None:
        own = lower[rows] if len(lower) else lower
        _judge(x[rows], y[rows], z[rows], level, own, *given, ground[rows], sure[rows])

    count = max(1, min(threads, len(z) // _PER_THREAD))
    edges = np.linspace(0, len(z), count + 1).astype(np.int64)
    parts = [slice(int(a), int(b)) for a, b in pairwise(edges)]
    if count == 1:
        part(parts[0])
    else:
        with ThreadPoolExecutor(count) as pool:
            list(pool.map(part, parts))
    return ground, sure

"""Which points are ground, and how sure that is: limits and odds read at every point, in one pass."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.bilinear import corners_of, read_corners
from cloudprep.kernels.compiling import njit
from cloudprep.kernels.ground_confidence import percent_sure

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.kernels.ground_limits import Limits

    Floats = NDArray[np.float64]
    Raster = NDArray[np.float32]
    Flags = NDArray[np.bool_]

_PER_THREAD = 50_000
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
    for i in range(len(z)):
        across = (x[i] + lattice.east) / lattice.side - first[0]
        up = (y[i] + lattice.north) / lattice.side - first[1]
        at = corners_of(rows, columns, across, up)
        middle = read_corners(centre, at)
        most = read_corners(high, at)
        if len(less):
            most -= less[i] * (most - middle)
        own_z = z[i] - level
        own = own_z <= most and own_z >= read_corners(low, at)
        ground[i] = own
        row = min(max(int(np.floor(up)), 0), rows - 1)
        column = min(max(int(np.floor(across)), 0), columns - 1)
        place = logits[0][row, column] if own else logits[1][row, column]
        height = (own_z - middle) / max(most - middle, _LEAST_TOLERANCE)
        sure[i] = percent_sure(height, own, place)


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

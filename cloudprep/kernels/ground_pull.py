"""Which lowest points belong to a surface, and how they draw it: one pass over the points."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.bilinear import corners_of, read_corners
from cloudprep.kernels.compiling import njit
from cloudprep.kernels.strips import in_strips

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.kernels.bilinear import Corners

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]
    Places = NDArray[np.int64]


class Nearness(NamedTuple):
    """How near a point of the surface lies to it, and what is doubtful.

    Parameters
    ----------
    height, slope_share : float
        Near is within this height, m, plus this share of the slope.
    plant_height, plant_slope : float
        Where plants may stand, a point so far above the surface (m, and a share of the slope) weighs half.
    """

    height: float
    slope_share: float
    plant_height: float
    plant_slope: float


@njit(nogil=True, cache=True, error_model="numpy")
def _on_slope(far: float, slope: Floats, at: Corners, rule: Nearness) -> bool:
    """Tell whether a point so far from the surface, m, is near where it is so steep."""
    return bool(far <= rule.height + rule.slope_share * read_corners(slope, at))


@njit(nogil=True, cache=True, error_model="numpy")
def _accept(
    surface: Floats,
    slope: Floats,
    points: tuple[Floats, Floats, Floats],
    rule: Nearness,
    begin: int,
    end: int,
    above: Floats,
    near: Flags,
) -> None:
    across, up, z = points
    rows, columns = surface.shape
    for i in range(begin, end):
        if np.isnan(z[i]):
            above[i] = np.nan
            near[i] = False
            continue
        at = corners_of(rows, columns, across[i], up[i])
        over = z[i] - read_corners(surface, at)
        above[i] = over
        near[i] = abs(over) <= rule.height or _on_slope(abs(over), slope, at, rule)


def accept(
    surface: Floats,
    slope: Floats,
    across: Floats,
    up: Floats,
    z: Floats,
    near: Nearness,
    *,
    threads: int = 1,
) -> tuple[Floats, Flags]:
    """Tell which points belong to a surface.

    Parameters
    ----------
    surface, slope : ndarray of float64, shape (rows, columns)
        Heights, m, and slopes, rise over run, at the cell centres; no NaN.
    across, up : ndarray of float64, shape (n,)
        Positions in cells from the raster's first corner.
    z : ndarray of float64, shape (n,)
        Heights, m; NaN for no point.
    near : Nearness
        What is near.
    threads : int
        Threads to use; the result doesn't depend on them.

    Returns
    -------
    above : ndarray of float64, shape (n,)
        Height over the surface, m; NaN for no point.
    accepted : ndarray of bool, shape (n,)
        The points near it.
    """
    above, accepted = np.empty(len(z)), np.empty(len(z), bool)
    given = surface, slope, (across, up, z), near
    in_strips(lambda part: _accept(*given, part.start, part.stop, above, accepted), (len(z), 1), threads)
    return above, accepted


@njit(nogil=True, cache=True, error_model="numpy")
def _pull(
    surface: Floats,
    slope: Floats,
    points: tuple[Floats, Floats, Floats],
    cells: tuple[Places, Places],
    crest: Flags,
    rule: Nearness,
    begin: int,
    end: int,
    values: Floats,
    weights: Floats,
) -> int:
    across, up, z = points
    row, column = cells
    rows, columns = surface.shape
    count = 0
    for i in range(begin, end):
        at = corners_of(rows, columns, across[i], up[i])
        above = z[i] - read_corners(surface, at)
        if abs(above) > rule.height and not _on_slope(abs(above), slope, at, rule):
            continue
        r, c = row[i], column[i]
        doubt = 0.0
        if not crest[r, c]:
            doubt = max(above, 0.0) / (rule.plant_height + rule.plant_slope * slope[r, c])
        # At the centre of its cell the point says what it says where it lies.
        values[r, c] = surface[r, c] + above
        weights[r, c] = 1.0 / (1.0 + doubt * doubt)
        count += 1
    return count


def pull(
    surface: Floats,
    slope: Floats,
    across: Floats,
    up: Floats,
    z: Floats,
    cells: tuple[Places, Places],
    crest: Flags,
    near: Nearness,
    *,
    into: tuple[Floats, Floats] | None = None,
    threads: int = 1,
) -> tuple[Floats, Floats] | None:
    """Return what draws the surface to the points near it.

    Parameters
    ----------
    surface, slope : ndarray of float64, shape (rows, columns)
        Heights, m, and slopes, rise over run, at the cell centres; no NaN.
    across, up, z : ndarray of float64, shape (n,)
        At most one point a cell: positions in cells from the raster's first corner, and heights, m.
    cells : tuple of ndarray of int64, shape (n,)
        Row and column of each point's cell.
    crest : ndarray of bool, shape (rows, columns)
        Cells where what lies above the surface is no plant.
    near : Nearness
        What is near, and what is doubtful.
    into : tuple of ndarray of float64, shape (rows, columns), optional
        Room for the result.
    threads : int
        Threads to use; the result doesn't depend on them.

    Returns
    -------
    values, weights : ndarray of float64, shape (rows, columns)
        Heights, m, and weights for the next fit; or None if no point is near. Where the weight is 0 the
        height is anything.
    """
    values, weights = into or (np.empty(surface.shape), np.empty(surface.shape))
    weights.fill(0)
    row, column = (np.ascontiguousarray(one) for one in cells)  # one kernel does for all
    given = surface, slope, (across, up, z), (row, column), crest, near
    counts: list[int] = []

    def part(some: slice) -> None:
        counts.append(_pull(*given, some.start, some.stop, values, weights))

    in_strips(part, (len(z), 1), threads)
    return (values, weights) if any(counts) else None

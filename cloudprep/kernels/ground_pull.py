"""Which lowest points belong to a surface, and how they draw it: one pass over the points."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.bilinear import read_between
from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

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
def _accept(
    surface: Floats,
    slope: Floats,
    across: Floats,
    up: Floats,
    z: Floats,
    height: float,
    slope_share: float,
    above: Floats,
    near: Flags,
) -> None:
    for i in range(len(z)):
        if np.isnan(z[i]):
            above[i] = np.nan
            continue
        above[i] = z[i] - read_between(surface, across[i], up[i])
        near[i] = abs(above[i]) <= height or (
            abs(above[i]) <= height + slope_share * read_between(slope, across[i], up[i])
        )


def accept(
    surface: Floats, slope: Floats, across: Floats, up: Floats, z: Floats, near: Nearness
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

    Returns
    -------
    above : ndarray of float64, shape (n,)
        Height over the surface, m; NaN for no point.
    accepted : ndarray of bool, shape (n,)
        The points near it.
    """
    above, accepted = np.empty(len(z)), np.zeros(len(z), bool)
    _accept(surface, slope, across, up, z, near.height, near.slope_share, above, accepted)
    return above, accepted


@njit(nogil=True, cache=True, error_model="numpy")
def _pull(
    surface: Floats,
    slope: Floats,
    across: Floats,
    up: Floats,
    z: Floats,
    row: Places,
    column: Places,
    crest: Flags,
    rule: Nearness,
    values: Floats,
    weights: Floats,
) -> int:
    count = 0
    for i in range(len(z)):
        above = z[i] - read_between(surface, across[i], up[i])
        if abs(above) > rule.height and (
            abs(above) > rule.height + rule.slope_share * read_between(slope, across[i], up[i])
        ):
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

    Returns
    -------
    values, weights : ndarray of float64, shape (rows, columns)
        Heights, m, and weights for the next fit; or None if no point is near.
    """
    values, weights = np.zeros(surface.shape), np.zeros(surface.shape)
    row, column = (np.ascontiguousarray(one) for one in cells)  # one kernel does for all
    if not _pull(surface, slope, across, up, z, row, column, crest, near, values, weights):
        return None
    return values, weights

"""Measures the facts about a site that stages derive their parameters from."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.model.bounds import Bounds
from cloudprep.model.grid import Lattice
from cloudprep.model.site import SiteFacts

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.engine.store import PointStore

# Spacing is judged on cells this large: wide enough to bridge scan lines, small enough to leave out gaps.
SPACING_CELL = 5.0
# Cells that hardly ever hold two points say nothing of the spacing: then wider ones are taken, up to this.
_WIDEST_CELL = 80.0
_POINTS_PER_CELL = 2.0
_FEWEST = 100
_LARGEST_MASK = 400_000_000


def occupied_cells(x: NDArray[np.float64], y: NDArray[np.float64], lattice: Lattice) -> int:
    """Return how many cells of a lattice hold at least one of the points."""
    if len(x) == 0:
        return 0
    column, row = lattice.column_of(x), lattice.row_of(y)
    c0, r0 = int(column.min()), int(row.min())
    width, height = int(column.max()) - c0 + 1, int(row.max()) - r0 + 1
    key = (row - r0) * width + (column - c0)
    if width * height > _LARGEST_MASK:
        return len(np.unique(key))
    mask = np.zeros(width * height, bool)
    mask[key] = True
    return int(np.count_nonzero(mask))


def point_spacing(x: NDArray[np.float64], y: NDArray[np.float64], origin: tuple[float, float]) -> float:
    """Return the mean point spacing, m, of points over the ground that holds any.

    Parameters
    ----------
    x, y : ndarray of float64, shape (n,)
        Local metres, at least one point.
    origin : tuple of float
        Global coordinates of the local zero, m.
    """
    cell, count = SPACING_CELL, len(x)
    occupied = occupied_cells(x, y, Lattice(cell, origin))
    while count >= _FEWEST and count < _POINTS_PER_CELL * occupied and cell < _WIDEST_CELL:
        cell *= 2
        occupied = occupied_cells(x, y, Lattice(cell, origin))
    return math.sqrt(cell**2 * occupied / count)


def measure_site(
    store: PointStore, *, origin: tuple[float, float], resolution: float, columns: frozenset[str]
) -> SiteFacts:
    """Return the facts about the usable points of a store.

    Parameters
    ----------
    store : PointStore
        The points, at least one of them usable.
    origin : tuple of float
        Global coordinates of the local zero, m.
    resolution : float
        Finest step of x and y in the flights, m.
    columns : frozenset of str
        Columns that every flight carries.

    Returns
    -------
    SiteFacts
        The same for any order of points and flights.
    """
    x, y, z = (store.columns[n] if store.stray is None else store.columns[n][~store.stray] for n in "xyz")
    returns = store.columns.get("number_of_returns")
    if returns is not None and store.stray is not None:
        returns = returns[~store.stray]
    count = len(x)
    bounds = Bounds(
        float(x.min()),
        float(y.min()),
        math.nextafter(float(x.max()), math.inf),
        math.nextafter(float(y.max()), math.inf),
    )
    return SiteFacts(
        count=count,
        bounds=bounds,
        lowest=float(z.min()),
        highest=float(z.max()),
        spacing=point_spacing(x, y, origin),
        multiple_returns=bool(returns is not None and (returns > 1).any()),
        origin=origin,
        resolution=resolution,
        columns=columns,
    )

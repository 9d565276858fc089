"""Measures the facts about a site that stages derive their parameters from."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.engine.spilling import local_ends
from cloudprep.model.bounds import Bounds
from cloudprep.model.grid import Lattice
from cloudprep.model.site import SiteFacts

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from cloudprep.engine.spilling import Spilled
    from cloudprep.engine.store_memory import MemoryStore
    from cloudprep.engine.store_spilled import SpilledStore

# Spacing is judged on cells this large: wide enough to bridge scan lines, small enough to leave out gaps.
SPACING_CELL = 5.0
# Cells that hardly ever hold two points say nothing of the spacing: then wider ones are taken, up to this.
_WIDEST_CELL = 80.0
_POINTS_PER_CELL = 2.0
_FEWEST = 100
_LARGEST_MASK = 400_000_000
# Points that are looked at together, so that what comes between stays in the cache.
_AT_A_TIME = 32_768


def occupied_cells(x: NDArray[np.float64], y: NDArray[np.float64], lattice: Lattice) -> int:
    """Return how many cells of a lattice hold at least one of the points."""
    return len(cells_with_points(x, y, lattice))


def cells_with_points(x: NDArray[np.float64], y: NDArray[np.float64], lattice: Lattice) -> NDArray[np.int64]:
    """Return the cells of a lattice that hold at least one of the points: columns and rows, shape (m, 2)."""
    if len(x) == 0:
        return np.empty((0, 2), np.int64)
    # Who lies farther doesn't lie in an earlier cell.
    c0, c1 = lattice.column_of(np.array([x.min(), x.max()])).tolist()
    r0, r1 = lattice.row_of(np.array([y.min(), y.max()])).tolist()
    width, height = c1 - c0 + 1, r1 - r0 + 1
    if width * height > _LARGEST_MASK:
        found = np.unique((lattice.row_of(y) - r0) * width + (lattice.column_of(x) - c0))
    else:
        mask = np.zeros(width * height, bool)
        for start in range(0, len(x), _AT_A_TIME):
            some = slice(start, start + _AT_A_TIME)
            mask[(lattice.row_of(y[some]) - r0) * width + (lattice.column_of(x[some]) - c0)] = True
        found = np.flatnonzero(mask)
    return np.stack([found % width + c0, found // width + r0], axis=1)


def spacing_by_cells(count: int, occupied: Callable[[float], int]) -> float:
    """Return the mean point spacing, m, of points over the ground that holds any.

    Parameters
    ----------
    count : int
        Number of points, at least one.
    occupied : callable
        Gives how many cells of a size (m) hold points.
    """
    cell = SPACING_CELL
    cells = occupied(cell)
    while count >= _FEWEST and count < _POINTS_PER_CELL * cells and cell < _WIDEST_CELL:
        cell *= 2
        cells = occupied(cell)
    return math.sqrt(cell**2 * cells / count)


def point_spacing(x: NDArray[np.float64], y: NDArray[np.float64], origin: tuple[float, float]) -> float:
    """Return the mean point spacing, m, of points over the ground that holds any.

    Parameters
    ----------
    x, y : ndarray of float64, shape (n,)
        Local metres, at least one point.
    origin : tuple of float
        Global coordinates of the local zero, m.
    """
    return spacing_by_cells(len(x), lambda cell: occupied_cells(x, y, Lattice(cell, origin)))


def measure_site(
    store: MemoryStore, *, origin: tuple[float, float], resolution: float, columns: frozenset[str]
) -> SiteFacts:
    """Return the facts about the usable points of a store.

    Parameters
    ----------
    store : MemoryStore
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


def measure_spilled(
    store: SpilledStore, flights: Sequence[Spilled], *, resolution: float, columns: frozenset[str]
) -> SiteFacts:
    """Return the facts about the usable points of a store on disk: those of the same points in memory.

    Parameters
    ----------
    store : SpilledStore
        The points.
    flights : sequence of Spilled
        What was seen when they were read.
    resolution, columns
        As in :func:`measure_site`.
    """
    origin = store.origin
    several = False

    def occupied(cell: float) -> int:
        nonlocal several
        lattice = Lattice(cell, origin)
        parts = []
        for block in store.blocks:
            points = store.around(block, ("x", "y", "number_of_returns"), 0.0).points
            parts.append(cells_with_points(points["x"], points["y"], lattice))
            if "number_of_returns" in points:
                several = several or bool((points["number_of_returns"] > 1).any())
        return len(np.unique(np.concatenate(parts), axis=0))

    spacing = spacing_by_cells(store.usable_count, occupied)
    ends = [local_ends(f, place) for f, place in zip(flights, store.flights, strict=True) if f.used]
    lows = [min(end[axis][0] for end in ends) for axis in range(3)]
    highs = [max(end[axis][1] for end in ends) for axis in range(3)]
    return SiteFacts(
        count=store.usable_count,
        bounds=Bounds(
            lows[0], lows[1], math.nextafter(highs[0], math.inf), math.nextafter(highs[1], math.inf)
        ),
        lowest=lows[2],
        highest=highs[2],
        spacing=spacing,
        multiple_returns=several,
        origin=origin,
        resolution=resolution,
        columns=columns,
    )

"""Figures of every flight and of the run: how many points, how dense, how much of them ground and noise."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.engine.sitefacts import SPACING_CELL, cells_with_points, spacing_by_cells
from cloudprep.model.classes import NOISE_CODES, ClassCode
from cloudprep.model.grid import Lattice

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.engine.store import FlightStretch, Store

__all__ = ["FIGURE_COLUMNS", "flight_figures"]

FIGURE_COLUMNS = ("x", "y", "classification", "number_of_returns")
"""What is read for the figures, where it is there."""

_MIDDLE = 1 << 31


class _Cells:
    """Which cells of a lattice hold points: each once, however many parts they come in."""

    def __init__(self) -> None:
        self._known = np.empty(0, np.int64)
        self._new: list[NDArray[np.int64]] = []
        self._waiting = 0

    def add(self, keys: NDArray[np.int64]) -> None:
        """Take in the keys of cells."""
        self._new.append(keys)
        self._waiting += len(keys)
        # Sorting all of them for every part would take longer and longer.
        if self._waiting > max(1_000_000, len(self._known)):
            self._sort()

    def _sort(self) -> None:
        self._known = np.unique(np.concatenate([self._known, *self._new]))
        self._new, self._waiting = [], 0

    @property
    def keys(self) -> NDArray[np.int64]:
        """The keys, ascending."""
        if self._new:
            self._sort()
        return self._known

    def number(self, times: int) -> int:
        """Return how many cells there are that are so many times as wide."""
        columns, rows = self.keys >> 32, (self.keys & 0xFFFF_FFFF) - _MIDDLE
        return len(np.unique(_key(columns // times, rows // times)))


def _key(column: NDArray[np.int64], row: NDArray[np.int64]) -> NDArray[np.int64]:
    return (column << 32) + (row + _MIDDLE)


class _Counted:
    """Running counts of one flight, or of all of them together; they don't grow with the points."""

    def __init__(self) -> None:
        self.codes = np.zeros(256, np.int64)
        self.stray = self.used = self.multiple = 0
        self.returns = False
        self.cells = _Cells()

    def add(self, stretch: FlightStretch, lattice: Lattice) -> None:
        """Count a stretch."""
        columns = stretch.columns
        self.codes += np.bincount(columns["classification"][~stretch.beyond], minlength=256)
        self.stray += int(np.count_nonzero(stretch.stray))
        used = ~(stretch.stray | stretch.beyond)
        self.used += int(np.count_nonzero(used))
        if "number_of_returns" in columns:
            self.returns = True
            self.multiple += int(np.count_nonzero(columns["number_of_returns"][used] > 1))
        self.cells.add(_key(*cells_with_points(columns["x"][used], columns["y"][used], lattice).T))

    def join(self, other: _Counted) -> None:
        """Add the counts of another flight."""
        self.codes += other.codes
        self.stray += other.stray
        self.used += other.used
        self.multiple += other.multiple
        self.returns = self.returns or other.returns
        self.cells.add(other.cells.keys)

    def figures(self) -> dict[str, float]:
        """Return what the counts come to; of a flight without points in the area only the counts."""
        count = int(self.codes.sum())
        ground, noise = int(self.codes[ClassCode.GROUND]), int(self.codes[list(NOISE_CODES)].sum())
        figures: dict[str, float] = {"points.count": float(count), "points.stray": float(self.stray)}
        if self.used:
            # Wider cells where hardly any holds two points: as the site's own spacing is judged.
            spacing = spacing_by_cells(self.used, lambda cell: self.cells.number(round(cell / SPACING_CELL)))
            figures["points.area"] = spacing**2 * self.used
            figures["points.density"] = 1 / spacing**2
            figures["points.spacing"] = spacing
            if self.returns:
                figures["returns.multiple_share"] = self.multiple / self.used
        if count:
            figures["ground.points"] = float(ground)
            figures["ground.share"] = ground / count
            figures["noise.points"] = float(noise)
            figures["noise.share"] = noise / count
        return figures


def flight_figures(
    store: Store, flights: int, origin: tuple[float, float]
) -> tuple[list[dict[str, float]], dict[str, float]]:
    """Return the figures of each flight and of all of them together, from labels as they are now.

    Density is points over ground that holds any: square cells of 5 m (wider ones for clouds so thin that
    hardly a cell holds two points), those on the edge counted whole. So it is lower than within the flight
    by what lies empty in cells on its rim: the more, the narrower the flight.

    Parameters
    ----------
    store : Store
        The points; gone over stretch by stretch.
    flights : int
        How many there are.
    origin : tuple of float
        Global coordinates of the local zero, m.

    Returns
    -------
    each : list of dict
        Figures by name, a dictionary for every flight.
    all : dict
        The same of the run; counts and areas of flights that overlap don't add up, shares and numbers of
        points do.
    """
    lattice = Lattice(SPACING_CELL, origin)
    each: list[dict[str, float]] = []
    together = _Counted()
    for number in range(flights):
        counted = _Counted()
        for stretch in store.flight_stretches(number, FIGURE_COLUMNS):
            counted.add(stretch, lattice)
        each.append(counted.figures())
        together.join(counted)
    return each, together.figures()

"""What people built and parked: rectangles in plan with plane or ridged tops."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from ..kinds import Kind

    Array = NDArray[np.float64]

CELL = 0.1
"""Outlines are kept to this many metres."""


class Covers(NamedTuple):
    """What stands at places: upper and lower side (m; -inf where nothing stands) and kind."""

    top: Array
    base: Array
    kind: NDArray[np.uint8]


class Works:
    """Bodies of a site; where two overlap in plan, the later one stands there.

    Parameters
    ----------
    size : tuple of float
        Extent of the site from its corner, m.
    """

    def __init__(self, size: tuple[float, float]) -> None:
        shape = int(np.ceil(size[1] / CELL)), int(np.ceil(size[0] / CELL))
        self._plan = np.zeros(shape, np.int16)
        self._rows: list[tuple[float, ...]] = [(0.0, 0.0, 1.0, 0.0, -np.inf, 0.0, 0.0, 0.0, np.inf)]
        self._kinds: list[int] = [0]

    def add(
        self,
        kind: Kind,
        centre: tuple[float, float],
        size: tuple[float, float],
        top: float,
        *,
        turned: float = 0.0,
        climb: float = 0.0,
        lean: float = 0.0,
        pitch: float = 0.0,
        thickness: float = np.inf,
    ) -> None:
        """Put up a body.

        Parameters
        ----------
        kind : Kind
            What it is.
        centre, size : tuple of float
            Of its rectangle in plan, m; the first size runs along.
        top : float
            Height of the upper side at the centre, m.
        turned : float
            Direction of ``along``, degrees anticlockwise from x.
        climb, lean : float
            Slope of the upper side along and across.
        pitch : float
            Slope of two roof sides down from the ridge, which runs along.
        thickness : float
            From upper to lower side, m; unending for what stands on the ground.
        """
        c, s = np.cos(np.radians(turned)), np.sin(np.radians(turned))
        self._rows.append((*centre, c, s, top, climb, lean, pitch, thickness))
        self._kinds.append(int(kind))
        reach = np.hypot(*size) / 2
        high, wide = self._plan.shape
        columns = slice(
            max(int((centre[0] - reach) / CELL), 0), min(int((centre[0] + reach) / CELL) + 2, wide)
        )
        rows = slice(max(int((centre[1] - reach) / CELL), 0), min(int((centre[1] + reach) / CELL) + 2, high))
        x = (np.arange(columns.start, columns.stop) + 0.5) * CELL - centre[0]
        y = ((np.arange(rows.start, rows.stop) + 0.5) * CELL - centre[1])[:, None]
        inside = (np.abs(c * x + s * y) <= size[0] / 2) & (np.abs(c * y - s * x) <= size[1] / 2)
        self._plan[rows, columns][inside] = len(self._rows) - 1

    def at(self, x: Array, y: Array) -> Covers:
        """Return what stands at places."""
        high, wide = self._plan.shape
        column, row = np.floor(x / CELL).astype(np.int64), np.floor(y / CELL).astype(np.int64)
        inside = (column >= 0) & (row >= 0) & (column < wide) & (row < high)
        which = np.zeros(len(x), np.int64)
        which[inside] = self._plan[row[inside], column[inside]]
        top, base = np.full(len(x), -np.inf), np.full(len(x), -np.inf)
        there = np.flatnonzero(which)
        table = np.array(self._rows)[which[there]].T
        cx, cy, c, s, height, climb, lean, pitch, thickness = table
        along = c * (x[there] - cx) + s * (y[there] - cy)
        across = c * (y[there] - cy) - s * (x[there] - cx)
        top[there] = height + climb * along + lean * across - pitch * np.abs(across)
        base[there] = top[there] - thickness
        return Covers(top, base, np.array(self._kinds, np.uint8)[which])

    def highest(self, shape: tuple[int, int], cell: float, pad: float) -> Array:
        """Return a raster of the highest upper side within each cell, -inf where nothing stands.

        Parameters
        ----------
        shape : tuple of int
            Rows and columns.
        cell : float
            Cell size, m.
        pad : float
            How far the raster begins before the site's corner in both directions, m.
        """
        raster = np.full(shape, -np.inf)
        rows, columns = np.nonzero(self._plan)
        x, y = (columns + 0.5) * CELL, (rows + 0.5) * CELL
        place = ((y + pad) / cell).astype(np.int64), ((x + pad) / cell).astype(np.int64)
        np.maximum.at(raster, place, self.at(x, y).top)
        return raster

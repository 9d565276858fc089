"""Which cells of a lattice hold first returns: what every block saw, and all of them together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.model.grid import Window

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cloudprep.model.grid import Lattice


class Seen(NamedTuple):
    """The cells of a rectangle that hold first returns, two bits a cell.

    Attributes
    ----------
    column, row, columns, rows : int
        The rectangle on the lattice.
    occupied, water : ndarray of uint8
        Cells with first returns, and with such that are classified as water; packed, row by row.
    number : int
        How many first returns there are.
    """

    column: int
    row: int
    columns: int
    rows: int
    occupied: NDArray[np.uint8]
    water: NDArray[np.uint8]
    number: int

    def cells(self, which: NDArray[np.uint8]) -> NDArray[np.bool_]:
        """Return one of the two as flags of shape (rows, columns)."""
        flags = np.unpackbits(which, count=self.rows * self.columns)
        return flags.view(bool).reshape(self.rows, self.columns)


_NOTHING = Seen(0, 0, 0, 0, np.zeros(0, np.uint8), np.zeros(0, np.uint8), 0)


def seen_by(
    x: NDArray[np.float64], y: NDArray[np.float64], water: NDArray[np.bool_], lattice: Lattice
) -> Seen:
    """Return the cells that hold points.

    Parameters
    ----------
    x, y : ndarray of float64, shape (n,)
        First returns, m.
    water : ndarray of bool, shape (n,)
        Which of them are water.
    lattice : Lattice
        The cells.
    """
    if len(x) == 0:
        return _NOTHING
    column, row = lattice.column_of(x), lattice.row_of(y)
    c0, r0 = int(column.min()), int(row.min())
    shape = int(row.max()) - r0 + 1, int(column.max()) - c0 + 1
    flags = np.zeros((2, *shape), bool)
    flags[0, row - r0, column - c0] = True
    flags[1, row[water] - r0, column[water] - c0] = True
    return Seen(c0, r0, shape[1], shape[0], np.packbits(flags[0]), np.packbits(flags[1]), len(x))


def joined(parts: Sequence[Seen]) -> Seen:
    """Return the union of what blocks saw, in any order."""
    some = [part for part in parts if part.number]
    if not some:
        return _NOTHING
    c0, r0 = min(p.column for p in some), min(p.row for p in some)
    c1, r1 = max(p.column + p.columns for p in some), max(p.row + p.rows for p in some)
    both: list[NDArray[np.uint8]] = []
    for name in ("occupied", "water"):
        flags = np.zeros((r1 - r0, c1 - c0), bool)
        for part in some:
            r, c = part.row - r0, part.column - c0
            flags[r : r + part.rows, c : c + part.columns] |= part.cells(getattr(part, name))
        both.append(np.packbits(flags))
    return Seen(c0, r0, c1 - c0, r1 - r0, both[0], both[1], sum(part.number for part in some))


def merged_window(window: Window, side: int) -> Window:
    """Return the window grown to whole squares of cells, counted from the lattice's own zero."""
    c0, r0 = window.column // side * side, window.row // side * side
    c1 = -(-(window.column + window.columns) // side) * side
    r1 = -(-(window.row + window.rows) // side) * side
    return Window(window.lattice, c0, r0, c1 - c0, r1 - r0)


@dataclass(frozen=True)
class Coverage:
    """Cells of a window with first returns, and with water.

    Parameters
    ----------
    occupied, water : ndarray of bool, shape (rows, columns)
        Flags.
    """

    occupied: NDArray[np.bool_]
    water: NDArray[np.bool_]

    @classmethod
    def of(cls, seen: Seen, window: Window) -> Coverage:
        """Return the cells of a window that holds all that was seen."""
        both = []
        for which in (seen.occupied, seen.water):
            flags = np.zeros(window.shape, bool)
            if seen.number:
                r, c = seen.row - window.row, seen.column - window.column
                flags[r : r + seen.rows, c : c + seen.columns] = seen.cells(which)
            both.append(flags)
        return cls(*both)

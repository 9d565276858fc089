"""Which place each point takes where points are ordered by square cells, by sorting."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


def number(
    x: Floats,
    y: Floats,
    used: NDArray[np.bool_],
    phase: tuple[float, float],
    side: float,
    first: tuple[int, int],
    shape: tuple[int, int],
    cells: NDArray[np.int32],
    counts: NDArray[np.int64],
) -> int:
    """Write the cell of each point, row by row, and count them; return how many points fall in none."""
    rows, columns = shape
    with np.errstate(invalid="ignore"):
        column, row = np.floor((x + phase[0]) / side) - first[0], np.floor((y + phase[1]) / side) - first[1]
    inside = (column >= 0) & (row >= 0) & (column < columns) & (row < rows)
    cells[:] = rows * columns
    chosen = used & inside
    cells[chosen] = (row[chosen] * columns + column[chosen]).astype(np.int32)
    missed = used & ~inside
    counts += np.bincount(cells, minlength=len(counts))
    return int(np.count_nonzero(missed))


def give_places(cells: NDArray[np.int32], after: NDArray[np.int64]) -> None:
    """Write the place of each point over its cell; ``after`` is where the points of each cell begin."""
    order = np.argsort(cells, kind="stable")
    held = cells[order]
    within = np.arange(len(held)) - np.searchsorted(held, held)
    cells[order] = after[held] + within


def move(values: NDArray[Any], places: NDArray[np.integer[Any]], out: NDArray[Any]) -> None:
    """Write values at their places."""
    out[places] = values

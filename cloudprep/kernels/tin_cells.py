"""Which cells hold points, and a height for those that do but lie under no triangle."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.tin_points import SUBSTEPS

if TYPE_CHECKING:
    from numpy.typing import NDArray


def measure(
    steps: NDArray[np.float64],
    z: NDArray[np.float64],
    edges: tuple[NDArray[np.int64], NDArray[np.int64]],
    centres: tuple[NDArray[np.int64], NDArray[np.int64]],
    heights: NDArray[np.float64],
    source: NDArray[np.uint8],
    code: int,
) -> None:
    """Mark cells that hold points; those without a height get that of the point nearest to their centre.

    A point on an edge belongs to the upper cell; of points equally near the lowest counts.

    Parameters
    ----------
    steps : ndarray of float64, shape (n, 2)
        Whole numbers; points outside the cells are passed over.
    z : ndarray of float64, shape (n,)
        Heights.
    edges : two ndarrays of int64, shapes (c + 1,) and (r + 1,)
        Ascending cell edges in x and y, in 1/256 of a step.
    centres : two ndarrays of int64, shapes (c,) and (r,)
        Cell centres, likewise.
    heights : ndarray of float64, shape (r, c)
        NaN where there is none; changed in place.
    source : ndarray of uint8, shape (r, c)
        Changed in place to ``code`` where a cell holds points.
    code : int
        The mark.
    """
    bare = _mark(steps, z, *edges, heights, source, np.uint8(code))
    if bare:
        nearest = np.full(heights.shape, np.inf)
        _nearest_in_cells(steps, z, *edges, *centres, heights, nearest)


@njit(nogil=True, cache=True)
def _cell(edges, coordinate, pitch):  # type: ignore[no-untyped-def]
    """Return the cell that holds a coordinate (steps), -1 where none does."""
    n = len(edges) - 1
    value = np.int64(coordinate) * SUBSTEPS
    if value < edges[0] or value >= edges[n]:
        return -1
    # The outermost edges may lie anywhere; the others are evenly spaced but for rounding.
    cell = np.int64(0)
    if n > 2:
        cell = np.int64(min(max((value - edges[1]) / pitch + 1.0, 0.0), np.float64(n - 1)))
    while edges[cell] > value:
        cell -= 1
    while edges[cell + 1] <= value:
        cell += 1
    return cell


@njit(nogil=True, cache=True)
def _pitch(edges):  # type: ignore[no-untyped-def]
    n = len(edges) - 1
    return max((edges[n - 1] - edges[1]) / (n - 2), 1.0) if n > 2 else 1.0


@njit(nogil=True, cache=True)
def _mark(steps, z, column_edges, row_edges, heights, source, code):  # type: ignore[no-untyped-def]
    """Mark cells; return how many points lie in cells without a height."""
    across, up = _pitch(column_edges), _pitch(row_edges)
    bare = 0
    for i in range(len(z)):
        c = _cell(column_edges, steps[i, 0], across)
        r = _cell(row_edges, steps[i, 1], up)
        if c >= 0 and r >= 0:
            source[r, c] = code
            bare += np.isnan(heights[r, c])
    return bare


@njit(nogil=True, cache=True)
def _nearest_in_cells(steps, z, column_edges, row_edges, columns, rows, heights, nearest):  # type: ignore[no-untyped-def]
    across, up = _pitch(column_edges), _pitch(row_edges)
    for i in range(len(z)):
        c = _cell(column_edges, steps[i, 0], across)
        r = _cell(row_edges, steps[i, 1], up)
        # Where something is written down as nearest the cell had no height.
        if c < 0 or r < 0 or not (np.isnan(heights[r, c]) or nearest[r, c] < np.inf):
            continue
        dx = steps[i, 0] - columns[c] / SUBSTEPS
        dy = steps[i, 1] - rows[r] / SUBSTEPS
        distance = dx * dx + dy * dy
        if distance < nearest[r, c] or (distance == nearest[r, c] and z[i] < heights[r, c]):
            nearest[r, c] = distance
            heights[r, c] = z[i]

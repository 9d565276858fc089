"""How far each cell of a raster lies from the nearest cell of a set, exactly, in two passes.

References
----------
A. Meijster, J. B. T. M. Roerdink, W. H. Hesselink, "A general algorithm for computing distance transforms in
linear time", Mathematical Morphology and its Applications to Image and Signal Processing, Kluwer 2000.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from cloudprep.kernels.compiling import COMPILED, njit
from cloudprep.kernels.strips import in_strips

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Rows to the next cell of the set in a column without any: farther than any raster is high or wide.
_NONE = np.int32(2**29)


@njit(nogil=True, cache=True, error_model="numpy")
def _along_columns(those: NDArray[np.bool_], begin: int, end: int, steps: NDArray[np.int32]) -> None:
    """Write the rows from each cell to the nearest of the set in its column, for some columns."""
    rows = those.shape[0]
    for r in range(rows):
        for c in range(begin, end):
            before = steps[r - 1, c] + np.int32(1) if r > 0 else _NONE
            steps[r, c] = np.int32(0) if those[r, c] else min(before, _NONE)
    for r in range(rows - 2, -1, -1):
        for c in range(begin, end):
            steps[r, c] = min(steps[r, c], steps[r + 1, c] + np.int32(1))


@njit(nogil=True, cache=True, error_model="numpy")
def _along_rows(steps: NDArray[np.int32], distance: NDArray[np.float64]) -> None:
    """Write the distance from each cell to the nearest of the set, from the rows to it in every column."""
    columns = steps.shape[1]
    # Columns whose parabolas are lowest somewhere, and from where on each of them is.
    lowest, since = np.empty(columns, np.int64), np.empty(columns, np.int64)
    for r in range(steps.shape[0]):
        last = -1
        for c in range(columns):
            if steps[r, c] >= _NONE:
                continue
            own = np.int64(steps[r, c])
            start = 0
            while last >= 0:
                b = lowest[last]
                other = np.int64(steps[r, b])
                at = since[last]
                if (at - b) ** 2 + other * other > (at - c) ** 2 + own * own:
                    last -= 1
                    continue
                # The first column where the new parabola is lower.
                start = 1 + (c * c - b * b + own * own - other * other) // (2 * (c - b))
                break
            if start < columns:
                last += 1
                lowest[last], since[last] = c, start
        if last < 0:
            for c in range(columns):
                distance[r, c] = np.inf
            continue
        for c in range(columns - 1, -1, -1):
            b = lowest[last]
            up = np.int64(steps[r, b])
            distance[r, c] = np.sqrt(np.float64((c - b) ** 2 + up * up))
            if c == since[last]:
                last -= 1


def distance_to(those: NDArray[np.bool_], *, threads: int = 1) -> NDArray[np.float64]:
    """Return how far each cell is from the nearest of the marked ones, from centre to centre, in cells.

    Parameters
    ----------
    those : ndarray of bool, shape (rows, columns)
        The cells to be near.
    threads : int
        Threads to use; the result doesn't depend on them.

    Returns
    -------
    ndarray of float64, shape (rows, columns)
        0 on the marked cells; infinite where there are none.

    Examples
    --------
    >>> distance_to(np.array([[True, False, False], [False, False, False]])).round(2)
    array([[0.  , 1.  , 2.  ],
           [1.  , 1.41, 2.24]])
    """
    rows, columns = those.shape
    if not those.any():
        return np.full(those.shape, np.inf)
    if not COMPILED:
        return np.asarray(ndimage.distance_transform_edt(~those), np.float64)
    steps, distance = np.empty(those.shape, np.int32), np.empty(those.shape)
    # Few and wide stretches of columns: each passes over the whole raster.
    cells = max(1, -(-those.size // max(threads, 1)))
    in_strips(
        lambda part: _along_columns(those, part.start, part.stop, steps),
        (columns, rows),
        threads,
        cells=cells,
    )
    in_strips(lambda part: _along_rows(steps[part], distance[part]), (rows, columns), threads)
    return distance

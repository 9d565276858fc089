"""Solves the coarsest level of a thin plate's equations directly.

In plain element by element arithmetic: a linear algebra library may round differently from one machine, or
number of threads, to the next. The level has a few dozen cells.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.kernels.compiling import COMPILED, njit
from cloudprep.kernels.plain import thin_plate as plain
from cloudprep.kernels.thin_plate_operator import PLANES, RIM

if TYPE_CHECKING:
    from numpy.typing import NDArray


def dense(planes: NDArray[Any]) -> NDArray[np.float64]:
    """Return a level's matrix in full.

    Parameters
    ----------
    planes : ndarray of float, shape (rows + 4, 13, columns + 4)
        The matrix, as in :class:`~cloudprep.kernels.thin_plate_operator.Equations`.

    Returns
    -------
    ndarray of float64, shape (cells, cells)
    """
    rows, columns = planes.shape[0] - 2 * RIM, planes.shape[2] - 2 * RIM
    matrix = np.zeros((rows * columns, rows * columns))
    _fill(planes, rows, columns, matrix)
    return matrix


@njit(nogil=True, cache=True, error_model="numpy")
def _fill(planes: NDArray[Any], rows: int, columns: int, matrix: NDArray[np.float64]) -> None:
    for y in range(rows):
        for x in range(columns):
            for plane in range(PLANES):
                down = 0 if plane < 3 else (plane + 2) // 5
                z, other = y + down, x + plane - 5 * down
                if z < rows and 0 <= other < columns:
                    here, there = y * columns + x, z * columns + other
                    matrix[here, there] = matrix[there, here] = planes[y + RIM, plane, x + RIM]


def inverted(matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the inverse of a symmetric matrix that rounding may have left a little short of positive.

    Parameters
    ----------
    matrix : ndarray of float64, shape (cells, cells)
        A trifle of the diagonal is added: the plate may be held by a thread.

    Returns
    -------
    ndarray of float64, shape (cells, cells)

    Examples
    --------
    >>> inverted(np.array([[2.0, 0.0], [0.0, 4.0]])).round(4)
    array([[ 0.5 , -0.  ],
           [-0.  ,  0.25]])
    """
    left = matrix.copy()
    diagonal = np.diag(matrix)
    own = diagonal * (1 + 1e-7) + 1e-12 * diagonal.max(initial=0.0) + 1e-300
    np.fill_diagonal(left, own)
    eliminate = _eliminate if COMPILED else plain.eliminate
    eliminate(left, own)
    return left


@njit(nogil=True, cache=True, error_model="numpy")
def _eliminate(left: NDArray[np.float64], own: NDArray[np.float64]) -> None:
    """Invert a matrix in place, by Gauss and Jordan: the pivots are those of a positive matrix."""
    count = len(left)
    column, row = np.empty(count), np.empty(count)
    for k in range(count):
        pivot = max(left[k, k], 1e-8 * own[k])
        for i in range(count):
            column[i] = left[i, k]
            row[i] = left[k, i] / pivot
        for i in range(count):
            for j in range(count):
                left[i, j] -= column[i] * row[j]
        for i in range(count):
            left[i, k] = -column[i] / pivot
        for i in range(count):
            left[k, i] = row[i]
        left[k, k] = 1 / pivot


def times(matrix: NDArray[np.float64], values: NDArray[Any]) -> NDArray[np.float64]:
    """Return a symmetric matrix times the cells of a raster, added up in their order.

    Parameters
    ----------
    matrix : ndarray of float64, shape (cells, cells)
    values : ndarray of float, shape (rows, columns)

    Returns
    -------
    ndarray of float64, shape (rows, columns)
    """
    products = matrix * values.reshape(-1, 1).astype(np.float64)
    return np.asarray(products.sum(axis=0)).reshape(values.shape)

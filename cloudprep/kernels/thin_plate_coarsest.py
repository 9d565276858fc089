"""Solves the coarsest level of a thin plate's equations directly.

In plain element by element arithmetic: a linear algebra library may round differently from one machine, or
number of threads, to the next. The level has a few dozen cells.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

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
    cell = np.full((rows + 2 * RIM, columns + 2 * RIM), -1)
    cell[RIM:-RIM, RIM:-RIM] = np.arange(rows * columns).reshape(rows, columns)
    y, x = np.nonzero(cell >= 0)
    matrix = np.zeros((rows * columns, rows * columns))
    for plane in range(PLANES):
        down = 0 if plane < 3 else (plane + 2) // 5
        right = plane - 5 * down
        other = cell[y + down, x + right]
        here = other >= 0
        matrix[cell[y, x][here], other[here]] = matrix[other[here], cell[y, x][here]] = planes[
            y[here], plane, x[here]
        ]
    return matrix


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
    # Gauss and Jordan's elimination in place: the pivots are those of a positive matrix.
    for k in range(len(left)):
        pivot = max(left[k, k], 1e-8 * own[k])
        column = left[:, k].copy()
        row = left[k] / pivot
        left -= column[:, None] * row
        left[:, k] = -column / pivot
        left[k] = row
        left[k, k] = 1 / pivot
    return left


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

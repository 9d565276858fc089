"""The thin plate on rasters too narrow for coarser levels: its equations, solved directly."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import scipy  # its parts are loaded when they are first used

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Rasters with a side of fewer cells are narrow.
NARROW = 4


def _differences(n: int, order: int) -> scipy.sparse.csr_array:
    """Return plain differences between n cells in a row, as a matrix."""
    if n <= order:
        return scipy.sparse.csr_array((0, n))
    steps = scipy.sparse.csr_array(scipy.sparse.eye_array(n))
    for _ in range(order):
        steps = steps[1:] - steps[:-1]
    return steps


def bending_energy(shape: tuple[int, int]) -> scipy.sparse.csr_array:
    """Return the matrix of the plate's bending energy, without its stiffness.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns.

    Returns
    -------
    csr_array, shape (rows * columns, rows * columns)
        Sum of the squares of the second differences along, across, and twice the mixed ones.
    """
    rows, columns = shape
    along = scipy.sparse.kron(scipy.sparse.eye_array(rows), _differences(columns, 2))
    across = scipy.sparse.kron(_differences(rows, 2), scipy.sparse.eye_array(columns))
    mixed = scipy.sparse.kron(_differences(rows, 1), _differences(columns, 1))
    return scipy.sparse.csr_array(along.T @ along + across.T @ across + 2 * (mixed.T @ mixed))


def solved_narrow(
    data: NDArray[np.float64], weights: NDArray[np.float64], stiffness: float
) -> NDArray[np.float64]:
    """Return the thin plate on a narrow raster.

    Parameters
    ----------
    data, weights : ndarray of float64, shape (rows, columns)
        Heights, m, and their weights, all greater than 0: one or two data alone would leave it free to tilt.
    stiffness : float
        Factor of the bending energy.

    Returns
    -------
    ndarray of float64, shape (rows, columns)
        Heights, m.
    """
    equations = scipy.sparse.diags_array(weights.ravel()) + stiffness * bending_energy(data.shape)
    right = (weights * data).ravel()
    return np.asarray(scipy.sparse.linalg.spsolve(scipy.sparse.csc_array(equations), right)).reshape(
        data.shape
    )

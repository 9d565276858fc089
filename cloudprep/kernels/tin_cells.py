"""Which cell each point lies in, and a height for cells that hold points but lie under no triangle."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.tin_points import SUBSTEPS

if TYPE_CHECKING:
    from numpy.typing import NDArray


def cells_of_steps(coordinates: NDArray[np.float64], edges: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the index of the cell that holds each coordinate; one on an edge belongs to the upper cell.

    Parameters
    ----------
    coordinates : ndarray of float64, shape (n,)
        Whole numbers of steps.
    edges : ndarray of int64, shape (c + 1,)
        Ascending cell edges in 1/256 of a step.

    Returns
    -------
    ndarray of int64, shape (n,)
        Indices, 0 to c - 1; what lies outside is given to the outermost cell.
    """
    found = np.searchsorted(edges, coordinates.astype(np.int64) * SUBSTEPS, side="right") - 1
    return np.clip(found, 0, len(edges) - 2)


def nearest_in_cell(
    steps: NDArray[np.float64],
    z: NDArray[np.float64],
    cells: NDArray[np.int64],
    centres: NDArray[np.float64],
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return for each cell that holds points the height of the one nearest to its centre.

    Parameters
    ----------
    steps : ndarray of float64, shape (n, 2)
        Points, steps.
    z : ndarray of float64, shape (n,)
        Heights.
    cells : ndarray of int64, shape (n,)
        The cell of each point, any numbering.
    centres : ndarray of float64, shape (n, 2)
        The centre of each point's cell, steps.

    Returns
    -------
    cells : ndarray of int64, shape (m,)
        The cells that occur, ascending.
    heights : ndarray of float64, shape (m,)
        Their heights; of points equally near the lowest.
    """
    distances = ((steps - centres) ** 2).sum(axis=1)
    order = np.lexsort((z, distances, cells))
    occurring, first = np.unique(cells[order], return_index=True)
    return occurring, z[order[first]]

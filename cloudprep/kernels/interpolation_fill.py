"""Heights for cells that have none: from the nearest cell, or a smooth membrane over the hole."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.ndimage import distance_transform_edt

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Measured against the exact solution on holes of up to 400 x 600 cells: 60 sweeps at 1.9 leave at most 0.5 %
# of the relief, 24 sweeps without over-relaxation 3 %.
_SWEEPS = 60
_OVER_RELAXATION = 1.9
_COARSEST = 4


def nearest_fill(heights: NDArray[np.float64], farthest: float) -> NDArray[np.float64]:
    """Return the heights with each empty cell given that of the nearest cell which has one.

    Parameters
    ----------
    heights : ndarray of float64, shape (r, c)
        NaN where empty.
    farthest : float
        Cells farther than this (in cells, centre to centre) from any height stay empty.

    Returns
    -------
    ndarray of float64, shape (r, c)
        A new grid.
    """
    empty = np.isnan(heights)
    if empty.all() or not empty.any():
        return heights.copy()
    distances, (rows, columns) = distance_transform_edt(empty, return_indices=True)
    filled: NDArray[np.float64] = heights[rows, columns]
    filled[distances > farthest] = np.nan
    return filled


def smooth_fill(heights: NDArray[np.float64], farthest: float) -> NDArray[np.float64]:
    """Return the heights with holes spanned by a membrane: each filled cell is the mean of its neighbours.

    It makes no hills or pits of its own: heights stay between those of the rim. It is found from coarse to
    fine (grids of half the size are solved first and start the next one off), to within about half a percent
    of the relief in the widest holes.

    Parameters
    ----------
    heights : ndarray of float64, shape (r, c)
        NaN where empty.
    farthest : float
        Cells farther than this (in cells, centre to centre) from any height stay empty.

    Returns
    -------
    ndarray of float64, shape (r, c)
        A new grid.

    Notes
    -----
    Laplace's equation with the known cells held, free at the window's edges. The coarse start is the
    pull-push of Gortler et al. 1996, "The lumigraph"; the sweeps are successive over-relaxation (Young 1954)
    in red-black order; coarse to fine without return, as in the cascadic multigrid of Bornemann and
    Deuflhard 1996.
    """
    empty = np.isnan(heights)
    if empty.all() or not empty.any():
        return heights.copy()
    filled = _membrane(np.where(empty, 0.0, heights), (~empty).astype(np.float64))
    filled = np.clip(filled, np.nanmin(heights), np.nanmax(heights))
    filled[distance_transform_edt(empty) > farthest] = np.nan
    return filled


def _membrane(values: NDArray[np.float64], weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a grid without holes from one with weights 0 where there is nothing."""
    if (weights > 0).all() or min(values.shape) < _COARSEST:
        known = weights > 0
        mean = float((values * weights).sum() / weights.sum())
        solved = np.where(known, values, mean)
    else:
        coarse = _membrane(*_halved(values, weights))
        known = weights > 0
        solved = np.where(known, values, _doubled(coarse, values.shape))
    _relax(solved, known)
    return solved


def _halved(
    values: NDArray[np.float64], weights: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return means of two by two cells, by weight, and their weights (1 where anything is known)."""
    odd = [(0, n % 2) for n in values.shape]
    weights = np.pad(weights, odd)
    weighted = np.pad(values, odd) * weights
    mass = weights[::2, ::2] + weights[1::2, ::2] + weights[::2, 1::2] + weights[1::2, 1::2]
    total = weighted[::2, ::2] + weighted[1::2, ::2] + weighted[::2, 1::2] + weighted[1::2, 1::2]
    return np.divide(total, mass, out=np.zeros_like(total), where=mass > 0), (mass > 0).astype(np.float64)


def _doubled(coarse: NDArray[np.float64], shape: tuple[int, ...]) -> NDArray[np.float64]:
    """Return a grid of twice the size: 3/4 of the cell around and 1/4 of the next, along each axis."""
    fine = coarse
    for axis in (0, 1):
        padded = np.pad(fine, [(1, 1) if a == axis else (0, 0) for a in (0, 1)], mode="edge")
        padded = np.moveaxis(padded, axis, 0)
        lower = 0.75 * padded[1:-1] + 0.25 * padded[:-2]
        upper = 0.75 * padded[1:-1] + 0.25 * padded[2:]
        both = np.stack((lower, upper), axis=1).reshape(-1, *lower.shape[1:])
        fine = np.moveaxis(both, 0, axis)
    return fine[: shape[0], : shape[1]]


@njit(nogil=True, cache=True)
def _relax(values, known):  # type: ignore[no-untyped-def]
    """Move each unknown cell past the mean of its neighbours, in turn on the colours of a chessboard."""
    rows, columns = values.shape
    for _ in range(_SWEEPS):
        for colour in range(2):
            for r in range(rows):
                for c in range((r + colour) & 1, columns, 2):
                    if known[r, c]:
                        continue
                    total = 0.0
                    count = 0
                    if r > 0:
                        total += values[r - 1, c]
                        count += 1
                    if r + 1 < rows:
                        total += values[r + 1, c]
                        count += 1
                    if c > 0:
                        total += values[r, c - 1]
                        count += 1
                    if c + 1 < columns:
                        total += values[r, c + 1]
                        count += 1
                    if count > 0:
                        values[r, c] += _OVER_RELAXATION * (total / count - values[r, c])

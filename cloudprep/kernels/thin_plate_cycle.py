"""The sweeps of a multigrid cycle and of conjugate gradients over one level of a thin plate's equations.

Every sweep passes over the raster once: a later step follows an earlier one a few rows behind, while these
are still in the cache. The smoother takes two Chebyshev steps over the upper part of the spectrum of the
matrix divided by its diagonal.

References
----------
M. Adams, M. Brezina, J. Hu and R. Tuminaro, "Parallel multigrid smoothing: polynomial versus Gauss-Seidel",
Journal of Computational Physics 188(2), 2003 (Chebyshev smoothing).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.thin_plate_levels import prolong_row, restrict_row
from cloudprep.kernels.thin_plate_operator import Equations, finest_row, times_row

if TYPE_CHECKING:
    from numpy.typing import NDArray

_ZERO = np.float32(0)
# Rows kept of what only the next step needs: five, rounded up so that a mask finds them.
_KEPT = 8
_MASK = _KEPT - 1


def chebyshev_steps(highest: float, lowest: float) -> tuple[float, float, float]:
    """Return the factors of two Chebyshev steps for a spectrum within ``lowest`` to ``highest``.

    Returns
    -------
    first, again, second : float
        With the residual r divided by the diagonal, u += first * r, then u += again * (what that step
        added) + second * r.

    Examples
    --------
    >>> first, again, second = chebyshev_steps(3.0, 1.0)
    >>> first
    0.5
    """
    centre, spread = (highest + lowest) / 2, (highest - lowest) / 2
    sigma = centre / spread
    rho = 1 / sigma
    rho_next = 1 / (2 * sigma - rho)
    return 1 / centre, rho_next * rho, 2 * rho_next / spread


@njit(nogil=True, cache=True, error_model="numpy")
def sweep(
    up: bool,
    eq: Equations,
    steps: tuple[Any, Any, Any],
    right: NDArray[Any],
    inverse: NDArray[Any],
    scale: NDArray[Any],
    out: NDArray[Any],
    coarse: NDArray[Any],
) -> float:
    """Go through a level on the way down or up.

    Down: smooth from zero, and hand what is left to the coarser level. Up: add the coarser level's
    correction, and smooth. One function, since half of it would be the same, and compiled twice.

    Parameters
    ----------
    up : bool
        Which way.
    eq : Equations
        The matrix.
    steps : tuple of float
        As from :func:`chebyshev_steps`.
    right, inverse, scale : ndarray of float, shape (rows + 4, columns + 4)
        Right-hand side, one over the diagonal, scale of the transfer.
    out : ndarray of float, shape (rows + 4, columns + 4)
        Receives the smoothed correction; on the way up it is changed in place.
    coarse : ndarray of float, shape (coarse rows + 4, coarse columns + 4)
        The right-hand side of the coarser level, zero before, is added to; or holds its correction.

    Returns
    -------
    float
        On the way up, the sum of ``right`` times ``out`` over all cells.
    """
    rows, columns = right.shape[0] - 4, right.shape[1] - 4
    first, again, second = steps
    kept = np.zeros((_KEPT, columns + 4), right.dtype)
    product = np.empty(columns, right.dtype)
    left = np.zeros(columns + 8, right.dtype)
    line = np.empty(coarse.shape[1] - 4, right.dtype)
    # One sum a column: the order of additions is fixed, and they go side by side.
    sums = np.zeros(columns)
    for t in range(rows + 8):
        z = t & _MASK
        if up:
            if 2 <= t < rows + 2:
                prolong_row(t - 2, coarse, line, scale, out)
        elif 2 <= t < rows + 2:
            for x in range(columns):
                kept[z, x + 2] = first * (inverse[t, x + 2] * right[t, x + 2])
        else:
            for x in range(columns):
                kept[z, x + 2] = _ZERO
        for stage in range(2):
            y = t - 2 - 2 * stage
            z = y & _MASK
            if y < 2 or y >= rows + 2:
                if up and stage == 0:
                    for x in range(columns):
                        kept[z, x + 2] = _ZERO
                continue
            # Down, the kept rows come before those of the result; up, after them.
            of_kept = up == (stage == 1)
            if of_kept:
                at = (y - 2) & _MASK, (y - 1) & _MASK, z, (y + 1) & _MASK, (y + 2) & _MASK
            else:
                at = y - 2, y - 1, y, y + 1, y + 2
            times_row(kept if of_kept else out, at, y, eq, product)
            if not up and stage == 1:
                for x in range(columns):
                    left[x + 3] = scale[y, x + 2] * (right[y, x + 2] - product[x])
                restrict_row(y - 2, left, line, coarse)
                continue
            for x in range(columns):
                product[x] = inverse[y, x + 2] * (right[y, x + 2] - product[x])
            if not of_kept:
                for x in range(columns):
                    kept[z, x + 2] = out[y, x + 2] + first * product[x]
                continue
            for x in range(columns):
                # On the way down the steps started from zero.
                before = out[y, x + 2] if up else _ZERO
                middle = kept[z, x + 2]
                v = middle + again * (middle - before) + second * product[x]
                out[y, x + 2] = v
                sums[x] += np.float64(v * right[y, x + 2])
    return _total(sums)


@njit(nogil=True, cache=True, error_model="numpy")
def _total(sums: NDArray[np.float64]) -> float:
    total = 0.0
    for value in sums:
        total += value
    return total


@njit(nogil=True, cache=True, error_model="numpy")
def turn_and_multiply(
    eq: Equations, by: Any, correction: NDArray[Any], direction: NDArray[Any], product: NDArray[Any]
) -> float:
    """Take the next direction of conjugate gradients, and multiply the finest matrix by it.

    Parameters
    ----------
    eq : Equations
        The matrix.
    by : float
        Share of the old direction in the new one.
    correction, direction, product : ndarray of float, shape (rows + 4, columns + 4)
        The preconditioned residual; the direction, replaced by ``correction + by * direction``; receives the
        matrix times the direction.

    Returns
    -------
    float
        The sum of ``direction`` times ``product`` over all cells.
    """
    rows, columns = direction.shape[0] - 4, direction.shape[1] - 4
    sums = np.zeros(columns)
    line = np.empty(columns, direction.dtype)
    for t in range(2, rows + 4):
        if t < rows + 2:
            for x in range(2, columns + 2):
                direction[t, x] = correction[t, x] + by * direction[t, x]
        y = t - 2
        if y >= 2:
            finest_row(direction, (y - 2, y - 1, y, y + 1, y + 2), y, eq, line)
            for x in range(columns):
                product[y, x + 2] = line[x]
                sums[x] += np.float64(line[x] * direction[y, x + 2])
    return _total(sums)


@njit(nogil=True, cache=True, error_model="numpy")
def advance(
    by: Any, direction: NDArray[Any], product: NDArray[Any], surface: NDArray[Any], left: NDArray[Any]
) -> float:
    """Go along the direction: ``surface += by * direction``, ``left -= by * product``.

    Returns
    -------
    float
        The largest change of the surface.
    """
    columns = surface.shape[1]
    highest = np.zeros(columns, surface.dtype)
    for y in range(2, surface.shape[0] - 2):
        for x in range(columns):
            change = by * direction[y, x]
            surface[y, x] += change
            left[y, x] -= by * product[y, x]
            size = abs(change)
            highest[x] = max(highest[x], size)
    largest = 0.0
    for size in highest:
        largest = max(largest, np.float64(size))
    return largest


@njit(nogil=True, cache=True, error_model="numpy")
def settle(
    eq: Equations,
    data: NDArray[np.float64],
    change: NDArray[Any],
    surface: NDArray[np.float64],
    left: NDArray[Any],
) -> None:
    """Add the change to the surface, and write what is left of the equations, in float64.

    Parameters
    ----------
    eq : Equations
        The matrix, in float64.
    data, surface : ndarray of float64, shape (rows + 4, columns + 4)
        Values to fit; the surface.
    change : ndarray of float, shape (rows + 4, columns + 4)
        Is added, and set to zero.
    left : ndarray of float, shape (rows + 4, columns + 4)
        Receives weights times data, less the matrix times the surface.
    """
    rows, columns = surface.shape[0] - 4, surface.shape[1] - 4
    line = np.empty(columns)
    for t in range(2, rows + 4):
        if t < rows + 2:
            for x in range(2, columns + 2):
                surface[t, x] += change[t, x]
                change[t, x] = _ZERO
        y = t - 2
        if y >= 2:
            finest_row(surface, (y - 2, y - 1, y, y + 1, y + 2), y, eq, line)
            for x in range(columns):
                left[y, x + 2] = eq.weights[y, x + 2] * data[y, x + 2] - line[x]

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
from numba import njit

from cloudprep.kernels.thin_plate_levels import prolong_row, restrict_row
from cloudprep.kernels.thin_plate_operator import Equations, times_row

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
def go_down(
    eq: Equations,
    steps: tuple[Any, Any, Any],
    right: NDArray[Any],
    inverse: NDArray[Any],
    scale: NDArray[Any],
    out: NDArray[Any],
    coarse: NDArray[Any],
) -> None:
    """Smooth from zero, and hand what is left to the coarser level.

    Parameters
    ----------
    eq : Equations
        The matrix.
    steps : tuple of float
        As from :func:`chebyshev_steps`.
    right, inverse, scale : ndarray of float, shape (rows + 4, columns + 4)
        Right-hand side, one over the diagonal, scale of the transfer.
    out : ndarray of float, shape (rows + 4, columns + 4)
        Receives the smoothed correction.
    coarse : ndarray of float, shape (coarse rows + 4, coarse columns + 4)
        Receives the right-hand side of the coarser level.
    """
    rows, columns = right.shape[0] - 4, right.shape[1] - 4
    first, again, second = steps
    kept = np.zeros((_KEPT, columns + 4), right.dtype)
    product = np.empty(columns, right.dtype)
    left = np.zeros(columns + 8, right.dtype)
    line = np.empty(coarse.shape[1] - 4, right.dtype)
    coarse[:] = _ZERO
    for t in range(rows + 8):
        if t < rows + 4:
            now = kept[t & _MASK, 2:]
            if 2 <= t < rows + 2:
                r, d = right[t, 2:], inverse[t, 2:]
                for x in range(columns):
                    now[x] = first * (d[x] * r[x])
            else:
                now[:] = _ZERO
        y = t - 2
        if 2 <= y < rows + 2:
            here = kept[y & _MASK]
            times_row(
                y,
                kept[(y - 2) & _MASK],
                kept[(y - 1) & _MASK],
                here,
                kept[(y + 1) & _MASK],
                kept[(y + 2) & _MASK],
                eq,
                product,
            )
            r, d, before, to = right[y, 2:], inverse[y, 2:], here[2:], out[y, 2:]
            for x in range(columns):
                to[x] = before[x] + again * before[x] + second * (d[x] * (r[x] - product[x]))
        y = t - 4
        if 2 <= y < rows + 2:
            times_row(y, out[y - 2], out[y - 1], out[y], out[y + 1], out[y + 2], eq, product)
            r, s, rest = right[y, 2:], scale[y, 2:], left[3:]
            for x in range(columns):
                rest[x] = s[x] * (r[x] - product[x])
            restrict_row(y - 2, left, line, coarse)


@njit(nogil=True, cache=True, error_model="numpy")
def go_up(
    eq: Equations,
    steps: tuple[Any, Any, Any],
    right: NDArray[Any],
    inverse: NDArray[Any],
    scale: NDArray[Any],
    out: NDArray[Any],
    coarse: NDArray[Any],
) -> float:
    """Add the coarser level's correction, and smooth.

    Parameters are those of :func:`go_down`; ``out`` is changed in place, ``coarse`` holds the correction.

    Returns
    -------
    float
        The sum of ``right`` times ``out`` over all cells.
    """
    rows, columns = right.shape[0] - 4, right.shape[1] - 4
    first, again, second = steps
    kept = np.zeros((_KEPT, columns + 4), right.dtype)
    product = np.empty(columns, right.dtype)
    line = np.empty(coarse.shape[1] - 4, right.dtype)
    # One sum a column: the order of additions is fixed, and they go side by side.
    sums = np.zeros(columns)
    for t in range(2, rows + 6):
        if t < rows + 2:
            prolong_row(t - 2, coarse, line, scale[t, 2:], out[t, 2 : columns + 2])
        y = t - 2
        now = kept[y & _MASK, 2:]
        if 2 <= y < rows + 2:
            times_row(y, out[y - 2], out[y - 1], out[y], out[y + 1], out[y + 2], eq, product)
            r, d, before = right[y, 2:], inverse[y, 2:], out[y, 2:]
            for x in range(columns):
                now[x] = before[x] + first * (d[x] * (r[x] - product[x]))
        else:
            now[:] = _ZERO
        y = t - 4
        if y >= 2:
            here = kept[y & _MASK]
            times_row(
                y,
                kept[(y - 2) & _MASK],
                kept[(y - 1) & _MASK],
                here,
                kept[(y + 1) & _MASK],
                kept[(y + 2) & _MASK],
                eq,
                product,
            )
            r, d, middle, to = right[y, 2:], inverse[y, 2:], here[2:], out[y, 2:]
            for x in range(columns):
                v = middle[x] + again * (middle[x] - to[x]) + second * (d[x] * (r[x] - product[x]))
                to[x] = v
                sums[x] += np.float64(v * r[x])
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
    """Take the next direction of conjugate gradients, and multiply the matrix by it.

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
            p, q = direction[t, 2:], correction[t, 2:]
            for x in range(columns):
                p[x] = q[x] + by * p[x]
        y = t - 2
        if y >= 2:
            times_row(
                y,
                direction[y - 2],
                direction[y - 1],
                direction[y],
                direction[y + 1],
                direction[y + 2],
                eq,
                line,
            )
            p, to = direction[y, 2:], product[y, 2:]
            for x in range(columns):
                to[x] = line[x]
                sums[x] += np.float64(line[x] * p[x])
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
        p, q, u, r = direction[y], product[y], surface[y], left[y]
        for x in range(columns):
            change = by * p[x]
            u[x] += change
            r[x] -= by * q[x]
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
            u, e = surface[t, 2:], change[t, 2:]
            for x in range(columns):
                u[x] += e[x]
                e[x] = _ZERO
        y = t - 2
        if y >= 2:
            times_row(y, surface[y - 2], surface[y - 1], surface[y], surface[y + 1], surface[y + 2], eq, line)
            w, z, to = eq.weights[y, 2:], data[y, 2:], left[y, 2:]
            for x in range(columns):
                to[x] = w[x] * z[x] - line[x]

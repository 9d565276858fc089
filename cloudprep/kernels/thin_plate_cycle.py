"""The sweeps of a multigrid cycle and of conjugate gradients over one level of a thin plate's equations.

Every sweep passes over the raster once: a later step follows an earlier one a few rows behind, while these
are still in the cache. The smoother takes two Chebyshev steps over the upper part of the spectrum of the
matrix divided by its diagonal.

Rows go in bands, one for each thread: a band works out again what it needs of its neighbours' rows, so that
bands know nothing of each other and any number of them gives the same bits.

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
CHUNK = 128
"""Rows whose products are added up apart, so that threads can share them out; even."""


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
def down(
    eq: Equations,
    steps: tuple[Any, Any, Any],
    right: NDArray[Any],
    inverse: NDArray[Any],
    scale: NDArray[Any],
    out: NDArray[Any],
    coarse: NDArray[Any],
    begin: int,
    end: int,
) -> None:
    """Go through a level on the way down: smooth from zero, and hand what is left to the coarser level.

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
        The right-hand side of the coarser level, zero before, is added to.
    begin, end : int
        Rows to go through, without the rim; both even, or the last one. What other bands of rows are needed
        for is worked out again: neighbouring bands write the same values to a few rows of ``out``.
    """
    rows, columns = right.shape[0] - 4, right.shape[1] - 4
    first, again, second = steps
    kept = np.zeros((_KEPT, columns + 4), right.dtype)
    product = np.empty(columns, right.dtype)
    left = np.zeros(columns + 8, right.dtype)
    line = np.empty(coarse.shape[1] - 4, right.dtype)
    # A coarse row is drawn from four rows, of which the last is twice as far down the raster.
    own = begin // 2, (coarse.shape[0] - 4 if end == rows else end // 2)
    last = rows if end == rows else end - 1
    for t in range(begin - 7, end + 4):
        z = t & _MASK
        if 0 <= t < rows:
            for x in range(columns):
                kept[z, x + 2] = first * (inverse[t + 2, x + 2] * right[t + 2, x + 2])
        else:
            for x in range(columns):
                kept[z, x + 2] = _ZERO
        for stage in range(2):
            y = t - 2 - 2 * stage
            if stage == 0:
                if y < max(0, begin - 5) or y >= min(rows, end + 1):
                    continue
                at = (y - 2) & _MASK, (y - 1) & _MASK, y & _MASK, (y + 1) & _MASK, (y + 2) & _MASK
            else:
                if y < max(0, begin - 3) or y >= last:
                    continue
                at = y, y + 1, y + 2, y + 3, y + 4
            times_row(kept if stage == 0 else out, at, y + 2, eq, product)
            if stage == 1:
                for x in range(columns):
                    left[x + 3] = scale[y + 2, x + 2] * (right[y + 2, x + 2] - product[x])
                restrict_row(y, left, line, own, coarse)
                continue
            z = y & _MASK
            for x in range(columns):
                by = inverse[y + 2, x + 2] * (right[y + 2, x + 2] - product[x])
                # The steps started from zero.
                middle = kept[z, x + 2]
                out[y + 2, x + 2] = middle + again * (middle - _ZERO) + second * by


@njit(nogil=True, cache=True, error_model="numpy")
def up(
    eq: Equations,
    steps: tuple[Any, Any, Any],
    right: NDArray[Any],
    inverse: NDArray[Any],
    scale: NDArray[Any],
    out: NDArray[Any],
    coarse: NDArray[Any],
    better: NDArray[Any],
    totals: NDArray[np.float64],
    begin: int,
    end: int,
) -> None:
    """Go through a level on the way up: add the coarser level's correction, and smooth.

    Parameters
    ----------
    eq, steps, right, inverse, scale
        As for :func:`down`.
    out : ndarray of float, shape (rows + 4, columns + 4)
        What :func:`down` wrote.
    coarse : ndarray of float, shape (coarse rows + 4, coarse columns + 4)
        The coarser level's correction.
    better : ndarray of float, shape (rows + 4, columns + 4)
        Receives the smoothed correction.
    totals : ndarray of float64, shape (rows / CHUNK, rounded up,)
        On the finest level, receives the sum of ``right`` times ``better`` over every ``CHUNK`` rows.
    begin, end : int
        Rows to go through, without the rim; multiples of ``CHUNK``, or the last one.
    """
    rows, columns = right.shape[0] - 4, right.shape[1] - 4
    first, again, second = steps
    # Of what is drawn from the coarser level, and of what the first step made of it.
    kept = np.zeros((2, _KEPT, columns + 4), right.dtype)
    product = np.empty(columns, right.dtype)
    line = np.empty(coarse.shape[1] - 4, right.dtype)
    # One sum a column: the order of additions is fixed, and they go side by side.
    sums = np.zeros(columns)
    for t in range(begin - 4, end + 4):
        z = t & _MASK
        if 0 <= t < rows:
            prolong_row(t, coarse, line, scale, out, kept[0, z])
        else:
            for x in range(columns):
                kept[0, z, x + 2] = _ZERO
        for stage in range(2):
            y = t - 2 - 2 * stage
            z = y & _MASK
            if y < begin - 2 + 2 * stage or y >= end + 2 - 2 * stage:
                continue
            if y < 0 or y >= rows:
                for x in range(columns):
                    kept[1, z, x + 2] = _ZERO
                continue
            at = (y - 2) & _MASK, (y - 1) & _MASK, z, (y + 1) & _MASK, (y + 2) & _MASK
            times_row(kept[stage], at, y + 2, eq, product)
            for x in range(columns):
                product[x] = inverse[y + 2, x + 2] * (right[y + 2, x + 2] - product[x])
            if stage == 0:
                for x in range(columns):
                    kept[1, z, x + 2] = kept[0, z, x + 2] + first * product[x]
                continue
            for x in range(columns):
                before, middle = kept[0, z, x + 2], kept[1, z, x + 2]
                better[y + 2, x + 2] = middle + again * (middle - before) + second * product[x]
            if eq.finest:
                for x in range(columns):
                    sums[x] += np.float64(better[y + 2, x + 2] * right[y + 2, x + 2])
                if (y + 1) % CHUNK == 0 or y == rows - 1:
                    totals[y // CHUNK] = _total(sums)


@njit(nogil=True, cache=True, error_model="numpy")
def _total(sums: NDArray[np.float64]) -> float:
    """Return the sum, and set all to zero."""
    total = 0.0
    for x in range(len(sums)):
        total += sums[x]
        sums[x] = 0.0
    return total


@njit(nogil=True, cache=True, error_model="numpy")
def turn_and_multiply(
    eq: Equations,
    by: Any,
    correction: NDArray[Any],
    before: NDArray[Any],
    direction: NDArray[Any],
    product: NDArray[Any],
    totals: NDArray[np.float64],
    begin: int,
    end: int,
) -> None:
    """Take the next direction of conjugate gradients, and multiply the finest matrix by it.

    Parameters
    ----------
    eq : Equations
        The matrix.
    by : float
        Share of the old direction in the new one; where it is 0 the old one isn't looked at.
    correction, before : ndarray of float, shape (rows + 4, columns + 4)
        The preconditioned residual; the old direction.
    direction, product : ndarray of float, shape (rows + 4, columns + 4)
        Receive ``correction + by * before``; and the matrix times that.
    totals : ndarray of float64, shape (rows / CHUNK, rounded up,)
        Receives the sum of ``direction`` times ``product`` over every ``CHUNK`` rows.
    begin, end : int
        Rows to go through, without the rim; multiples of ``CHUNK``, or the last one.
    """
    rows, columns = direction.shape[0] - 4, direction.shape[1] - 4
    sums = np.zeros(columns)
    line = np.empty(columns, direction.dtype)
    for t in range(max(0, begin - 2), end + 2):
        if t < rows and by == 0:
            for x in range(2, columns + 2):
                direction[t + 2, x] = correction[t + 2, x]
        elif t < rows:
            for x in range(2, columns + 2):
                direction[t + 2, x] = correction[t + 2, x] + by * before[t + 2, x]
        y = t - 2
        if y >= begin:
            finest_row(direction, (y, y + 1, y + 2, y + 3, y + 4), y + 2, eq, line)
            for x in range(columns):
                product[y + 2, x + 2] = line[x]
                sums[x] += np.float64(line[x] * direction[y + 2, x + 2])
            if (y + 1) % CHUNK == 0 or y == rows - 1:
                totals[y // CHUNK] = _total(sums)


@njit(nogil=True, cache=True, error_model="numpy")
def advance(
    by: Any,
    direction: NDArray[Any],
    product: NDArray[Any],
    change: NDArray[Any],
    left: NDArray[Any],
    begin: int,
    end: int,
) -> float:
    """Go along the direction in some rows: ``change += by * direction``, ``left -= by * product``.

    Returns
    -------
    float
        The longest step.
    """
    columns = change.shape[1]
    highest = np.zeros(columns, change.dtype)
    for y in range(begin + 2, end + 2):
        for x in range(columns):
            step = by * direction[y, x]
            change[y, x] += step
            left[y, x] -= by * product[y, x]
            size = abs(step)
            highest[x] = max(highest[x], size)
    largest = 0.0
    for size in highest:
        largest = max(largest, np.float64(size))
    return largest


@njit(nogil=True, cache=True, error_model="numpy")
def add_change(change: NDArray[Any], surface: NDArray[np.float64], begin: int, end: int) -> None:
    """Add the change to the surface in some rows, and set it to zero."""
    for y in range(begin + 2, end + 2):
        for x in range(2, change.shape[1] - 2):
            surface[y, x] += change[y, x]
            change[y, x] = _ZERO


@njit(nogil=True, cache=True, error_model="numpy")
def settle(
    eq: Equations,
    data: NDArray[np.float64],
    surface: NDArray[np.float64],
    left: NDArray[Any],
    begin: int,
    end: int,
) -> None:
    """Write what is left of the equations in some rows, in float64.

    Parameters
    ----------
    eq : Equations
        The matrix, in float64.
    data, surface : ndarray of float64, shape (rows + 4, columns + 4)
        Values to fit; the surface.
    left : ndarray of float, shape (rows + 4, columns + 4)
        Receives weights times data, less the matrix times the surface.
    begin, end : int
        Rows to go through, without the rim.
    """
    columns = surface.shape[1] - 4
    line = np.empty(columns)
    for y in range(begin, end):
        finest_row(surface, (y, y + 1, y + 2, y + 3, y + 4), y + 2, eq, line)
        for x in range(columns):
            left[y + 2, x + 2] = eq.weights[y + 2, x + 2] * data[y + 2, x + 2] - line[x]


@njit(nogil=True, cache=True, error_model="numpy")
def weigh(
    values: NDArray[np.float64],
    given: NDArray[np.float64],
    totals: NDArray[np.float64],
    begin: int,
    end: int,
) -> None:
    """Add up values times weights, and weights, over some rows.

    Parameters
    ----------
    values, given : ndarray of float64, shape (rows, columns)
        Heights and their weights; a height without a weight counts as 0, whatever it is.
    totals : ndarray of float64, shape (2, rows / CHUNK, rounded up)
        Receives the sums of values times weights, and of weights, over every ``CHUNK`` rows.
    begin, end : int
        Rows to go through; multiples of ``CHUNK``, or the last one.
    """
    rows, columns = values.shape
    products, sums = np.zeros(columns), np.zeros(columns)
    for y in range(begin, end):
        for x in range(columns):
            weight = given[y, x]
            value = values[y, x] if weight > 0 else 0.0
            products[x] += value * weight
            sums[x] += weight
        if (y + 1) % CHUNK == 0 or y == rows - 1:
            totals[0, y // CHUNK], totals[1, y // CHUNK] = _total(products), _total(sums)


@njit(nogil=True, cache=True, error_model="numpy")
def begin_with(
    values: NDArray[np.float64],
    given: NDArray[np.float64],
    start: NDArray[np.float64],
    middle: float,
    eq: Equations,
    data: NDArray[np.float64],
    surface: NDArray[np.float64],
    weights: NDArray[Any],
    left: NDArray[Any],
    begin: int,
    end: int,
) -> int:
    """Take over some rows' values and weights, begin with a first guess, and write what it leaves.

    Parameters
    ----------
    values, given : ndarray of float64, shape (rows, columns)
        Heights and their weights.
    start : ndarray of float64, shape (rows, columns) or (0, 0)
        The first guess; without rows, it is zero.
    middle : float
        Is taken off values and first guess.
    eq : Equations
        The matrix, in float64; its weights are received.
    data, surface : ndarray of float64, shape (rows + 4, columns + 4)
        Receive the values, 0 where there is no weight, and the first guess.
    weights : ndarray of float, shape (rows + 4, columns + 4)
        Receives the weights, rounded.
    left : ndarray of float, shape (rows + 4, columns + 4)
        Receives what is left of the equations, as of :func:`settle`.
    begin, end : int
        Rows to go through, without the rim. What other bands of rows are needed for is worked out again:
        neighbouring bands write the same values to a few rows of ``surface``.

    Returns
    -------
    int
        How many of the rounded weights are others than before.
    """
    rows, columns = values.shape
    exact = eq.weights
    line = np.empty(columns)
    changed = 0
    for t in range(max(0, begin - 2), end + 2):
        if t < rows and len(start) == 0:
            for x in range(columns):
                surface[t + 2, x + 2] = 0.0
        elif t < rows:
            for x in range(columns):
                surface[t + 2, x + 2] = start[t, x] - middle
        y = t - 2
        if y < begin:
            continue
        for x in range(columns):
            weight = given[y, x]
            exact[y + 2, x + 2] = weight
            lower = values[y, x] - middle
            data[y + 2, x + 2] = lower if weight > 0 else 0.0
        for x in range(columns):
            before = weights[y + 2, x + 2]
            weights[y + 2, x + 2] = given[y, x]
            changed += int(before != weights[y + 2, x + 2])
        finest_row(surface, (y, y + 1, y + 2, y + 3, y + 4), y + 2, eq, line)
        for x in range(columns):
            left[y + 2, x + 2] = exact[y + 2, x + 2] * data[y + 2, x + 2] - line[x]
    return changed


@njit(nogil=True, cache=True, error_model="numpy")
def end_with(
    surface: NDArray[np.float64],
    change: NDArray[Any],
    middle: float,
    out: NDArray[np.float64],
    begin: int,
    end: int,
) -> None:
    """Write some rows of the surface with the change and what was taken off it, without the rim."""
    for y in range(begin, end):
        for x in range(out.shape[1]):
            out[y, x] = (surface[y + 2, x + 2] + change[y + 2, x + 2]) + middle

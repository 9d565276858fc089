"""Where a terrain's saddles are, and which places of many keep their distance."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

_SAMPLES = 16


def saddle_strength(heights: NDArray[np.float64], radius: int, least: float) -> NDArray[np.float64]:
    """Return how much of a saddle each cell is.

    Around a saddle the ground rises, falls, rises and falls again: of 16 cells on a circle those that are
    higher or lower by ``least`` change sides four times at least. The strength is by how much the lesser of
    two rises and the lesser of two falls differ from the cell, whichever is less.

    Parameters
    ----------
    heights : ndarray of float64, shape (rows, columns)
        Heights; NaN where there is nothing.
    radius : int
        Of the circle, cells, >= 1.
    least : float
        In the unit of the heights, > 0.

    Returns
    -------
    ndarray of float64, shape (rows, columns)
        0 where there is no saddle, or where the circle meets the rim or a hole.

    Examples
    --------
    >>> y, x = np.mgrid[-3:4, -3:4].astype(float)
    >>> float(saddle_strength(x * x - y * y, 3, 0.5)[3, 3])
    9.0
    """
    angles = 2 * np.pi * np.arange(_SAMPLES) / _SAMPLES
    rows = np.rint(radius * np.sin(angles)).astype(np.int64)
    columns = np.rint(radius * np.cos(angles)).astype(np.int64)
    strength = np.zeros(heights.shape)
    _saddles(np.ascontiguousarray(heights, np.float64), rows, columns, radius, least, strength)
    return strength


@njit(nogil=True, cache=True)
def _saddles(z, rows, columns, radius, least, strength):  # type: ignore[no-untyped-def]
    height, width = z.shape
    n = len(rows)
    around = np.empty(n)
    for r in range(radius, height - radius):
        for c in range(radius, width - radius):
            here = z[r, c]
            side = 0
            first = 0
            changes = 0
            for k in range(n):
                off = z[r + rows[k], c + columns[k]] - here
                around[k] = off
                if np.isnan(off):
                    changes = -1
                    break
                now = 1 if off >= least else (-1 if off <= -least else 0)
                if now:
                    if side == 0:
                        first = now
                    elif now != side:
                        changes += 1
                    side = now
            if changes >= 0 and side != first:
                changes += 1
            if changes < 4:
                continue
            # Runs of higher and of lower ground: the second best of each kind counts.
            begin = 0
            while not (around[begin] >= least and around[begin - 1] < least):
                begin += 1
                if begin == n:
                    break
            if begin == n:
                continue
            best_up = second_up = best_down = second_down = 0.0
            run = 0.0
            side = 0
            for k in range(n + 1):
                off = around[(begin + k) % n] if k < n else 0.0
                now = 1 if off >= least else (-1 if off <= -least else side)
                if now != side or k == n:
                    if side > 0:
                        second_up = max(second_up, min(best_up, run))
                        best_up = max(best_up, run)
                    elif side < 0:
                        second_down = max(second_down, min(best_down, run))
                        best_down = max(best_down, run)
                    run = 0.0
                    side = now
                run = max(run, off * side)
            strength[r, c] = min(second_up, second_down)


def far_apart(
    columns: NDArray[np.int64], rows: NDArray[np.int64], shape: tuple[int, int], distance: float
) -> NDArray[np.bool_]:
    """Return which places are taken if each is taken that isn't too near to one taken before.

    Parameters
    ----------
    columns, rows : ndarray of int64, shape (n,)
        Places, the most important ones first.
    shape : tuple of int
        Rows and columns that the places lie in.
    distance : float
        Least distance, >= 1.

    Returns
    -------
    ndarray of bool, shape (n,)
        Which are taken.

    Examples
    --------
    >>> far_apart(np.array([0, 1, 3]), np.array([0, 0, 0]), (1, 4), 2.0).tolist()
    [True, False, True]
    """
    taken = np.zeros(len(columns), np.bool_)
    edge = max(1, int(distance))
    heads = np.full((shape[0] // edge + 1, shape[1] // edge + 1), -1, np.int64)
    _take(columns, rows, edge, distance * distance, heads, np.empty(len(columns), np.int64), taken)
    return taken


@njit(nogil=True, cache=True)
def _take(columns, rows, edge, squared, heads, others, taken):  # type: ignore[no-untyped-def]
    height, width = heads.shape
    for i in range(len(columns)):
        row = rows[i] // edge
        column = columns[i] // edge
        free = True
        for r in range(max(row - 2, 0), min(row + 3, height)):
            for c in range(max(column - 2, 0), min(column + 3, width)):
                j = heads[r, c]
                while j >= 0 and free:
                    dx = columns[j] - columns[i]
                    dy = rows[j] - rows[i]
                    free = dx * dx + dy * dy >= squared
                    j = others[j]
        if free:
            taken[i] = True
            others[i] = heads[row, column]
            heads[row, column] = i

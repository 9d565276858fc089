"""Patches of cells that hang together, and what lies along their rims."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]
    Labels = NDArray[np.int32]

# What a patch meets along its rim, as columns of a table of counts.
SMOOTH, DROP, RISE, EDGE, OTHER = range(5)

# How many cells a rim is looked across for the next larger patch: walls hide a strip of ground beside them.
_ACROSS = 4

# Rows of a band that a thread joins, at least.
_FEWEST_ROWS = 64

# Rows and columns of the eight neighbours.
_UP = (-1, 0, 1, 0, -1, -1, 1, 1)
_RIGHT = (0, -1, 0, 1, -1, 1, -1, 1)

FAR = 2.3
"""Points of cells so many sides apart, at most, can be neighbours: those of cells that touch, mostly."""


@njit(nogil=True, cache=True, error_model="numpy")
def _root(parent: Labels, i: int) -> int:
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@njit(nogil=True, cache=True, error_model="numpy")
def _join(
    x: Floats,
    y: Floats,
    z: Floats,
    member: Flags,
    most: float,
    step: float,
    rise: float,
    begin: int,
    end: int,
    last: int,
    parent: Labels,
) -> None:
    """Join the points of some rows, with those of these and the next two, up to row ``last``."""
    columns = z.shape[1]
    for r in range(begin, end):
        for c in range(columns):
            if not member[r, c]:
                continue
            a = _root(parent, r * columns + c)
            for r2 in range(r, min(last, r + 3)):
                for c2 in range(c + 1 if r2 == r else max(0, c - 2), min(columns, c + 3)):
                    # Most neighbours have been joined by now, through others.
                    if not member[r2, c2] or parent[r2 * columns + c2] == a:
                        continue
                    d2 = (x[r, c] - x[r2, c2]) ** 2 + (y[r, c] - y[r2, c2]) ** 2
                    if d2 <= most and abs(z[r, c] - z[r2, c2]) <= step + rise * np.sqrt(d2):
                        b = _root(parent, r2 * columns + c2)
                        # The smaller index is the root, so the result doesn't depend on the order of joining.
                        if a < b:
                            parent[b] = a
                        elif b < a:
                            parent[a] = b
                            a = b


@njit(nogil=True, cache=True, error_model="numpy")
def _number(member: Flags, parent: Labels, label: Labels) -> int:
    """Give patches their numbers, by their first cells; return how many there are."""
    rows, columns = member.shape
    count = 0
    for r in range(rows):
        for c in range(columns):
            i = r * columns + c
            if not member[r, c]:
                label[r, c] = -1
            elif parent[i] == i:
                label[r, c] = count
                count += 1
            else:
                j = _root(parent, i)
                label[r, c] = label[j // columns, j % columns]
    return count


def patches(
    x: Floats,
    y: Floats,
    z: Floats,
    member: Flags,
    *,
    cell: float,
    step: float,
    rise: float,
    threads: int = 1,
) -> tuple[NDArray[np.int32], int]:
    """Join neighbouring points whose heights differ little.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (rows, columns)
        One point a cell, m.
    member : ndarray of bool, shape (rows, columns)
        Which cells take part.
    cell : float
        Side of a cell, m. Points up to 2.3 sides apart are neighbours.
    step, rise : float
        Neighbours belong together if their heights differ by at most ``step`` (m) plus ``rise`` times their
        distance.
    threads : int
        Threads to use; the result doesn't depend on them.

    Returns
    -------
    label : ndarray of int32, shape (rows, columns)
        Number of each cell's patch, from 0; -1 where a cell takes no part.
    count : int
        How many patches there are.
    """
    label, rows = np.empty(z.shape, np.int32), len(z)
    parent = np.arange(z.size, dtype=np.int32)
    given = x, y, z, member, (FAR * cell) * (FAR * cell), step, rise
    bands = max(1, min(threads, rows // _FEWEST_ROWS))
    edges = [k * rows // bands for k in range(bands + 1)]
    if bands == 1:
        _join(*given, 0, rows, rows, parent)
    else:
        # Each band by itself, whose cells and their roots nobody else touches; then what lies across.
        with ThreadPoolExecutor(bands) as pool:
            for done in [pool.submit(_join, *given, a, b, b, parent) for a, b in pairwise(edges)]:
                done.result()
        for edge in edges[1:-1]:
            _join(*given, edge - 2, edge, rows, parent)
    return label, int(_number(member, parent, label))


@njit(nogil=True, cache=True, error_model="numpy")
def _island_rims(z: Floats, have: Flags, label: Labels, size: Floats, least: float, rim: Floats) -> None:
    rows, columns = z.shape
    for r in range(rows):
        for c in range(columns):
            own = label[r, c]
            if own < 0:
                continue
            for k in range(8):
                for s in range(1, 3):
                    r2, c2 = r + s * _UP[k], c + s * _RIGHT[k]
                    if r2 < 0 or c2 < 0 or r2 >= rows or c2 >= columns:
                        break
                    if not have[r2, c2]:
                        continue
                    met = label[r2, c2]
                    if met != own:
                        fall = z[r, c] - z[r2, c2]
                        larger = met >= 0 and size[met] > size[own]
                        what = OTHER
                        if larger and fall > least:
                            what = DROP
                        elif larger and fall < -least:
                            what = RISE
                        rim[own, what] += 1
                    break


def island_rims(
    z: Floats, have: Flags, label: Labels, size: NDArray[np.int64], *, least: float
) -> NDArray[np.float64]:
    """Count along each patch's rim where it lies above or below a larger one.

    From every cell of a patch the first cell with data is looked for in eight directions, at most two cells
    away.

    Parameters
    ----------
    z : ndarray of float64, shape (rows, columns)
        Heights, m.
    have : ndarray of bool, shape (rows, columns)
        Cells with data.
    label : ndarray of int32, shape (rows, columns)
        From :func:`patches`.
    size : ndarray, shape (n,)
        Cells of each patch.
    least : float
        A smaller height difference is no drop or rise, m.

    Returns
    -------
    ndarray of float64, shape (n, 5)
        Counts in the columns ``DROP``, ``RISE`` and ``OTHER``.
    """
    rim = np.zeros((len(size), 5))
    _island_rims(z, have, label, size.astype(np.float64), least, rim)
    return rim


@njit(nogil=True, cache=True, error_model="numpy")
def _shore(
    z: Floats, inside: Flags, label: Labels, size: Floats, least: float, rise: float, rim: Floats
) -> None:
    rows, columns = z.shape
    for r in range(rows):
        for c in range(columns):
            own = label[r, c]
            if own < 0:
                continue
            for k in range(8):
                for s in range(1, _ACROSS + 1):
                    r2, c2 = r + s * _UP[k], c + s * _RIGHT[k]
                    if r2 < 0 or c2 < 0 or r2 >= rows or c2 >= columns or not inside[r2, c2]:
                        rim[own, EDGE] += 1
                        break
                    if label[r2, c2] == own:
                        break
                    met = label[r2, c2]
                    if met >= 0 and size[met] > size[own]:
                        fall = z[r, c] - z[r2, c2]
                        what = SMOOTH
                        if fall > least + rise * s:
                            what = DROP
                        elif fall < -least - rise * s:
                            what = RISE
                        rim[own, what] += 1
                        break


def shore(
    z: Floats, inside: Flags, label: Labels, size: NDArray[np.int64], *, least: float, rise: float
) -> NDArray[np.float64]:
    """Count how each patch meets larger ones around it, across narrow strips that belong to neither.

    From every cell of a patch the next cell of a larger patch is looked for in eight directions, at most
    four cells away; cells of no patch or of smaller ones are stepped over.

    Parameters
    ----------
    z : ndarray of float64, shape (rows, columns)
        Heights, m.
    inside : ndarray of bool, shape (rows, columns)
        What the data cover; beyond it is the edge.
    label : ndarray of int32, shape (rows, columns)
        From :func:`patches`.
    size : ndarray, shape (n,)
        Cells of each patch.
    least, rise : float
        A height difference is a drop or a rise beyond ``least`` (m) plus ``rise`` (m) for every cell between.

    Returns
    -------
    ndarray of float64, shape (n, 5)
        Counts in the columns ``SMOOTH``, ``DROP``, ``RISE`` and ``EDGE``.
    """
    rim = np.zeros((len(size), 5))
    _shore(z, inside, label, size.astype(np.float64), least, rise, rim)
    return rim


@njit(nogil=True, cache=True, error_model="numpy")
def _region_rims(
    x: Floats,
    y: Floats,
    z: Floats,
    have: Flags,
    inside: Flags,
    ground: Flags,
    label: Labels,
    step: float,
    rise: float,
    rim: Floats,
) -> None:
    rows, columns = z.shape
    for r in range(rows):
        for c in range(columns):
            own = label[r, c]
            if own < 0:
                continue
            for k in range(8):
                what = OTHER
                for s in range(1, 3):
                    r2, c2 = r + s * _UP[k], c + s * _RIGHT[k]
                    if r2 < 0 or c2 < 0 or r2 >= rows or c2 >= columns or not inside[r2, c2]:
                        what = EDGE
                        break
                    if not have[r2, c2]:
                        continue
                    if label[r2, c2] == own:
                        what = -1
                    elif ground[r2, c2]:
                        fall = z[r, c] - z[r2, c2]
                        far = np.hypot(x[r, c] - x[r2, c2], y[r, c] - y[r2, c2])
                        what = SMOOTH if abs(fall) <= step + rise * far else (DROP if fall > 0 else RISE)
                    break
                if what >= 0:
                    rim[own, what] += 1


def region_rims(
    x: Floats,
    y: Floats,
    z: Floats,
    *,
    inside: Flags,
    ground: Flags,
    label: Labels,
    count: int,
    step: float,
    rise: float,
) -> NDArray[np.float64]:
    """Count what each patch that isn't ground yet meets along its rim.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (rows, columns)
        One point a cell, m; NaN where there is none.
    inside : ndarray of bool, shape (rows, columns)
        What the data cover; beyond it is the edge.
    ground : ndarray of bool, shape (rows, columns)
        Cells that are ground.
    label : ndarray of int32, shape (rows, columns)
        From :func:`patches`, of cells that are not ground.
    count : int
        Number of patches.
    step, rise : float
        A contact with ground is smooth if the heights differ by at most ``step`` (m) plus ``rise`` times the
        distance.

    Returns
    -------
    ndarray of float64, shape (count, 5)
        Counts in the columns ``SMOOTH``, ``DROP``, ``RISE``, ``EDGE`` and ``OTHER``.
    """
    rim = np.zeros((count, 5))
    _region_rims(x, y, z, ~np.isnan(z), inside, ground, label, step, rise, rim)
    return rim

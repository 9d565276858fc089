"""How much of each raster cell a polygon covers, and where the middle of the covered part lies: exactly."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


class Cover(NamedTuple):
    """What a polygon covers of the cells of a window; all in cells and from cell centres.

    Parameters
    ----------
    area : ndarray of float64, shape (rows, columns)
        Covered share, 0 to 1.
    x, y : ndarray of float64, shape (rows, columns)
        First moments of the covered part about the cell's centre: its centroid times its area.
    """

    area: Floats
    x: Floats
    y: Floats


@njit(nogil=True, cache=True, error_model="numpy")
def _add_piece(
    x0: float, y0: float, x1: float, y1: float, r: int, c: int, buffers: Floats, columns: int
) -> None:
    """Add what lies east of a piece of an edge that stays within one row and one column of cells.

    Everything is a polynomial of the piece's ends: the row's share that it spans goes to all cells east of
    it, and the part of its own cell that lies east of it to that cell.
    """
    # Heights and places about the centre of the cell.
    v0, v1 = y0 - (r + 0.5), y1 - (r + 0.5)
    up = v1 - v0
    if up == 0.0:
        return
    tall = 0.5 * (v1 * v1 - v0 * v0)
    if c >= columns:  # beyond the window
        return
    if c < 0:
        # All cells of the row lie east of it.
        buffers[3, r, 0] += up
        buffers[4, r, 0] += tall
        return
    u0, u1 = x0 - (c + 0.5), x1 - (c + 0.5)
    # Integrals along the piece of (1/2 - u), (1/4 - u^2) / 2 and v (1/2 - u), over v.
    mean = 0.5 * (u0 + u1)
    square = (u0 * u0 + u0 * u1 + u1 * u1) / 3.0
    buffers[0, r, c] += up * (0.5 - mean)
    buffers[1, r, c] += up * 0.5 * (0.25 - square)
    # v and u are linear along it: the mean of their product is (2 u0 v0 + u0 v1 + u1 v0 + 2 u1 v1) / 6.
    both = (2.0 * u0 * v0 + u0 * v1 + u1 * v0 + 2.0 * u1 * v1) / 6.0
    buffers[2, r, c] += 0.5 * tall - up * both
    if c + 1 < columns:
        buffers[3, r, c + 1] += up
        buffers[4, r, c + 1] += tall


@njit(nogil=True, cache=True, error_model="numpy")
def add_edge(ax: float, ay: float, bx: float, by: float, buffers: Floats) -> None:
    """Cut an edge at the borders of rows and columns, and add its pieces; for other kernels.

    Parameters
    ----------
    ax, ay, bx, by : float
        From where to where, in cells from the window's south-western corner.
    buffers : ndarray of float64, shape (5, rows, columns)
        Zeros at first; :func:`sum_up` makes covers of them.
    """
    rows, columns = buffers.shape[1], buffers.shape[2]
    if ay == by:
        return
    low, high = min(ay, by), max(ay, by)
    first, last = max(math.floor(low), 0), min(math.ceil(high), rows)
    slope = (bx - ax) / (by - ay)
    for r in range(first, last):
        # The part within the row, from the edge's start to its end.
        y0, y1 = max(low, float(r)), min(high, r + 1.0)
        if y0 >= y1:
            continue
        if by < ay:
            y0, y1 = y1, y0
        x0 = ax if y0 == ay else ax + (y0 - ay) * slope
        x1 = bx if y1 == by else ax + (y1 - ay) * slope
        step = 1 if x1 >= x0 else -1
        # What lies west of the window counts as one column, and so does what lies east.
        px, py = x0, y0
        c = math.floor(px) if step > 0 else math.ceil(px) - 1
        while True:
            border = c + 1.0 if step > 0 else float(c)
            done = border >= x1 if step > 0 else border <= x1
            if c < 0 and step > 0:
                border, done = 0.0, x1 <= 0.0
            elif c < 0:
                done = True
            elif c >= columns and step < 0:
                border, done = float(columns), x1 >= columns
            elif c >= columns:
                done = True
            if done:
                _add_piece(px, py, x1, y1, r, min(max(c, -1), columns), buffers, columns)
                break
            qy = y0 + (border - x0) / slope
            # Rounding must not carry it out of the row.
            qy = min(max(qy, min(py, y1)), max(py, y1))
            _add_piece(px, py, border, qy, r, min(max(c, -1), columns), buffers, columns)
            px, py = border, qy
            c = int(border) if step > 0 else int(border) - 1


@njit(nogil=True, cache=True, error_model="numpy")
def _add_ring(x: Floats, y: Floats, buffers: Floats) -> None:
    for i in range(len(x) - 1):
        add_edge(x[i], y[i], x[i + 1], y[i + 1], buffers)


@njit(nogil=True, cache=True, error_model="numpy")
def sum_up(buffers: Floats) -> None:
    """Turn what edges added into covered share and first moments (the first three buffers), in place."""
    rows, columns = buffers.shape[1], buffers.shape[2]
    for r in range(rows):
        cover = tall = 0.0
        for c in range(columns):
            cover += buffers[3, r, c]
            tall += buffers[4, r, c]
            # East of an edge that runs up lies the outside of a ring that runs against the clock.
            buffers[0, r, c] = 0.0 - (buffers[0, r, c] + cover)  # not -0
            buffers[1, r, c] = -buffers[1, r, c]
            buffers[2, r, c] = -(buffers[2, r, c] + tall)


def polygon_cover(rings: list[Floats], rows: int, columns: int) -> Cover:
    """Return what rings cover of a window of cells.

    Parameters
    ----------
    rings : list of ndarray of float64, shape (n, 2)
        Closed rings (the last place is the first) in cells from the window's south-western corner; outer ones
        against the clock, holes with it. They may reach beyond the window.
    rows, columns : int
        Size of the window.

    Returns
    -------
    Cover
        Row 0 is the southernmost.

    Notes
    -----
    Green's theorem: area and moments of a polygon are sums over its edges. Each edge is cut where it crosses
    borders of cells; what is summed along a piece is a polynomial, so that nothing is sampled.

    Examples
    --------
    >>> square = np.array([[0.5, 0.5], [2.0, 0.5], [2.0, 1.0], [0.5, 1.0], [0.5, 0.5]])
    >>> polygon_cover([square], 1, 3).area
    array([[0.25, 0.5 , 0.  ]])
    """
    buffers = np.zeros((5, rows, columns))
    for ring in rings:
        _add_ring(np.ascontiguousarray(ring[:, 0]), np.ascontiguousarray(ring[:, 1]), buffers)
    sum_up(buffers)
    return Cover(buffers[0], buffers[1], buffers[2])

"""Leaves out vertices of lines that say little, without ever letting lines touch."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Vertices that one straight piece may stand for.
_LONGEST = 64
_LEAST_OF_A_RING = 4


def vertices_kept(
    places: NDArray[np.float64],
    starts: NDArray[np.int64],
    closed: NDArray[np.bool_],
    tolerance: float,
    size: tuple[int, int],
) -> NDArray[np.bool_]:
    """Return which vertices of lines that don't touch can't be left out.

    From its beginning along each line, a vertex is left out if the straight piece that takes its place passes
    all vertices it stands for within the tolerance, and if no vertex of any line lies in the triangle between
    the old way and the new one. A line that would cross the new piece had to enter the triangle and to end or
    to turn in it; so lines that didn't touch before don't do so afterwards.

    Parameters
    ----------
    places : ndarray of float64, shape (n, 2)
        Column and row of each vertex; a ring's first vertex isn't repeated.
    starts : ndarray of int64, shape (m + 1,)
        Where each line begins, and the end of the last.
    closed : ndarray of bool, shape (m,)
        Which are rings: they keep four vertices.
    tolerance : float
        How far a vertex left out may lie from the line, in the unit of the places.
    size : tuple of int
        Columns and rows that the places lie in, from 0.

    Returns
    -------
    ndarray of bool, shape (n,)
        The ends of lines are always kept.

    Notes
    -----
    The opening window of Reumann and Witkam 1974 ("Optimizing curve segmentation in computer graphics") with
    all vertices checked; the empty triangle as in Visvalingam and Whyatt 1993, "Line generalisation by
    repeated elimination of points".

    Examples
    --------
    >>> bend = np.array([[0, 0], [1, 0.01], [2, 0], [3, 1]], float)
    >>> vertices_kept(bend, np.array([0, 4]), np.array([False]), 0.1, (4, 4)).tolist()
    [True, False, True, True]
    """
    kept = np.ones(len(places), np.bool_)
    if len(places) and tolerance > 0:
        columns, rows = size
        heads = np.full((rows + 1) * (columns + 1), -1, np.int32 if len(places) < 2**31 else np.int64)
        others = np.empty(len(places), heads.dtype)
        _into_cells(places, columns + 1, heads, others)
        _thin(places, starts, closed, tolerance, columns + 1, rows + 1, heads, others, kept)
    return kept


@njit(nogil=True, cache=True)
def _into_cells(places, columns, heads, others):  # type: ignore[no-untyped-def]
    for i in range(len(places)):
        cell = np.int64(places[i, 1]) * columns + np.int64(places[i, 0])
        others[i] = heads[cell]
        heads[cell] = i


@njit(nogil=True, cache=True)
def _free(  # type: ignore[no-untyped-def]
    places, a, b, c, columns, rows, heads, others, kept
):
    """Tell whether no vertex but its corners lies in a triangle or on its rim."""
    ax, ay, bx, by, cx, cy = (
        places[a, 0],
        places[a, 1],
        places[b, 0],
        places[b, 1],
        places[c, 0],
        places[c, 1],
    )
    turn = 1.0 if (bx - ax) * (cy - ay) - (by - ay) * (cx - ax) >= 0 else -1.0
    x0 = min(ax, bx, cx)
    x1 = max(ax, bx, cx)
    y0 = min(ay, by, cy)
    y1 = max(ay, by, cy)
    last_row = min(rows - 1, int(y1))
    last_column = min(columns - 1, int(x1))
    for row in range(int(y0), last_row + 1):
        for column in range(int(x0), last_column + 1):
            i = heads[row * columns + column]
            while i >= 0:
                if kept[i] and i not in (a, b, c):
                    x = places[i, 0]
                    y = places[i, 1]
                    # A little outside counts as inside: the signs are rounded.
                    if (
                        x0 <= x <= x1
                        and y0 <= y <= y1
                        and turn * ((bx - ax) * (y - ay) - (by - ay) * (x - ax)) >= -1e-9
                        and turn * ((cx - bx) * (y - by) - (cy - by) * (x - bx)) >= -1e-9
                        and turn * ((ax - cx) * (y - cy) - (ay - cy) * (x - cx)) >= -1e-9
                    ):
                        return False
                i = others[i]
    return True


@njit(nogil=True, cache=True)
def _near(places, a, first, beyond, c, squared):  # type: ignore[no-untyped-def]
    """Tell whether vertices lie near the straight piece from a to c."""
    ax = places[a, 0]
    ay = places[a, 1]
    dx = places[c, 0] - ax
    dy = places[c, 1] - ay
    length = dx * dx + dy * dy
    if length == 0:
        return False
    for i in range(first, beyond):
        x = places[i, 0] - ax
        y = places[i, 1] - ay
        along = min(max((x * dx + y * dy) / length, 0.0), 1.0)
        off_x = x - along * dx
        off_y = y - along * dy
        if off_x * off_x + off_y * off_y > squared:
            return False
    return True


@njit(nogil=True, cache=True)
def _thin(  # type: ignore[no-untyped-def]
    places, starts, closed, tolerance, columns, rows, heads, others, kept
):
    squared = tolerance * tolerance
    for line in range(len(starts) - 1):
        first = starts[line]
        beyond = starts[line + 1]
        left = beyond - first
        anchor = first
        last = beyond if closed[line] else beyond - 1
        for i in range(first + 1, last):
            following = i + 1 if i + 1 < beyond else first
            if (
                (closed[line] and left <= _LEAST_OF_A_RING)
                or i - anchor >= _LONGEST
                or following == anchor
                or not _near(places, anchor, anchor + 1, i + 1, following, squared)
                or not _free(places, anchor, i, following, columns, rows, heads, others, kept)
            ):
                anchor = i
            else:
                kept[i] = False
                left -= 1

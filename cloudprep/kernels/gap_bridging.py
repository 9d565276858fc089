"""Bridges small gaps of a raster with the Delaunay triangles of what lies around, found cell by cell.

Each cell has at most one point, so the raster itself says where points are: the triangle that holds the
centre of an empty cell is found from the few points around it, without triangulating the rest. It is the one
that the triangulation of all points has: starting from a triangle of three far corners, any point in its
circle takes the place of a corner, so that the triangle still holds the centre, until the circle holds none.
The lifted triangle sinks with each exchange over the centre, so that no triangle comes twice.

Whether a gap is bridged is a question of that circle: it has to be narrow. So the gaps that stay are those
into which a disc of the given width fits (the alpha shape of Edelsbrunner, Kirkpatrick and Seidel 1983, "On
the shape of a set of points in the plane"), nothing is drawn beyond the rim of the points, and how far away
points have to be known is bounded.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.predicates import EXTENT, in_circle
from cloudprep.kernels.tin_points import SUBSTEPS

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Far corners lie this many radii away: no circle that is narrow enough reaches them (it would take 2).
_FAR = 5
_SPARE = 2.0


def largest_radius() -> int:
    """Return the largest radius (steps) for which all tests are exact."""
    return EXTENT // (2 * _FAR) - 64


def cells_around(radius: float, cell: float) -> int:
    """Return how many cells around an empty one may matter.

    Parameters
    ----------
    radius, cell : float
        Radius of the widest circle, edge of a cell; in one unit.
    """
    return int(np.ceil(2 * radius / cell)) + 1


@njit(nogil=True, cache=True)
def _left(ax, ay, bx, by, qx, qy):  # type: ignore[no-untyped-def]
    """Tell whether q (in parts of a step) lies left of a, b (steps).

    On the line itself it is decided as if q were moved by an infinitesimal to the east, and by a smaller one
    to the north: so of all triangles that meet in q exactly one holds it.
    """
    ex = bx - ax
    ey = by - ay
    side = ex * (qy - SUBSTEPS * ay) - ey * (qx - SUBSTEPS * ax)
    if side != 0:
        return side > 0
    return ey < 0 or (ey == 0 and ex > 0)


@njit(nogil=True, cache=True)
def _in_conflict(ax, ay, bx, by, cx, cy, px, py):  # type: ignore[no-untyped-def]
    if (px == ax and py == ay) or (px == bx and py == by) or (px == cx and py == cy):
        return False
    return in_circle(
        np.float64(ax - px),
        np.float64(ay - py),
        np.float64(bx - px),
        np.float64(by - py),
        np.float64(cx - px),
        np.float64(cy - py),
    )


@njit(nogil=True, cache=True, error_model="numpy")
def _circle(ax, ay, bx, by, cx, cy):  # type: ignore[no-untyped-def]
    """Return centre and radius (steps), reckoned from the corner a."""
    bx -= ax
    by -= ay
    cx -= ax
    cy -= ay
    twice = np.float64(bx) * cy - np.float64(cx) * by
    b = np.float64(bx) * bx + np.float64(by) * by
    c = np.float64(cx) * cx + np.float64(cy) * cy
    x = (cy * b - by * c) / (2 * twice)
    y = (bx * c - cx * b) / (2 * twice)
    return ax + x, ay + y, np.sqrt(x * x + y * y)


@njit(nogil=True, cache=True)
def _earlier(ax, ay, bx, by):  # type: ignore[no-untyped-def]
    return ax < bx or (ax == bx and ay < by)


def bridge_gaps(
    values: NDArray[np.float64],
    x: NDArray[np.int32],
    y: NDArray[np.int32],
    columns: NDArray[np.int64],
    rows: NDArray[np.int64],
    part: tuple[int, int, int, int],
    radius: float,
    around: int,
    out: NDArray[np.float64],
) -> int:
    """Give empty cells the value of the triangle that holds their centre, where its circle is narrow.

    Parameters
    ----------
    values : ndarray of float64, shape (r, c)
        One value a cell, NaN where there is none.
    x, y : ndarray of int32, shape (r, c)
        Where each value was measured, in whole steps: within half a cell and a step of the cell's centre.
    columns, rows : ndarray of int64, shapes (c,) and (r,)
        Centres of the cells, in 1/256 of a step.
    part : tuple of int
        First row, first column, row and column beyond the last: the cells that are wanted. All cells that
        have values, and lie within ``around`` cells of them, are given.
    radius : float
        Of the widest circle, steps; at most :func:`largest_radius`.
    around : int
        See :func:`cells_around`.
    out : ndarray of float64, shape of the part
        Receives all values of the part, NaN where it stays empty.

    Returns
    -------
    int
        How many cells were bridged.

    Notes
    -----
    A value on a plane stays on it: interpolation is linear (by barycentric weights), at the places where the
    values were measured.
    """
    return int(_bridge(values, x, y, columns, rows, part, float(radius), around, out))


@njit(nogil=True, cache=True)
def _counted(values):  # type: ignore[no-untyped-def]
    """Return how many values lie below and left of each corner of the cells."""
    n_rows, n_columns = values.shape
    counts = np.zeros((n_rows + 1, n_columns + 1), np.int32)
    for r in range(n_rows):
        row = 0
        for c in range(n_columns):
            row += not np.isnan(values[r, c])
            counts[r + 1, c + 1] = counts[r, c + 1] + row
    return counts


@njit(nogil=True, cache=True)
def _number(counts, r, c, by):  # type: ignore[no-untyped-def]
    """Return how many values lie within some cells of one, diagonally too."""
    r0, r1 = max(r - by, 0), min(r + by + 1, counts.shape[0] - 1)
    c0, c1 = max(c - by, 0), min(c + by + 1, counts.shape[1] - 1)
    return counts[r1, c1] - counts[r0, c1] - counts[r1, c0] + counts[r0, c0]


@njit(nogil=True, cache=True, error_model="numpy")
def _bridge(values, x, y, columns, rows, part, radius, around, out):  # type: ignore[no-untyped-def]
    first_row, first_column, end_row, end_column = part
    n_rows, n_columns = values.shape
    pitch = 1.0
    if n_columns > 1:
        pitch = (columns[n_columns - 1] - columns[0]) / (SUBSTEPS * (n_columns - 1))
    elif n_rows > 1:
        pitch = (rows[n_rows - 1] - rows[0]) / (SUBSTEPS * (n_rows - 1))
    # Where no cell of this square has a value, none lies within the radius.
    reach = min(np.int64(np.ceil(radius / pitch)) + 1, around)
    counts = _counted(values)
    # For all that may be looked at from one cell: arrays that grow on the way cost counting who holds them.
    size = min(2 * around + 1, n_rows) * min(2 * around + 1, n_columns) + 1
    px, py, pz = np.empty(size, np.int64), np.empty(size, np.int64), np.empty(size)
    far = np.int64(_FAR * radius) + 8
    bridged = 0
    for r in range(first_row, end_row):
        qy = rows[r]
        for c in range(first_column, end_column):
            if not np.isnan(values[r, c]):
                out[r - first_row, c - first_column] = values[r, c]
                continue
            out[r - first_row, c - first_column] = np.nan
            if _number(counts, r, c, reach) == 0:
                continue
            qx = columns[c]
            mx = qx // SUBSTEPS
            my = qy // SUBSTEPS
            ax, ay, az = mx, my + far, np.nan
            bx, by, bz = mx - far, my - far, np.nan
            cx, cy, cz = mx + far, my - far, np.nan
            n = 0
            ring = 1
            x_c, y_c, radius_c = 0.0, 0.0, np.inf
            while ring <= around:
                # The points of the next ring of cells.
                first, beyond = max(r - ring, 0), min(r + ring, n_rows - 1) + 1
                if _number(counts, r, c, ring) == n:
                    first = beyond  # there are none
                for rr in range(first, beyond):
                    across = 1 if rr == r - ring or rr == r + ring else 2 * ring
                    for cc in range(c - ring, c + ring + 1, across):
                        if cc < 0 or cc >= n_columns:
                            continue
                        # Without a jump: a value is there or not as by chance.
                        px[n], py[n], pz[n] = x[rr, cc], y[rr, cc], values[rr, cc]
                        n += not np.isnan(values[rr, cc])
                # Exchange corners until none of the points so far lies in the circle.
                agreed = 0
                i = 0
                changed = False
                while agreed < n:
                    if _in_conflict(ax, ay, bx, by, cx, cy, px[i], py[i]):
                        of_a = _left(ax, ay, px[i], py[i], qx, qy)
                        of_b = _left(bx, by, px[i], py[i], qx, qy)
                        of_c = _left(cx, cy, px[i], py[i], qx, qy)
                        if of_b and not of_a:
                            cx, cy, cz = px[i], py[i], pz[i]
                        elif of_c and not of_b:
                            ax, ay, az = px[i], py[i], pz[i]
                        else:
                            bx, by, bz = px[i], py[i], pz[i]
                        agreed = 0
                        changed = True
                    agreed += 1
                    i += 1
                    if i == n:
                        i = 0
                if changed:
                    # From the corner that comes first, so that rounding doesn't hang on the way here.
                    if _earlier(bx, by, ax, ay) and _earlier(bx, by, cx, cy):
                        ax, ay, az, bx, by, bz, cx, cy, cz = bx, by, bz, cx, cy, cz, ax, ay, az
                    elif _earlier(cx, cy, ax, ay) and _earlier(cx, cy, bx, by):
                        ax, ay, az, bx, by, bz, cx, cy, cz = cx, cy, cz, ax, ay, az, bx, by, bz
                    x_c, y_c, radius_c = _circle(ax, ay, bx, by, cx, cy)
                # A circle within the rings looked at holds no other point.
                room = (ring + 0.5) * pitch - _SPARE
                dx = abs(x_c - qx / SUBSTEPS) + radius_c
                dy = abs(y_c - qy / SUBSTEPS) + radius_c
                if dx < room and dy < room:
                    break
                ring += 1
            if not radius_c <= radius or np.isnan(az + bz + cz):
                continue
            of_c = (bx - ax) * (qy - SUBSTEPS * ay) - (by - ay) * (qx - SUBSTEPS * ax)
            of_b = (ax - cx) * (qy - SUBSTEPS * cy) - (ay - cy) * (qx - SUBSTEPS * cx)
            area = np.float64((bx - ax) * (cy - ay) - (by - ay) * (cx - ax)) * SUBSTEPS
            share = ((bz - az) * np.float64(of_b) + (cz - az) * np.float64(of_c)) / area
            out[r - first_row, c - first_column] = az + share
            bridged += 1
    return bridged

"""Natural neighbour interpolation at cell centres, on Delaunay triangles of a part of the site.

A position put among the points would take a Voronoi cell of its own from the cells of its natural neighbours;
each counts by the area it would lose. The neighbours are the corners around the triangles whose circles
hold the position. Whether they are those of the whole site is told by the circles through the position and
each two of them in turn, whose centres are the corners of the position's Voronoi cell: where these hold no
other point of the site, no point elsewhere changes anything (were it put in, the triangles around the
position would stay, and with them what they replace).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.tin import SETTLED, UNSETTLED
from cloudprep.kernels.tin_circles import circle_known
from cloudprep.kernels.tin_points import SUBSTEPS
from cloudprep.kernels.triangulation_mesh import STRIDE

if TYPE_CHECKING:
    from numpy.typing import NDArray

_TWIN = 4
_SIDE = 7
# Against rounding of circles and of what is known, steps.
_SPARE = 2.0


def natural_heights(
    steps: NDArray[np.float64],
    z: NDArray[np.float64],
    mesh: NDArray[np.int32],
    columns: NDArray[np.int64],
    rows: NDArray[np.int64],
    radius: float,
    known: NDArray[np.float64],
    site: NDArray[np.float64],
    heights: NDArray[np.float64],
    state: NDArray[np.uint8],
) -> None:
    """Settle grid positions from their natural neighbours, where the whole site would give the same.

    A position whose Voronoi cell reaches farther than ``radius``, one on a point, and one on the rim of all
    points is settled without a height: it has to come from the triangle that holds it.

    Parameters
    ----------
    steps : ndarray of float64, shape (n, 2)
        Whole-number coordinates of all points of the part, and maybe some of elsewhere.
    z : ndarray of float64, shape (n,)
        Heights; NaN for points of elsewhere.
    mesh : ndarray of int32
        Their Delaunay triangles as a mesh, as much of it as is in use; not empty.
    columns, rows : ndarray of int64, shapes (c,) and (r,)
        Positions in x and y, ascending, in 1/256 of a step, within the part.
    radius : float
        How far the Voronoi cell of a position may reach, steps.
    known : ndarray of float64, shape (4,)
        The part (least x and y, greatest x and y, steps, inclusive); infinite where the site ends.
    site : ndarray of float64, shape (4,)
        The rectangle outside which the site has no points, steps.
    heights : ndarray of float64, shape (r, c)
        Filled in place where settled with a height.
    state : ndarray of uint8, shape (r, c)
        ``UNSETTLED`` positions are looked at, and changed in place to ``SETTLED``.

    Notes
    -----
    Sibson 1981, "A brief description of natural neighbour interpolation"; the coordinates of Sibson 1980, "A
    vector identity for the Dirichlet tessellation", so that a plane comes out as a plane. Every sum is taken
    in an order that depends on the points alone.
    """
    _settle(
        np.ascontiguousarray(steps).ravel(),
        z,
        mesh,
        columns,
        rows,
        float(radius),
        known,
        site,
        heights,
        state,
    )


@njit(nogil=True, cache=True)
def _walk(sites, mesh, start, qx, qy):  # type: ignore[no-untyped-def]
    """Walk to a triangle that holds a position, or to a ghost that it sees; exact."""
    base = start
    while True:
        a = mesh[base]
        b = mesh[base + 1]
        c = mesh[base + 2]
        if (a | b | c) < 0:
            return base
        ax = np.int64(sites[2 * a])
        ay = np.int64(sites[2 * a + 1])
        bx = np.int64(sites[2 * b])
        by = np.int64(sites[2 * b + 1])
        cx = np.int64(sites[2 * c])
        cy = np.int64(sites[2 * c + 1])
        ux, uy = qx - SUBSTEPS * ax, qy - SUBSTEPS * ay
        vx, vy = qx - SUBSTEPS * bx, qy - SUBSTEPS * by
        wx, wy = qx - SUBSTEPS * cx, qy - SUBSTEPS * cy
        if (bx - ax) * uy - (by - ay) * ux < 0:
            twin = mesh[base + _TWIN]
        elif (cx - bx) * vy - (cy - by) * vx < 0:
            twin = mesh[base + 1 + _TWIN]
        elif (ax - cx) * wy - (ay - cy) * wx < 0:
            twin = mesh[base + 2 + _TWIN]
        else:
            return base
        base = twin - (twin & _SIDE)


@njit(nogil=True, cache=True)
def _after(half_edge):  # type: ignore[no-untyped-def]
    return half_edge + 1 if (half_edge & _SIDE) < 2 else half_edge - 2


@njit(nogil=True, cache=True)
def _corners(sites, mesh, base, qx, qy):  # type: ignore[no-untyped-def]
    """Return a triangle's corners in parts of a step from a position, from the one first in (x, y) on."""
    a = mesh[base]
    b = mesh[base + 1]
    c = mesh[base + 2]
    ax, ay = sites[2 * a], sites[2 * a + 1]
    bx, by = sites[2 * b], sites[2 * b + 1]
    cx, cy = sites[2 * c], sites[2 * c + 1]
    if (bx < ax or (bx == ax and by < ay)) and (bx < cx or (bx == cx and by < cy)):
        ax, ay, bx, by, cx, cy = bx, by, cx, cy, ax, ay
    elif (cx < ax or (cx == ax and cy < ay)) and (cx < bx or (cx == bx and cy < by)):
        ax, ay, bx, by, cx, cy = cx, cy, ax, ay, bx, by
    return (
        ax * SUBSTEPS - qx,
        ay * SUBSTEPS - qy,
        bx * SUBSTEPS - qx,
        by * SUBSTEPS - qy,
        cx * SUBSTEPS - qx,
        cy * SUBSTEPS - qy,
    )


@njit(nogil=True, cache=True)
def _holds_zero(ax, ay, bx, by, cx, cy):  # type: ignore[no-untyped-def]
    """Tell whether the circle of a counterclockwise triangle holds the zero, by rounded reckoning.

    Where rounding decides, the area that is won or lost by it is as small as rounding.
    """
    a = ax * ax + ay * ay
    b = bx * bx + by * by
    c = cx * cx + cy * cy
    return a * (bx * cy - cx * by) + b * (cx * ay - ax * cy) + c * (ax * by - bx * ay) > 0


@njit(nogil=True, cache=True)
def _centre(ax, ay, bx, by, cx, cy):  # type: ignore[no-untyped-def]
    """Return the centre of the circle through three places."""
    bx -= ax
    by -= ay
    cx -= ax
    cy -= ay
    half = 0.5 / (bx * cy - cx * by)
    b = bx * bx + by * by
    c = cx * cx + cy * cy
    return ax + (cy * b - by * c) * half, ay + (bx * c - cx * b) * half


@njit(nogil=True, cache=True)
def _known(ax, ay, bx, by, x, y, known, site):  # type: ignore[no-untyped-def]
    x0, y0, x1, y1 = known[0], known[1], known[2], known[3]
    return circle_known(ax, ay, bx, by, x, y, x0, y0, x1, y1, site[0], site[1], site[2], site[3])


@njit(nogil=True, cache=True)
def _settle(sites, z, mesh, columns, rows, radius, known, site, heights, state):  # type: ignore[no-untyped-def]
    size = 64
    cavity = np.empty(size, np.int64)
    centre_x = np.empty(size, np.float64)
    centre_y = np.empty(size, np.float64)
    ring = np.empty(size, np.int64)
    new_x = np.empty(size, np.float64)
    new_y = np.empty(size, np.float64)
    # When a triangle was last found to be in a cavity, and which of the cavity's it was.
    when = np.zeros(len(mesh) // STRIDE, np.int64)
    which = np.zeros(len(mesh) // STRIDE, np.int32)
    start = 0
    while (mesh[start] | mesh[start + 1] | mesh[start + 2]) < 0:
        start += STRIDE
    stamp = 0
    most = radius * SUBSTEPS
    for r in range(len(rows)):
        qy = rows[r]
        for column in range(len(columns)):
            if state[r, column] != UNSETTLED:
                continue
            qx = columns[column]
            x = qx / SUBSTEPS
            y = qy / SUBSTEPS
            # All that may lie in circles that are narrow enough.
            reach = 2 * radius + _SPARE
            decides = (
                x - reach >= known[0]
                and y - reach >= known[1]
                and x + reach <= known[2]
                and y + reach <= known[3]
            )
            base = _walk(sites, mesh, start, qx, qy)
            if (mesh[base] | mesh[base + 1] | mesh[base + 2]) < 0:
                if decides:
                    state[r, column] = SETTLED
                continue
            start = base
            on_point = False
            for k in range(3):
                corner = mesh[base + k]
                on_point |= sites[2 * corner] * SUBSTEPS == qx and sites[2 * corner + 1] * SUBSTEPS == qy
            if on_point:
                state[r, column] = SETTLED
                continue
            # The triangles whose circles hold the position, from the one that holds it itself.
            stamp += 1
            rim = 0
            first_edge = np.int64(-1)
            cavity[0] = base
            when[base // STRIDE] = stamp
            which[base // STRIDE] = 0
            n = 1
            k = 0
            while k < n:
                own = cavity[k]
                centre_x[k], centre_y[k] = _centre(*_corners(sites, mesh, own, qx, qy))
                for side in range(3):
                    twin = mesh[own + side + _TWIN]
                    other = np.int64(twin - (twin & _SIDE))
                    if when[other // STRIDE] == stamp:
                        continue
                    ghost = (mesh[other] | mesh[other + 1] | mesh[other + 2]) < 0
                    if not ghost and _holds_zero(*_corners(sites, mesh, other, qx, qy)):
                        if n + 4 >= size:
                            cavity = np.concatenate((cavity, cavity))
                            centre_x = np.concatenate((centre_x, centre_x))
                            centre_y = np.concatenate((centre_y, centre_y))
                            ring = np.concatenate((ring, ring))
                            new_x = np.concatenate((new_x, new_x))
                            new_y = np.concatenate((new_y, new_y))
                            size *= 2
                        cavity[n] = other
                        when[other // STRIDE] = stamp
                        which[other // STRIDE] = n
                        n += 1
                k += 1
            # Its rim, counterclockwise from the corner that is first in (x, y).
            best_x, best_y = np.inf, np.inf
            for k in range(n):
                own = cavity[k]
                for side in range(3):
                    twin = mesh[own + side + _TWIN]
                    if when[(twin - (twin & _SIDE)) // STRIDE] == stamp:
                        continue
                    rim += 1
                    corner = mesh[own + side]
                    px, py = sites[2 * corner], sites[2 * corner + 1]
                    if px < best_x or (px == best_x and py < best_y):
                        best_x, best_y = px, py
                        first_edge = own + side
            fair = rim == n + 2
            edge = first_edge
            m = 0
            while fair and m < rim:
                ring[m] = edge
                m += 1
                edge = _after(edge)
                while True:
                    twin = np.int64(mesh[edge + _TWIN])
                    if when[(twin - (twin & _SIDE)) // STRIDE] != stamp:
                        break
                    edge = _after(twin)
                if edge == first_edge:
                    break
            fair = fair and m == rim and edge == first_edge
            # The corners of the new Voronoi cell.
            narrow = True
            settled = True
            whole = True
            k = 0
            while fair and k < m:
                a = mesh[ring[k]]
                b = mesh[_after(ring[k])]
                ax, ay = sites[2 * a], sites[2 * a + 1]
                bx, by = sites[2 * b], sites[2 * b + 1]
                ux, uy = ax * SUBSTEPS - qx, ay * SUBSTEPS - qy
                vx, vy = bx * SUBSTEPS - qx, by * SUBSTEPS - qy
                if not ux * vy - vx * uy > 0:
                    fair = False
                    break
                whole = whole and not np.isnan(z[a])
                # The position is one of the three places, and the zero.
                half = 0.5 / (ux * vy - vx * uy)
                u = ux * ux + uy * uy
                v = vx * vx + vy * vy
                new_x[k] = (vy * u - uy * v) * half
                new_y[k] = (ux * v - vx * u) * half
                wide = np.sqrt(new_x[k] * new_x[k] + new_y[k] * new_y[k])
                narrow = narrow and wide <= most
                if settled:
                    cx, cy, cr = x + new_x[k] / SUBSTEPS, y + new_y[k] / SUBSTEPS, wide / SUBSTEPS + _SPARE
                    inside = (
                        cx - cr >= known[0]
                        and cy - cr >= known[1]
                        and cx + cr <= known[2]
                        and cy + cr <= known[3]
                    )
                    settled = inside or _known(ax, ay, bx, by, x, y, known, site)
                k += 1
            # Not fair: on the rim of all points, or so near an edge that rounding tells otherwise.
            if not fair or not settled:
                if decides:
                    state[r, column] = SETTLED
                continue
            if not whole and narrow:
                continue
            state[r, column] = SETTLED
            if not narrow:
                continue
            # What each neighbour loses: new corners outside, the old ones of its Voronoi cell inside.
            z0 = z[mesh[ring[0]]]
            total = 0.0
            sum_z = 0.0
            for k in range(m):
                before = ring[k - 1] if k > 0 else ring[m - 1]
                px, py = new_x[k - 1 if k > 0 else m - 1], new_y[k - 1 if k > 0 else m - 1]
                area = px * new_y[k] - py * new_x[k]
                # From the triangle of the edge that comes in to that of the edge that goes out.
                step = before
                own = which[step // STRIDE]
                lx, ly = centre_x[own], centre_y[own]
                area += lx * py - ly * px
                step = _after(step)
                while step != ring[k]:
                    step = _after(np.int64(mesh[step + _TWIN]))
                    own = which[step // STRIDE]
                    area += centre_x[own] * ly - centre_y[own] * lx
                    lx, ly = centre_x[own], centre_y[own]
                area += new_x[k] * ly - new_y[k] * lx
                total += area
                sum_z += area * (z[mesh[ring[k]]] - z0)
            if total > 0:
                heights[r, column] = z0 + sum_z / total

"""Heights of a triangulated irregular network at cell centres: scan conversion with exact edges."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.tin_circles import circle_known
from cloudprep.kernels.tin_points import SUBSTEPS
from cloudprep.kernels.triangulation_mesh import STRIDE

if TYPE_CHECKING:
    from numpy.typing import NDArray

UNSETTLED = 0
SETTLED = 1
_UNBOUNDED = np.array([-np.inf, -np.inf, np.inf, np.inf])
_ALL = np.empty(0, np.int32)


def tin_heights(
    steps: NDArray[np.float64],
    z: NDArray[np.float64],
    triangles: NDArray[np.int32],
    columns: NDArray[np.int64],
    rows: NDArray[np.int64],
    longest_edge: float = np.inf,
) -> NDArray[np.float64]:
    """Return the height of the triangle that holds each grid position; NaN where there is none.

    Which triangle holds a position is decided in whole numbers. A position on an edge gets its height from
    the edge's two ends alone and one on a corner the corner's height, so the triangles on either side agree
    to the bit, and the order of triangles and of their corners has no effect.

    Parameters
    ----------
    steps : ndarray of float64, shape (n, 2)
        Whole-number coordinates, all within 2^26 of each other.
    z : ndarray of float64, shape (n,)
        Heights.
    triangles : ndarray of int32, shape (m, 3)
        Corners, counterclockwise.
    columns, rows : ndarray of int64, shapes (c,) and (r,)
        Positions in x and y, ascending, in 1/256 of a step.
    longest_edge : float
        Triangles with a longer edge (steps) are left out.

    Returns
    -------
    ndarray of float64, shape (r, c)
        Heights; row 0 belongs to ``rows[0]``.

    Notes
    -----
    Linear interpolation by barycentric weights; edge functions after Pineda 1988, "A parallel algorithm for
    polygon rasterization".
    """
    heights = np.full((len(rows), len(columns)), np.nan)
    if len(triangles) and heights.size:
        before = (places_before(steps[:, 0], columns), places_before(steps[:, 1], rows))
        sites = np.ascontiguousarray(steps).ravel()
        state = np.zeros(heights.shape, np.uint8)
        corners = np.ascontiguousarray(triangles, np.int32).ravel()
        limit = squared_limit(longest_edge)
        everywhere = (_UNBOUNDED, _UNBOUNDED)
        _scan(
            corners,
            3,
            _ALL,
            False,
            sites,
            z,
            columns,
            rows,
            *before,
            limit,
            *everywhere,
            heights,
            state,
            _ALL,
        )
    return heights


def mesh_heights(
    steps: NDArray[np.float64],
    z: NDArray[np.float64],
    mesh: NDArray[np.int32],
    columns: NDArray[np.int64],
    rows: NDArray[np.int64],
    longest_edge: float,
    known: NDArray[np.float64],
    site: NDArray[np.float64],
    heights: NDArray[np.float64],
    state: NDArray[np.uint8],
    chosen: NDArray[np.int32] | None = None,
) -> NDArray[np.int32]:
    """Settle grid positions by the triangles of a part of the site, where these are triangles of the whole.

    A position is settled by a triangle that holds it and whose circle holds no other point of the site: it
    has the height that :func:`tin_heights` would give it, or none where the triangle has too long an edge.
    (One on the very edge of a triangle that is too long stays unsettled: the one beyond may be shorter.)

    Parameters
    ----------
    steps, z, columns, rows, longest_edge
        As for :func:`tin_heights`; all points of the part, and maybe some of elsewhere. A triangle whose
        corner has no height (NaN) settles nothing unless it is too long.
    mesh : ndarray of int32
        Their triangles as a mesh, as much of it as is in use.
    known : ndarray of float64, shape (4,)
        The part (least x and y, greatest x and y, steps, inclusive); infinite where the site ends.
    site : ndarray of float64, shape (4,)
        The rectangle outside which the site has no points, steps.
    heights : ndarray of float64, shape (r, c)
        Filled in place where settled with a height.
    state : ndarray of uint8, shape (r, c)
        ``UNSETTLED`` positions are looked at, and changed in place to ``SETTLED``.
    chosen : ndarray of int32, optional
        Places in the mesh of triangles that are known to be triangles of the whole site; only they are looked
        at. By default all are, and their circles are held against what is known.

    Returns
    -------
    ndarray of int32
        Places in the mesh of triangles that hold unsettled positions and may or may not be the site's.
    """
    before = (places_before(steps[:, 0], columns), places_before(steps[:, 1], rows))
    doubtful = np.empty(1024, np.int32)
    which = _ALL if chosen is None else chosen
    given = chosen is not None
    if given and len(which) == 0:
        return _ALL
    rest = (
        steps.ravel(),
        z,
        columns,
        rows,
        *before,
        squared_limit(longest_edge),
        known,
        site,
        heights,
        state,
    )
    while True:
        n = _scan(mesh, STRIDE, which, given, *rest, doubtful)
        if n <= len(doubtful):
            return doubtful[:n]
        # Settled positions stay so, and the rest is looked at once more.
        doubtful = np.empty(2 * n, np.int32)


def squared_limit(longest_edge: float) -> float:
    """Return what squared edges are held against; longer than any edge can be is no limit."""
    return min(longest_edge, 2.0**27) ** 2


@njit(nogil=True, cache=True)
def places_before(coordinates, positions):  # type: ignore[no-untyped-def]
    """Return for each coordinate (whole steps) how many of the ascending positions lie before it."""
    n = len(positions)
    first = positions[0]
    pitch = max(1.0, (positions[n - 1] - first) / max(n - 1, 1))
    places = np.empty(len(coordinates), np.int32)
    for i in range(len(coordinates)):
        value = np.int64(coordinates[i]) * SUBSTEPS
        place = np.int64(min(max((value - first) / pitch, 0.0), np.float64(n)))
        while place > 0 and positions[place - 1] >= value:
            place -= 1
        while place < n and positions[place] < value:
            place += 1
        places[i] = place
    return places


@njit(nogil=True, cache=True)
def _earlier(ax, ay, bx, by):  # type: ignore[no-untyped-def]
    return ax < bx or (ax == bx and ay < by)


@njit(nogil=True, cache=True)
def _on_edge(x, y, ax, ay, za, bx, by, zb):  # type: ignore[no-untyped-def]
    """Return the height on an edge, reckoned from its earlier end along its longer direction."""
    if _earlier(bx, by, ax, ay):
        ax, ay, za, bx, by, zb = bx, by, zb, ax, ay, za
    px = np.int64(ax) * SUBSTEPS
    py = np.int64(ay) * SUBSTEPS
    dx = np.int64(bx) * SUBSTEPS - px
    dy = np.int64(by) * SUBSTEPS - py
    if x - px == dx and y - py == dy:
        return zb
    if abs(dx) >= abs(dy):
        return za + (zb - za) * (np.float64(x - px) / np.float64(dx))
    return za + (zb - za) * (np.float64(y - py) / np.float64(dy))


@njit(nogil=True, cache=True)
def _scan(  # type: ignore[no-untyped-def]
    corners,
    stride,
    chosen,
    given,
    sites,
    z,
    columns,
    rows,
    before_x,
    before_y,
    limit,
    known,
    site,
    heights,
    state,
    doubtful,
):
    """Go over triangles and settle what they hold; return how many are doubtful (maybe more than noted)."""
    n_columns = columns.size
    n_rows = rows.size
    n_doubtful = 0
    count = chosen.size if given else corners.size // stride
    x0, y0, x1, y1 = known[0], known[1], known[2], known[3]
    left, bottom, right, top = site[0], site[1], site[2], site[3]
    for t in range(count):
        base = np.uint64(chosen[t]) if given else np.uint64(t * stride)
        corner_a = corners[base]
        corner_b = corners[base + np.uint64(1)]
        corner_c = corners[base + np.uint64(2)]
        if (corner_a | corner_b | corner_c) < 0:
            continue  # a ghost
        a = np.uint64(corner_a)
        b = np.uint64(corner_b)
        c = np.uint64(corner_c)
        # The positions between the lowest and the highest corner; one on the highest corner counts too.
        r0 = min(before_y[a], before_y[b], before_y[c])
        r1 = max(before_y[a], before_y[b], before_y[c])
        c0 = min(before_x[a], before_x[b], before_x[c])
        c1 = max(before_x[a], before_x[b], before_x[c])
        if r0 == n_rows or c0 == n_columns:
            continue
        ax = sites[np.uint64(2) * a]
        ay = sites[np.uint64(2) * a + np.uint64(1)]
        bx = sites[np.uint64(2) * b]
        by = sites[np.uint64(2) * b + np.uint64(1)]
        cx = sites[np.uint64(2) * c]
        cy = sites[np.uint64(2) * c + np.uint64(1)]
        if r1 == n_rows or rows[r1] > np.int64(max(ay, by, cy)) * SUBSTEPS:
            r1 -= 1
        if c1 == n_columns or columns[c1] > np.int64(max(ax, bx, cx)) * SUBSTEPS:
            c1 -= 1
        if r0 > r1 or c0 > c1:
            continue
        abx = np.int64(bx - ax)
        aby = np.int64(by - ay)
        bcx = np.int64(cx - bx)
        bcy = np.int64(cy - by)
        cax = np.int64(ax - cx)
        cay = np.int64(ay - cy)
        # Each edge's function of a place is the edge crossed with the way there: 61 bits, and exact.
        offset_c = (aby * np.int64(ax) - abx * np.int64(ay)) * SUBSTEPS
        offset_a = (bcy * np.int64(bx) - bcx * np.int64(by)) * SUBSTEPS
        offset_b = (cay * np.int64(cx) - cax * np.int64(cy)) * SUBSTEPS
        reckoned = False
        useless = False
        for r in range(r0, r1 + 1):
            y = rows[np.uint64(r)]
            of_c = abx * y + offset_c
            of_a = bcx * y + offset_a
            of_b = cax * y + offset_b
            for column in range(c0, c1 + 1):
                x = columns[np.uint64(column)]
                weight_c = of_c - aby * x
                weight_a = of_a - bcy * x
                weight_b = of_b - cay * x
                if (weight_a | weight_b | weight_c) < 0:
                    continue
                if state[np.uint64(r), np.uint64(column)] != UNSETTLED:
                    continue
                if not reckoned:  # what only triangles need that hold a position: the fewer ones
                    reckoned = True
                    ab = (bx - ax) * (bx - ax) + (by - ay) * (by - ay)
                    bc = (cx - bx) * (cx - bx) + (cy - by) * (cy - by)
                    ca = (ax - cx) * (ax - cx) + (ay - cy) * (ay - cy)
                    too_long = max(ab, bc, ca) > limit
                    za = z[a]
                    zb = z[b]
                    zc = z[c]
                    area = np.float64(cax * aby - abx * cay) * SUBSTEPS
                    # Weights are reckoned from the corner that comes first in (x, y), so that rounding is
                    # the same however the triangle is written down.
                    b_first = _earlier(bx, by, ax, ay) and _earlier(bx, by, cx, cy)
                    c_first = _earlier(cx, cy, ax, ay) and _earlier(cx, cy, bx, by)
                    if not too_long and np.isnan(za + zb + zc):
                        useless = True
                        break
                    if not given and not circle_known(
                        ax, ay, bx, by, cx, cy, x0, y0, x1, y1, left, bottom, right, top
                    ):
                        if n_doubtful < doubtful.size:
                            doubtful[n_doubtful] = base
                        n_doubtful += 1
                        useless = True
                        break
                if too_long:
                    if weight_a != 0 and weight_b != 0 and weight_c != 0:
                        state[np.uint64(r), np.uint64(column)] = SETTLED
                    continue
                if weight_c == 0:
                    height = _on_edge(x, y, ax, ay, za, bx, by, zb)
                elif weight_a == 0:
                    height = _on_edge(x, y, bx, by, zb, cx, cy, zc)
                elif weight_b == 0:
                    height = _on_edge(x, y, cx, cy, zc, ax, ay, za)
                elif b_first:
                    height = zb + ((zc - zb) * np.float64(weight_c) + (za - zb) * np.float64(weight_a)) / area
                elif c_first:
                    height = zc + ((za - zc) * np.float64(weight_a) + (zb - zc) * np.float64(weight_b)) / area
                else:
                    height = za + ((zb - za) * np.float64(weight_b) + (zc - za) * np.float64(weight_c)) / area
                heights[np.uint64(r), np.uint64(column)] = height
                state[np.uint64(r), np.uint64(column)] = SETTLED
            if useless:
                break
    return n_doubtful

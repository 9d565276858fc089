"""Heights of a triangulated irregular network at cell centres: scan conversion with exact edges."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numba import njit

from cloudprep.kernels.tin_points import SUBSTEPS

if TYPE_CHECKING:
    from numpy.typing import NDArray


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
        before_x = np.searchsorted(columns, steps[:, 0].astype(np.int64) * SUBSTEPS).astype(np.int32)
        before_y = np.searchsorted(rows, steps[:, 1].astype(np.int64) * SUBSTEPS).astype(np.int32)
        limit = min(longest_edge, 2.0**27) ** 2
        _scan(
            np.ascontiguousarray(steps).ravel(),
            z,
            triangles,
            columns,
            rows,
            before_x,
            before_y,
            limit,
            heights,
        )
    return heights


@njit(nogil=True, cache=True)
def _earlier(ax, ay, bx, by):  # type: ignore[no-untyped-def]
    return ax < bx or (ax == bx and ay < by)


@njit(nogil=True, cache=True)
def _on_edge(x, y, ax, ay, za, bx, by, zb):  # type: ignore[no-untyped-def]
    """Return the height on an edge, reckoned from its earlier end along its longer direction."""
    if _earlier(bx, by, ax, ay):
        ax, ay, za, bx, by, zb = bx, by, zb, ax, ay, za
    if x == bx and y == by:
        return zb
    dx = bx - ax
    dy = by - ay
    if abs(dx) >= abs(dy):
        return za + (zb - za) * (np.float64(x - ax) / np.float64(dx))
    return za + (zb - za) * (np.float64(y - ay) / np.float64(dy))


@njit(nogil=True, cache=True)
def _scan(sites, z, triangles, columns, rows, before_x, before_y, limit, heights):  # type: ignore[no-untyped-def]
    n_columns = columns.size
    n_rows = rows.size
    for t in range(triangles.shape[0]):
        a = np.uint64(triangles[t, 0])
        b = np.uint64(triangles[t, 1])
        c = np.uint64(triangles[t, 2])
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
        ab = (bx - ax) * (bx - ax) + (by - ay) * (by - ay)
        bc = (cx - bx) * (cx - bx) + (cy - by) * (cy - by)
        ca = (ax - cx) * (ax - cx) + (ay - cy) * (ay - cy)
        if max(ab, bc, ca) > limit:
            continue
        # Weights are reckoned from the corner that comes first in (x, y), so that rounding is the same
        # however the triangle is written down.
        if _earlier(bx, by, ax, ay) and _earlier(bx, by, cx, cy):
            a, b, c = b, c, a
            ax, ay, bx, by, cx, cy = bx, by, cx, cy, ax, ay
        elif _earlier(cx, cy, ax, ay) and _earlier(cx, cy, bx, by):
            a, b, c = c, a, b
            ax, ay, bx, by, cx, cy = cx, cy, ax, ay, bx, by
        za = z[a]
        zb = z[b]
        zc = z[c]
        abx = np.int64(bx - ax)
        aby = np.int64(by - ay)
        bcx = np.int64(cx - bx)
        bcy = np.int64(cy - by)
        cax = np.int64(ax - cx)
        cay = np.int64(ay - cy)
        area = np.float64(cax * aby - abx * cay) * SUBSTEPS
        Ax = np.int64(ax) * SUBSTEPS
        Ay = np.int64(ay) * SUBSTEPS
        Bx = np.int64(bx) * SUBSTEPS
        By = np.int64(by) * SUBSTEPS
        Cx = np.int64(cx) * SUBSTEPS
        Cy = np.int64(cy) * SUBSTEPS
        for r in range(r0, r1 + 1):
            y = rows[np.uint64(r)]
            of_c = abx * (y - Ay)
            of_a = bcx * (y - By)
            of_b = cax * (y - Cy)
            for column in range(c0, c1 + 1):
                x = columns[np.uint64(column)]
                weight_c = of_c - aby * (x - Ax)
                weight_a = of_a - bcy * (x - Bx)
                weight_b = of_b - cay * (x - Cx)
                if (weight_a | weight_b | weight_c) < 0:
                    continue
                if weight_c == 0:
                    height = _on_edge(x, y, Ax, Ay, za, Bx, By, zb)
                elif weight_a == 0:
                    height = _on_edge(x, y, Bx, By, zb, Cx, Cy, zc)
                elif weight_b == 0:
                    height = _on_edge(x, y, Cx, Cy, zc, Ax, Ay, za)
                else:
                    height = za + ((zb - za) * np.float64(weight_b) + (zc - za) * np.float64(weight_c)) / area
                heights[r, column] = height

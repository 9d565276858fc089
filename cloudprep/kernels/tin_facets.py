"""Which points may join a triangulated network: tests of a point against the facets around it.

References
----------
P. Axelsson, "DEM generation from laser scanner data using adaptive TIN models", International Archives of
Photogrammetry and Remote Sensing 33(B4), 110-117, 2000.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]
    Indices = NDArray[np.int64]


@njit(nogil=True, cache=True, error_model="numpy")
def fits_facet(
    px: float,
    py: float,
    pz: float,
    ax: float,
    ay: float,
    az: float,
    bx: float,
    by: float,
    bz: float,
    cx: float,
    cy: float,
    cz: float,
    distance: float,
    sine: float,
) -> bool:
    """Return whether a point lies near a facet, and is seen under small angles from its corners.

    Parameters
    ----------
    px, py, pz : float
        The point, m.
    ax, ay, az, bx, by, bz, cx, cy, cz : float
        Corners of the facet, which must not be upright, m.
    distance : float
        Largest distance from the facet's plane, m.
    sine : float
        Sine of the largest angle, at each corner, between the plane and the line to the point.

    Returns
    -------
    bool
        Whether both hold.
    """
    ux, uy, uz = bx - ax, by - ay, bz - az
    vx, vy, vz = cx - ax, cy - ay, cz - az
    nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    away = abs(nx * (px - ax) + ny * (py - ay) + nz * (pz - az)) / math.sqrt(nx * nx + ny * ny + nz * nz)
    if not away <= distance:
        return False
    nearest = min(
        (px - ax) ** 2 + (py - ay) ** 2 + (pz - az) ** 2,
        (px - bx) ** 2 + (py - by) ** 2 + (pz - bz) ** 2,
        (px - cx) ** 2 + (py - cy) ** 2 + (pz - cz) ** 2,
    )
    return bool(away * away <= sine * sine * nearest)


@njit(nogil=True, cache=True, error_model="numpy")
def within_triangle(across: Floats, up: Floats, a: int, b: int, c: int, x: float, y: float) -> bool:
    """Return whether a counterclockwise triangle holds a position, its edges included; exact."""
    return bool(
        (across[b] - across[a]) * (y - up[a]) >= (up[b] - up[a]) * (x - across[a])
        and (across[c] - across[b]) * (y - up[b]) >= (up[c] - up[b]) * (x - across[b])
        and (across[a] - across[c]) * (y - up[c]) >= (up[a] - up[c]) * (x - across[c])
    )


@njit(nogil=True, cache=True, error_model="numpy")
def triangles_around(count: int, triangles: NDArray[np.int32]) -> tuple[Indices, Indices]:
    """Return the triangles around each point: point i has ``flat[start[i]:start[i + 1]]``."""
    start = np.zeros(count + 1, np.int64)
    for t in range(len(triangles)):
        for k in range(3):
            start[triangles[t, k] + 1] += 1
    for i in range(count):
        start[i + 1] += start[i]
    place = start[:-1].copy()
    flat = np.empty(3 * len(triangles), np.int64)
    for t in range(len(triangles)):
        for k in range(3):
            i = triangles[t, k]
            flat[place[i]] = t
            place[i] += 1
    return start, flat


@njit(nogil=True, cache=True, error_model="numpy")
def _fits_mirrored(
    across: Floats,
    up: Floats,
    z: Floats,
    triangles: NDArray[np.int32],
    start: Indices,
    flat: Indices,
    corner: int,
    p: int,
    step: float,
    distance: float,
    sine: float,
) -> bool:
    """Return whether a point fits when mirrored at a corner: the facet on the other side continues to it."""
    dx, dy = across[corner] - across[p], up[corner] - up[p]
    mx, my, mz = across[corner] + dx, up[corner] + dy, z[p]
    for i in range(start[corner], start[corner + 1]):
        t = flat[i]
        k = 0
        while triangles[t, k] != corner:
            k += 1
        b, c = triangles[t, (k + 1) % 3], triangles[t, (k + 2) % 3]
        bx, by = across[b] - across[corner], up[b] - up[corner]
        cx, cy = across[c] - across[corner], up[c] - up[corner]
        if bx * dy >= by * dx and dx * cy >= dy * cx and fits_facet(
            mx * step, my * step, mz,
            across[corner] * step, up[corner] * step, z[corner],
            across[b] * step, up[b] * step, z[b],
            across[c] * step, up[c] * step, z[c],
            distance, sine,
        ):  # fmt: skip
            return True
    return False


@njit(nogil=True, cache=True, error_model="numpy")
def _nearest_corner(across: Floats, up: Floats, corners: NDArray[np.int32], p: int) -> int:
    """Return the corner nearest in plan; of equally near ones the first in spatial order."""
    best, least = -1, np.inf
    for k in range(3):
        i = corners[k]
        square = (across[i] - across[p]) ** 2 + (up[i] - up[p]) ** 2
        if square < least or (square == least and i < best):
            best, least = i, square
    return best


@njit(nogil=True, cache=True, error_model="numpy")
def height_above(across: Floats, up: Floats, z: Floats, a: int, b: int, c: int, p: int) -> float:
    """Return the height of a point above a facet, m."""
    ux, uy, uz = across[b] - across[a], up[b] - up[a], z[b] - z[a]
    vx, vy, vz = across[c] - across[a], up[c] - up[a], z[c] - z[a]
    px, py = across[p] - across[a], up[p] - up[a]
    share_b, share_c = px * vy - py * vx, ux * py - uy * px
    return float(z[p] - z[a] - (share_b * uz + share_c * vz) / (ux * vy - uy * vx))


@njit(nogil=True, cache=True, error_model="numpy")
def accept_lowest(
    across: Floats,
    up: Floats,
    z: Floats,
    triangles: NDArray[np.int32],
    start: Indices,
    flat: Indices,
    rim: Flags,
    step: float,
    at: Indices,
    row_of: Indices,
    column_of: Indices,
    candidate: Flags,
    distance: float,
    sine: float,
    accepted: Flags,
) -> int:
    """Mark in every facet the lowest of the points that fit it; return how many were marked.

    A point below a facet always fits. One that doesn't, fits if the facet on the other side of the nearest
    corner continues to it: the paper's mirroring, for edges of the terrain.

    Parameters
    ----------
    across, up : ndarray of float64, shape (n,)
        Positions, whole numbers of steps, within 2^26 of each other.
    z : ndarray of float64, shape (n,)
        Heights, m.
    triangles : ndarray of int32, shape (m, 3)
        Corners, counterclockwise.
    start, flat : ndarray of int64
        As :func:`triangles_around` gives them.
    rim : ndarray of bool, shape (n,)
        Corners that are no measured points: nothing is mirrored at them.
    step : float
        Length of a step, m.
    at : ndarray of int64, shape (rows, columns)
        The point of each cell, -1 where there is none.
    row_of, column_of : ndarray of int64, shape (n,)
        The cell of each point; those of rim points may lie outside the raster.
    candidate : ndarray of bool, shape (n,)
        Points that may join. One on an edge may join from either side: no order of triangles matters.
    distance, sine : float
        As for :func:`fits_facet`.
    accepted : ndarray of bool, shape (n,)
        Receives the marks.

    Returns
    -------
    int
        How many points were marked.
    """
    rows, columns = at.shape
    count = 0
    for t in range(len(triangles)):
        a, b, c = triangles[t]
        first_row = max(0, min(row_of[a], row_of[b], row_of[c]))
        last_row = min(rows - 1, max(row_of[a], row_of[b], row_of[c]))
        first_column = max(0, min(column_of[a], column_of[b], column_of[c]))
        last_column = min(columns - 1, max(column_of[a], column_of[b], column_of[c]))
        best, lowest = np.int64(-1), np.inf
        for r in range(first_row, last_row + 1):
            for k in range(first_column, last_column + 1):
                p = at[r, k]
                if p < 0 or not candidate[p]:
                    continue
                if not within_triangle(across, up, a, b, c, across[p], up[p]):
                    continue
                above = height_above(across, up, z, a, b, c, p)
                if above > lowest or (above == lowest and p > best):
                    continue
                fits = above < 0 or fits_facet(
                    across[p] * step, up[p] * step, z[p],
                    across[a] * step, up[a] * step, z[a],
                    across[b] * step, up[b] * step, z[b],
                    across[c] * step, up[c] * step, z[c],
                    distance, sine,
                )  # fmt: skip
                if not fits:
                    corner = _nearest_corner(across, up, triangles[t], p)
                    fits = not rim[corner] and _fits_mirrored(
                        across, up, z, triangles, start, flat, corner, p, step, distance, sine
                    )
                if fits:
                    best, lowest = p, above
        if best >= 0 and not accepted[best]:
            accepted[best] = True
            count += 1
    return count

"""The prevailing surface of a raster of lowest points: overlapping robust planes, blended into each other.

Blocks of cells each get the plane of the points in and around them; between the centres of four blocks their
planes are mixed by bilinear weights. On a slope that is the slope itself, whatever pits or trees are on it.
The planes come from iteratively reweighted least squares with Cauchy weights of shrinking width (P. W.
Holland and R. E. Welsch, "Robust regression using iteratively reweighted least-squares", Communications in
Statistics A6, 1977).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.strips import in_strips

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Side of a block in cells; its plane is fitted to twice as many cells a side.
BLOCK = 8
_FEWEST = 6
# Blocks that are worth being handed to a thread.
_BLOCKS = 1024
# Widths of the Cauchy weights, m: from all alike, over what an echo far below everything does to that fit,
# down to the noise of the ground.
_WIDTHS = (1e9, 16.0, 8.0, 4.0, 2.0, 1.0, 0.6, 0.4, 0.3, 0.3)
_RIDGE = 1e-3
# Points below the plane may lie so many times farther away for the same weight: roofs and trees are common,
# and the ground under them is what counts.
_LENIENCE = 4.0


@njit(nogil=True, cache=True, error_model="numpy")
def _solve_plane(u: Floats, v: Floats, z: Floats, w: Floats, n: np.int64, plane: Floats) -> None:
    """Set ``plane`` (height at 0, slopes along u and v) to the weighted least-squares plane of n points."""
    s = su = sv = sz = 0.0
    for i in range(n):
        s += w[i]
        su += w[i] * u[i]
        sv += w[i] * v[i]
        sz += w[i] * z[i]
    mu, mv, mz = su / s, sv / s, sz / s
    uu = uv = vv = uz = vz = 0.0
    for i in range(n):
        a, b, c = u[i] - mu, v[i] - mv, z[i] - mz
        uu += w[i] * a * a
        uv += w[i] * a * b
        vv += w[i] * b * b
        uz += w[i] * a * c
        vz += w[i] * b * c
    # Points on a line leave the slope across it open: then it is level.
    uu += _RIDGE * s
    vv += _RIDGE * s
    det = uu * vv - uv * uv
    plane[1] = (uz * vv - vz * uv) / det
    plane[2] = (vz * uu - uz * uv) / det
    plane[0] = mz - plane[1] * mu - plane[2] * mv


@njit(nogil=True, cache=True, error_model="numpy")
def _block_planes(
    x: Floats, y: Floats, z: Floats, cell: float, widths: Floats, planes: Floats, begin: int, end: int
) -> None:
    """Fit the plane of each block in some rows of blocks; it stays as it is where it has too few points.

    Heights and slopes refer to the block's centre, whose coordinates count from the raster's first corner, as
    do x and y.
    """
    rows, columns = z.shape
    half = BLOCK // 2
    most = 4 * BLOCK * BLOCK
    u, v, h, w = np.empty(most), np.empty(most), np.empty(most), np.empty(most)
    for br in range(begin, end):
        for bc in range(planes.shape[1]):
            cx, cy = (bc + 0.5) * BLOCK * cell, (br + 0.5) * BLOCK * cell
            n = 0
            for r in range(max(0, br * BLOCK - half), min(rows, (br + 1) * BLOCK + half)):
                for c in range(max(0, bc * BLOCK - half), min(columns, (bc + 1) * BLOCK + half)):
                    if z[r, c] == z[r, c]:
                        u[n], v[n], h[n] = x[r, c] - cx, y[r, c] - cy, z[r, c]
                        n += 1
            plane = planes[br, bc]
            if n < _FEWEST:
                continue
            # The first width is so large that all points count alike.
            plane[1] = plane[2] = 0.0
            plane[0] = h[0]
            for width in widths:
                for i in range(n):
                    residual = (h[i] - plane[0] - plane[1] * u[i] - plane[2] * v[i]) / width
                    if residual < 0:
                        residual /= _LENIENCE
                    w[i] = 1.0 / (1.0 + residual * residual)
                # Of one type from the start: else it is compiled for the constant 0 as well.
                _solve_plane(u, v, h, w, np.int64(n), plane)


@njit(nogil=True, cache=True, error_model="numpy")
def _trend_at(planes: Floats, cell: float, x: float, y: float) -> float:
    side = BLOCK * cell
    across, up = x / side - 0.5, y / side - 0.5
    c0, r0 = int(np.floor(across)), int(np.floor(up))
    total = weight = 0.0
    for r in range(max(0, r0), min(planes.shape[0], r0 + 2)):
        for c in range(max(0, c0), min(planes.shape[1], c0 + 2)):
            w = (1.0 - abs(across - c)) * (1.0 - abs(up - r))
            p = planes[r, c]
            if w > 0 and p[0] == p[0]:
                total += w * (p[0] + p[1] * (x - (c + 0.5) * side) + p[2] * (y - (r + 0.5) * side))
                weight += w
    return total / weight if weight > 0 else np.nan


@njit(nogil=True, cache=True, error_model="numpy")
def _trends(planes: Floats, cell: float, x: Floats, y: Floats, out: Floats) -> None:
    for i in range(len(out)):
        out[i] = _trend_at(planes, cell, x[i], y[i])


@njit(nogil=True, cache=True, error_model="numpy")
def _above(
    x: Floats, y: Floats, z: Floats, planes: Floats, cell: float, height: Floats, begin: int, end: int
) -> None:
    for r in range(begin, end):
        for c in range(z.shape[1]):
            if z[r, c] == z[r, c]:
                height[r, c] = z[r, c] - _trend_at(planes, cell, x[r, c], y[r, c])
            else:
                height[r, c] = np.nan


def block_planes(x: Floats, y: Floats, z: Floats, cell: float, *, threads: int = 1) -> Floats:
    """Return the robust plane of each block of a raster of points.

    Parameters
    ----------
    x, y : ndarray of float64, shape (rows, columns)
        Where in its cell each point lies, m from the raster's first corner.
    z : ndarray of float64, shape (rows, columns)
        Heights, m; NaN where a cell is empty.
    cell : float
        Cell size, m.
    threads : int
        Threads to use; the result doesn't depend on them.

    Returns
    -------
    ndarray of float64, shape (block rows, block columns, 3)
        Height at the centre of the block, m, and slopes along x and y; NaN without enough points.
    """
    rows, columns = z.shape
    planes = np.full((-(-rows // BLOCK), -(-columns // BLOCK), 3), np.nan)
    widths = np.array(_WIDTHS)

    def fit(rows: slice) -> None:
        _block_planes(x, y, z, cell, widths, planes, rows.start, rows.stop)

    in_strips(fit, planes.shape[:2], threads, cells=_BLOCKS)
    return planes


def heights_above(
    planes: Floats, cell: float, x: Floats, y: Floats, z: Floats, *, threads: int = 1
) -> Floats:
    """Return how high points lie above the prevailing surface.

    Parameters
    ----------
    planes, cell
        As for :func:`trend_at`.
    x, y, z : ndarray of float64, shape (rows, columns)
        As for :func:`block_planes`.
    threads : int
        Threads to use.

    Returns
    -------
    ndarray of float64, shape (rows, columns)
        m; NaN where there is no point, and where no block around has a plane.
    """
    height = np.empty(z.shape)
    in_strips(lambda rows: _above(x, y, z, planes, cell, height, rows.start, rows.stop), z.shape, threads)
    return height


def trend_at(planes: Floats, cell: float, x: Floats, y: Floats) -> Floats:
    """Return the prevailing height at positions.

    Parameters
    ----------
    planes : ndarray
        As :func:`block_planes` gives them.
    cell : float
        Cell size, m.
    x, y : ndarray of float64, shape (n,)
        Positions, m from the raster's first corner, within the raster.

    Returns
    -------
    ndarray of float64, shape (n,)
        m; NaN where no block around has a plane.
    """
    out = np.empty(len(x))
    _trends(planes, cell, x, y, out)
    return out

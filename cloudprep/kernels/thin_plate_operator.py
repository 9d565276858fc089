"""The equations of a thin plate on a raster, row by row.

The finest level is never stored. With D2 the second and D1 the first differences along a line, the bending
energy sum dxx^2 + dyy^2 + 2 dxy^2 over all differences that lie within the raster has the matrix

    B = Kx (x) 1 + 1 (x) Ky + 2 Lx (x) Ly,   K = D2' D2,  L = D1' D1,

so that the natural boundary is in the one-dimensional factors K and L. Coarser levels store a symmetric
matrix of 5 x 5 neighbours, of which 13 planes suffice.

All rasters here have a rim of two cells that holds zeros. Constants are float32, so that they don't turn
float32 arithmetic into float64 (and they are exact in both).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numba import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

RIM = 2
PLANES = 13


class Equations(NamedTuple):
    """What a level's matrix consists of.

    Attributes
    ----------
    finest : bool
        Whether the matrix is that of weights, stiffness and factors, or that of planes.
    weights : ndarray of float, shape (rows + 4, columns + 4)
        Weights of the data (finest level only).
    stiffness : float
        Of the plate (finest level only).
    along_x, along_y : ndarray of float, shape (5, columns + 4) and (5, rows + 4)
        The one-dimensional factors, see :func:`factors` (finest level only).
    planes : ndarray of float, shape (rows + 4, 13, columns + 4)
        Coefficients towards the neighbours (0, 0..2), (1, -2..2) and (2, -2..2) (other levels only).
    """

    finest: bool
    weights: NDArray[Any]
    stiffness: Any
    along_x: NDArray[Any]
    along_y: NDArray[Any]
    planes: NDArray[Any]


def factors(count: int, dtype: Any) -> NDArray[Any]:
    """Return the one-dimensional factors of the bending energy along a line of cells.

    Parameters
    ----------
    count : int
        Cells of the line.
    dtype : numpy dtype
        Type of the result.

    Returns
    -------
    ndarray, shape (5, count + 4)
        Three diagonals of K = D2' D2 (0, 1 and 2 cells onwards) and two of L = D1' D1 (0 and 1).

    Examples
    --------
    >>> factors(4, np.float64)[0, 2:-2]
    array([1., 5., 5., 1.])
    """
    result = np.zeros((5, count + 2 * RIM), dtype)
    bend, bend_next, bend_second, twist, twist_next = result
    second = np.arange(RIM, RIM + count - 2)
    for place, times in ((0, 1), (1, 4), (2, 1)):
        bend[second + place] += times
    bend_next[second] -= 2
    bend_next[second + 1] -= 2
    bend_second[second] += 1
    first = np.arange(RIM, RIM + count - 1)
    twist[first] += 1
    twist[first + 1] += 1
    twist_next[first] -= 1
    return result


@njit(nogil=True, cache=True, error_model="numpy")
def _finest_row(
    y: int,
    above2: NDArray[Any],
    above: NDArray[Any],
    here: NDArray[Any],
    below: NDArray[Any],
    below2: NDArray[Any],
    eq: Equations,
    out: NDArray[Any],
) -> None:
    """Write one row of the finest level's matrix times a raster."""
    weights = eq.weights[y, 2:]
    bend, bend_next, bend_before = eq.along_x[0, 2:], eq.along_x[1, 2:], eq.along_x[1, 1:]
    twist = eq.along_x[3, 2:]
    down, down_next, down_before = eq.along_y[0, y], eq.along_y[1, y], eq.along_y[1, y - 1]
    turn = eq.along_y[3, y]
    a, e = above2[2:], below2[2:]
    b0, b1, b2 = above[1:], above[2:], above[3:]
    d0, d1, d2 = below[1:], below[2:], below[3:]
    c0, c1, c2, c3, c4 = here, here[1:], here[2:], here[3:], here[4:]
    stiffness = eq.stiffness
    twice = stiffness + stiffness
    for x in range(len(out)):
        # L along y first, at three neighbours; then L along x.
        left = turn * c1[x] - b0[x] - d0[x]
        middle = turn * c2[x] - b1[x] - d1[x]
        right = turn * c3[x] - b2[x] - d2[x]
        bending = (
            (bend[x] + down) * c2[x]
            + (bend_next[x] * c3[x] + bend_before[x] * c1[x])
            + (down_next * d1[x] + down_before * b1[x])
            + ((c0[x] + c4[x]) + (a[x] + e[x]))
        )
        out[x] = weights[x] * c2[x] + stiffness * bending + twice * (twist[x] * middle - (left + right))


@njit(nogil=True, cache=True, error_model="numpy")
def _coarse_row(
    y: int,
    above2: NDArray[Any],
    above: NDArray[Any],
    here: NDArray[Any],
    below: NDArray[Any],
    below2: NDArray[Any],
    eq: Equations,
    out: NDArray[Any],
) -> None:
    """Write one row of a coarse level's matrix times a raster."""
    p = eq.planes[y]
    p0, p1, p2, m1, m2 = p[0, 2:], p[1, 2:], p[2, 2:], p[1, 1:], p[2]
    c0, c1, c2, c3, c4 = here, here[1:], here[2:], here[3:], here[4:]
    for x in range(len(out)):
        out[x] = p0[x] * c2[x] + (p1[x] * c3[x] + m1[x] * c1[x]) + (p2[x] * c4[x] + m2[x] * c0[x])
    for step in range(1, 3):
        first = 3 + 5 * (step - 1)
        onwards = below if step == 1 else below2
        back = above if step == 1 else above2
        # By symmetry, a coefficient upwards is the one of that cell downwards.
        q = eq.planes[y - step]
        p0, p1, p2 = p[first, 2:], p[first + 1, 2:], p[first + 2, 2:]
        p3, p4 = p[first + 3, 2:], p[first + 4, 2:]
        q0, q1, q2 = q[first + 4], q[first + 3, 1:], q[first + 2, 2:]
        q3, q4 = q[first + 1, 3:], q[first, 4:]
        d0, d1, d2, d3, d4 = onwards, onwards[1:], onwards[2:], onwards[3:], onwards[4:]
        b0, b1, b2, b3, b4 = back, back[1:], back[2:], back[3:], back[4:]
        for x in range(len(out)):
            out[x] += (
                (p0[x] * d0[x] + q4[x] * b4[x])
                + (p1[x] * d1[x] + q3[x] * b3[x])
                + (p2[x] * d2[x] + q2[x] * b2[x])
                + (p3[x] * d3[x] + q1[x] * b1[x])
                + (p4[x] * d4[x] + q0[x] * b0[x])
            )


@njit(nogil=True, cache=True, error_model="numpy")
def times_row(
    y: int,
    above2: NDArray[Any],
    above: NDArray[Any],
    here: NDArray[Any],
    below: NDArray[Any],
    below2: NDArray[Any],
    eq: Equations,
    out: NDArray[Any],
) -> None:
    """Write one row of a level's matrix times a raster.

    Parameters
    ----------
    y : int
        The row, counted with the rim.
    above2, above, here, below, below2 : ndarray of float, shape (columns + 4,)
        Five rows of the raster around it.
    eq : Equations
        The matrix.
    out : ndarray of float, shape (columns,)
        Receives the row, without the rim.
    """
    if eq.finest:
        _finest_row(y, above2, above, here, below, below2, eq, out)
    else:
        _coarse_row(y, above2, above, here, below, below2, eq, out)


@njit(nogil=True, cache=True, error_model="numpy")
def coefficients_row(y: int, scale: NDArray[Any], eq: Equations, out: NDArray[Any]) -> None:
    """Write a row's coefficients towards its 5 x 5 neighbours, each times the neighbour's scale.

    Parameters
    ----------
    y : int
        The row, counted with the rim.
    scale : ndarray of float, shape (rows + 4, columns + 4)
        Zero on the rim.
    eq : Equations
        The matrix.
    out : ndarray of float, shape (5, 5, at least columns)
        Receives the coefficients, by row and column of the neighbour. On the finest level those that are
        always zero are left alone.
    """
    columns = scale.shape[1] - 4
    for down in range(-2, 3):
        for right in range(-2, 3):
            times = scale[y + down, 2 + right :]
            line = out[down + 2, right + 2]
            if eq.finest:
                # A coefficient backwards is the one of the neighbour forwards.
                at, first = y + min(down, 0), 2 + min(right, 0)
                steps = abs(down) + abs(right)
                if steps > 2:
                    continue
                stiffness = eq.stiffness
                twice = stiffness + stiffness
                if steps == 0:
                    weights, bend, twist = eq.weights[y, 2:], eq.along_x[0, 2:], eq.along_x[3, 2:]
                    d, t = eq.along_y[0, y], eq.along_y[3, y]
                    for x in range(columns):
                        own = weights[x] + stiffness * (bend[x] + d) + twice * (twist[x] * t)
                        line[x] = own * times[x]
                elif abs(down) == 2:
                    d = stiffness * eq.along_y[2, at]
                    for x in range(columns):
                        line[x] = d * times[x]
                elif abs(right) == 2:
                    bend = eq.along_x[2, first:]
                    for x in range(columns):
                        line[x] = stiffness * bend[x] * times[x]
                else:
                    bend = eq.along_x[1, first:]
                    twist = eq.along_x[4 if right != 0 else 3, first:]
                    d = eq.along_y[1, at] * stiffness if right == 0 else stiffness - stiffness
                    k = stiffness if down == 0 else stiffness - stiffness
                    t = twice * eq.along_y[4 if down != 0 else 3, at]
                    for x in range(columns):
                        line[x] = (k * bend[x] + d + t * twist[x]) * times[x]
            else:
                if down > 0 or (down == 0 and right >= 0):
                    plane = right if down == 0 else 3 + 5 * (down - 1) + right + 2
                    coefficient = eq.planes[y, plane, 2:]
                else:
                    plane = -right if down == 0 else 3 + 5 * (-down - 1) - right + 2
                    coefficient = eq.planes[y + down, plane, 2 + right :]
                for x in range(columns):
                    line[x] = coefficient[x] * times[x]

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

from cloudprep.kernels.compiling import njit

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


@njit(nogil=True, cache=True, error_model="numpy", inline="always")
def finest_row(
    u: NDArray[Any],
    at: tuple[int, int, int, int, int],
    y: int,
    eq: Equations,
    out: NDArray[Any],
) -> None:
    """Write one row of the finest level's matrix times a raster; see :func:`times_row`."""
    a, b, c, d, e = at
    weights, along = eq.weights, eq.along_x
    down, down_next, down_before = eq.along_y[0, y], eq.along_y[1, y], eq.along_y[1, y - 1]
    turn = eq.along_y[3, y]
    stiffness = eq.stiffness
    twice = stiffness + stiffness
    for x in range(len(out)):
        # L along y first, at three neighbours; then L along x.
        left = turn * u[c, x + 1] - u[b, x + 1] - u[d, x + 1]
        middle = turn * u[c, x + 2] - u[b, x + 2] - u[d, x + 2]
        right = turn * u[c, x + 3] - u[b, x + 3] - u[d, x + 3]
        bending = (
            (along[0, x + 2] + down) * u[c, x + 2]
            + (along[1, x + 2] * u[c, x + 3] + along[1, x + 1] * u[c, x + 1])
            + (down_next * u[d, x + 2] + down_before * u[b, x + 2])
            + ((u[c, x] + u[c, x + 4]) + (u[a, x + 2] + u[e, x + 2]))
        )
        twist = along[3, x + 2] * middle - (left + right)
        out[x] = weights[y, x + 2] * u[c, x + 2] + stiffness * bending + twice * twist


@njit(nogil=True, cache=True, error_model="numpy", inline="always")
def times_row(
    u: NDArray[Any],
    at: tuple[int, int, int, int, int],
    y: int,
    eq: Equations,
    out: NDArray[Any],
) -> None:
    """Write one row of a level's matrix times a raster.

    Parameters
    ----------
    u : ndarray of float, shape (some rows, columns + 4)
        Rows of the raster.
    at : tuple of int
        Which rows of ``u`` are the five rows around.
    y : int
        The row in the middle, counted with the rim.
    eq : Equations
        The matrix.
    out : ndarray of float, shape (columns,)
        Receives the row, without the rim.
    """
    if eq.finest:
        finest_row(u, at, y, eq, out)
    else:
        p = eq.planes
        c = at[2]
        for x in range(len(out)):
            out[x] = (
                p[y, 0, x + 2] * u[c, x + 2]
                + (p[y, 1, x + 2] * u[c, x + 3] + p[y, 1, x + 1] * u[c, x + 1])
                + (p[y, 2, x + 2] * u[c, x + 4] + p[y, 2, x] * u[c, x])
            )
        for step in range(1, 3):
            # By symmetry, a coefficient upwards is the one of that cell downwards.
            k, z = 5 * step - 2, y - step
            b, d = (at[1], at[3]) if step == 1 else (at[0], at[4])
            for x in range(len(out)):
                out[x] += (
                    (p[y, k, x + 2] * u[d, x] + p[z, k, x + 4] * u[b, x + 4])
                    + (p[y, k + 1, x + 2] * u[d, x + 1] + p[z, k + 1, x + 3] * u[b, x + 3])
                    + (p[y, k + 2, x + 2] * u[d, x + 2] + p[z, k + 2, x + 2] * u[b, x + 2])
                    + (p[y, k + 3, x + 2] * u[d, x + 3] + p[z, k + 3, x + 1] * u[b, x + 1])
                    + (p[y, k + 4, x + 2] * u[d, x + 4] + p[z, k + 4, x] * u[b, x])
                )

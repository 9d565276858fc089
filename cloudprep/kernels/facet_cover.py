"""What plane facets cover of raster cells, and how high they lie there: exact integrals over each cell."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.polygon_cover import add_edge, sum_up

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

# What rounding leaves of a cell that a facet doesn't touch is far smaller.
_TOUCHED = 1e-12


class Facets(NamedTuple):
    """Pieces of planes; lengths in plan in cells.

    Parameters
    ----------
    x, y : ndarray of float64, shape (n,)
        Corners of all rings, one after the other, each closed (the last place is the first); outer rings
        against the clock, holes with it.
    ring : ndarray of int64, shape (rings + 1,)
        Where each ring begins.
    facet : ndarray of int64, shape (facets + 1,)
        Which ring is the first of each facet.
    px, py, pz : ndarray of float64, shape (facets,)
        A place of each plane.
    east, north : ndarray of float64, shape (facets,)
        Rise a cell.
    """

    x: Floats
    y: Floats
    ring: Indices
    facet: Indices
    px: Floats
    py: Floats
    pz: Floats
    east: Floats
    north: Floats


class FacetCover(NamedTuple):
    """What facets cover of the cells of a window, all facets together.

    Parameters
    ----------
    area : ndarray of float64, shape (rows, columns)
        Covered share; more than 1 where facets overlap.
    x, y : ndarray of float64, shape (rows, columns)
        First moments of the covered parts about the cell's centre, in cells.
    volume : ndarray of float64, shape (rows, columns)
        Integral of the height over the covered parts, in heights times cells.
    """

    area: Floats
    x: Floats
    y: Floats
    volume: Floats


@njit(nogil=True, cache=True, error_model="numpy")
def _add_facets(  # type: ignore[no-untyped-def]
    x, y, ring, facet, px, py, pz, east, north, row, column, out
):
    rows, columns = out.shape[1], out.shape[2]
    for f in range(len(facet) - 1):
        first, last = ring[facet[f]], ring[facet[f + 1]]
        if first == last:
            continue
        left, right = x[first:last].min() - column, x[first:last].max() - column
        bottom, top = y[first:last].min() - row, y[first:last].max() - row
        if right <= 0.0 or top <= 0.0 or left >= columns or bottom >= rows:
            continue
        c0, c1 = int(np.floor(max(left, 0.0))), int(np.ceil(min(right, np.float64(columns))))
        r0, r1 = int(np.floor(max(bottom, 0.0))), int(np.ceil(min(top, np.float64(rows))))
        buffers = np.zeros((5, r1 - r0, c1 - c0))
        dx, dy = np.float64(column + c0), np.float64(row + r0)
        for g in range(facet[f], facet[f + 1]):
            for i in range(ring[g], ring[g + 1] - 1):
                add_edge(x[i] - dx, y[i] - dy, x[i + 1] - dx, y[i + 1] - dy, buffers)
        sum_up(buffers)
        for r in range(r1 - r0):
            for c in range(c1 - c0):
                share = buffers[0, r, c]
                if share < _TOUCHED:
                    continue
                middle = pz[f] + east[f] * (dx + c + 0.5 - px[f]) + north[f] * (dy + r + 0.5 - py[f])
                out[0, r0 + r, c0 + c] += share
                out[1, r0 + r, c0 + c] += buffers[1, r, c]
                out[2, r0 + r, c0 + c] += buffers[2, r, c]
                out[3, r0 + r, c0 + c] += (
                    share * middle + east[f] * buffers[1, r, c] + north[f] * buffers[2, r, c]
                )


def facet_cover(facets: Facets, window: tuple[int, int, int, int]) -> FacetCover:
    """Return what facets cover of a window of cells, and the integral of their heights.

    Parameters
    ----------
    facets : Facets
        In cells from the corner of the raster. They may reach beyond the window.
    window : tuple of int
        First row from the south, first column, rows, columns.

    Returns
    -------
    FacetCover
        Row 0 is the window's southernmost.

    Notes
    -----
    Green's theorem, as in :mod:`cloudprep.kernels.polygon_cover`; the integral of a plane over a part of a
    cell is its height at the centre times the part's area, and its rise times the part's first moments.

    Examples
    --------
    >>> def f(*v): return np.array(v, float)
    >>> triangle = f(0, 2, 0, 0), f(0, 0, 2, 0), np.array([0, 4]), np.array([0, 1])
    >>> plane = f(0), f(0), f(10), f(1), f(0)
    >>> found = facet_cover(Facets(*triangle, *plane), (0, 0, 1, 2))
    >>> found.area, found.volume.round(6)
    (array([[1. , 0.5]]), array([[10.5     ,  5.666667]]))
    """
    row, column, rows, columns = window
    out = np.zeros((4, rows, columns))
    _add_facets(*facets, row, column, out)
    return FacetCover(*out)

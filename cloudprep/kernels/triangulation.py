"""Delaunay triangulation: exact, unique for a set of points, whatever their order."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.hilbert import spatial_order
from cloudprep.kernels.predicates import EXTENT
from cloudprep.kernels.triangulation_mesh import STRIDE, insert_points, lay_first_triangle, real_triangles

if TYPE_CHECKING:
    from numpy.typing import NDArray

_ROUNDS = 8
_FIRST_SCRATCH = 4096


def triangulate(sites: NDArray[np.float64]) -> NDArray[np.int32]:
    """Return the Delaunay triangles of distinct points that come in spatial order.

    No circle through a triangle's corners has a point inside. Points on one circle are split by a rule that
    depends on their coordinates alone (see :func:`cloudprep.kernels.predicates.in_circle`): the set of
    triangles is unique.

    Parameters
    ----------
    sites : ndarray of float64, shape (n, 2)
        Whole numbers, all within 2^26 of each other, no two points alike. The order changes the speed only:
        :func:`cloudprep.kernels.hilbert.spatial_order` gives a good one.

    Returns
    -------
    ndarray of int32, shape (m, 3)
        Corners of each triangle as indices, counterclockwise; none where all points lie on one line.

    Raises
    ------
    ValueError
        If the points span 2^26 steps or more.

    Notes
    -----
    Incremental insertion (Bowyer 1981; Watson 1981) in biased randomised rounds (Amenta, Choi and Rote 2003,
    "Incremental constructions con BRIO"): each point falls at random into a round, the rounds grow eightfold,
    and within a round the points keep their spatial order. That keeps cavities small whatever the pattern.
    """
    mesh, used = triangle_mesh(sites)
    return real_triangles(mesh, used)


def triangle_mesh(sites: NDArray[np.float64]) -> tuple[NDArray[np.int32], int]:
    """Return the triangles as the mesh they were made in, which saves copying them.

    Parameters
    ----------
    sites : ndarray of float64, shape (n, 2)
        As for :func:`triangulate`.

    Returns
    -------
    mesh : ndarray of int32
        Eight numbers a triangle, see :mod:`cloudprep.kernels.triangulation_mesh`; ghosts are among them.
    used : int
        Its length in use; 0 where all points lie on one line.

    Raises
    ------
    ValueError
        If the points span 2^26 steps or more.
    """
    n = len(sites)
    if n < 3:
        return np.empty(0, np.int32), 0
    _refuse_wide(np.ptp(sites[:, 0]), np.ptp(sites[:, 1]))
    flat = np.ascontiguousarray(sites, np.float64).ravel()
    mesh = np.empty(2 * STRIDE * n, np.int32)
    third = lay_first_triangle(flat, mesh)
    if third < 0:
        return mesh, 0
    order = _in_rounds(n, third)
    position, used, start = 0, 4 * STRIDE, 0
    size = _FIRST_SCRATCH
    while True:
        scratch = (np.empty(size, np.int32), np.empty(3 * size, np.int32), np.empty(size, np.int32))
        position, used, start = insert_points(flat, order, mesh, position, used, start, *scratch)
        if position == order.size:
            return mesh, used
        size *= 2


def delaunay(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.int32]:
    """Return the Delaunay triangles of points in any order, repeated points allowed.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Whole numbers spanning less than 2^26.

    Returns
    -------
    ndarray of int32, shape (m, 3)
        Corners as indices of the points given, counterclockwise. Of points alike the first one is used.

    Raises
    ------
    ValueError
        If the points span 2^26 steps or more.

    Examples
    --------
    >>> import numpy as np
    >>> delaunay(np.array([0.0, 2, 0, 2]), np.array([0.0, 0, 2, 3])).tolist()
    [[0, 1, 2], [1, 3, 2]]
    """
    if len(x) == 0:
        return np.empty((0, 3), np.int32)
    column = np.asarray(x, np.float64) - np.min(x)
    row = np.asarray(y, np.float64) - np.min(y)
    _refuse_wide(column.max(), row.max())
    order = spatial_order(column, row)
    sites = np.column_stack((column[order], row[order]))
    first = np.ones(len(order), bool)
    first[1:] = (np.diff(sites, axis=0) != 0).any(axis=1)
    found = order[first][triangulate(sites[first])]
    # One way to write the one answer: smallest index first in a row, rows in order.
    turned = np.take_along_axis(found, (found.argmin(axis=1)[:, None] + np.arange(3)) % 3, axis=1)
    return turned[np.lexsort(turned.T[::-1])]


def _refuse_wide(width: float, height: float) -> None:
    if max(width, height) >= EXTENT:
        raise ValueError(f"points span {max(width, height):.0f} steps; at most {EXTENT - 1} are exact")


@njit(nogil=True, cache=True)
def _in_rounds(n, third):  # type: ignore[no-untyped-def]
    """Return points 2 to n - 1 without ``third``, in rounds of growing size, each in the order given.

    The round of a point hangs on a hash of its place, so equal input means equal work. Round k from the end
    takes the hashes whose last k groups of three bits are zero.
    """
    rounds = np.empty(n, np.uint8)
    places = np.zeros(_ROUNDS + 2, np.int64)
    for i in range(2, n):
        mixed = (np.uint64(i) * np.uint64(0x9E3779B1)) & np.uint64(0xFFFFFFFF)
        mixed ^= mixed >> np.uint64(15)
        mixed = (mixed * np.uint64(0x85EBCA77)) & np.uint64(0xFFFFFFFF)
        mixed ^= mixed >> np.uint64(13)
        k = _ROUNDS
        while k > 0 and (mixed & np.uint64(7)) == 0:
            mixed = mixed >> np.uint64(3)
            k -= 1
        rounds[i] = k
        places[k + 1] += i != third
    for k in range(1, _ROUNDS + 2):
        places[k] += places[k - 1]
    order = np.empty(n - 3, np.int32)
    for i in range(2, n):
        if i != third:
            order[places[rounds[i]]] = i
            places[rounds[i]] += 1
    return order

"""The triangle mesh that grows point by point (Bowyer 1981, Watson 1981), in flat arrays.

A triangle is eight int32 of one array: three corners, a spare, three twins, a spare. The half-edge ``h``
(the triangle's base, a multiple of 8, plus side 0, 1 or 2) runs from corner ``mesh[h]`` to the next corner;
its twin, the same edge seen from the other triangle, is ``mesh[h + 4]``. Corners run counterclockwise. One
corner at infinity, ``GHOST``, closes the hull: every hull edge has a ghost triangle outside, so no edge lacks
a twin.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.predicates import in_circle

if TYPE_CHECKING:
    from numpy.typing import NDArray

GHOST = -1
STRIDE = 8
_TWIN = 4
_SIDE = 7


@njit(nogil=True, cache=True)
def _at(array, index):  # type: ignore[no-untyped-def]
    """Read without numba's test for negative indices."""
    return array[np.uint64(index)]


@njit(nogil=True, cache=True)
def _after(half_edge):  # type: ignore[no-untyped-def]
    """Return the next half-edge of the same triangle."""
    return half_edge + 1 if (half_edge & _SIDE) < 2 else half_edge - 2


@njit(nogil=True, cache=True)
def _beyond_hull(sx, sy, ex, ey):  # type: ignore[no-untyped-def]
    """Tell whether the origin is in conflict with the ghost on the left of the hull edge s, e.

    A ghost's circle is the half-plane outside; on the line itself only the edge between its two ends is
    hit, where it must be cut.
    """
    side = sx * ey - sy * ex
    if side != 0:
        return side > 0
    return sx * ex + sy * ey < 0


@njit(nogil=True, cache=True)
def _locate(sites, mesh, start, x, y):  # type: ignore[no-untyped-def]
    """Walk to a triangle that holds the point, or to a ghost triangle the point sees.

    Each step crosses an edge that has the point strictly beyond it; in a Delaunay triangulation such a walk
    never meets a triangle twice (Edelsbrunner 1990).
    """
    base = start
    while True:
        a = _at(mesh, base)
        b = _at(mesh, base + 1)
        c = _at(mesh, base + 2)
        if (a | b | c) < 0:
            return base
        ax = _at(sites, 2 * a) - x
        ay = _at(sites, 2 * a + 1) - y
        bx = _at(sites, 2 * b) - x
        by = _at(sites, 2 * b + 1) - y
        cx = _at(sites, 2 * c) - x
        cy = _at(sites, 2 * c + 1) - y
        if ax * by - ay * bx < 0:
            twin = _at(mesh, base + _TWIN)
        elif bx * cy - by * cx < 0:
            twin = _at(mesh, base + 1 + _TWIN)
        elif cx * ay - cy * ax < 0:
            twin = _at(mesh, base + 2 + _TWIN)
        else:
            return base
        base = twin - (twin & _SIDE)


@njit(nogil=True, cache=True)
def insert_points(
    sites: NDArray[np.float64],
    order: NDArray[np.int32],
    mesh: NDArray[np.int32],
    position: int,
    used: int,
    start: int,
    todo: NDArray[np.int32],
    rim: NDArray[np.int32],
    freed: NDArray[np.int32],
) -> tuple[int, int, int]:
    """Insert points one after the other: empty the cavity of triangles whose circles hold it, fan it out.

    The cavity is searched depth first with the sides of each triangle in order, so its rim comes out as one
    closed counterclockwise chain.

    Parameters
    ----------
    sites : ndarray of float64, shape (2 n,)
        x and y of each point in turn: whole numbers within ``EXTENT`` of each other, no two points alike.
    order : ndarray of int32
        Points to insert.
    mesh : ndarray of int32, shape (16 n,)
        The mesh so far; changed in place.
    position : int
        Where in ``order`` to begin.
    used : int
        Length of the mesh in use.
    start : int
        A triangle from which to walk to the first point.
    todo, rim, freed : ndarray of int32, shapes (s,), (3 s,), (s,)
        Scratch: half-edges to look through; start, end and outer twin of each rim edge; places of the
        triangles of the cavity.

    Returns
    -------
    position, used, start : int
        As given, after the work. ``position`` is below ``order.size`` where the scratch was too short for
        that point, which then is not inserted.
    """
    # All loops stand in this one function and its arrays are never exchanged: split in two, numba counted
    # references to each array at every point, which took half of the time.
    room = todo.size - 4
    while position < order.size:
        point = order[position]
        x = _at(sites, 2 * point)
        y = _at(sites, 2 * point + 1)
        base = _locate(sites, mesh, start, x, y)
        freed[0] = base
        n_freed = 1
        n_rim = 0
        todo[0] = base + 2
        todo[1] = base + 1
        todo[2] = base
        n_todo = 3
        while n_todo > 0:
            n_todo -= 1
            half_edge = _at(todo, n_todo)
            twin = _at(mesh, half_edge + _TWIN)
            base = twin - (twin & _SIDE)
            a = _at(mesh, base)
            b = _at(mesh, base + 1)
            c = _at(mesh, base + 2)
            if (a | b | c) < 0:
                if a < 0:
                    a = b
                    b = c
                elif b < 0:
                    b = a
                    a = c
                conflict = _beyond_hull(
                    _at(sites, 2 * a) - x,
                    _at(sites, 2 * a + 1) - y,
                    _at(sites, 2 * b) - x,
                    _at(sites, 2 * b + 1) - y,
                )
            else:
                conflict = in_circle(
                    _at(sites, 2 * a) - x,
                    _at(sites, 2 * a + 1) - y,
                    _at(sites, 2 * b) - x,
                    _at(sites, 2 * b + 1) - y,
                    _at(sites, 2 * c) - x,
                    _at(sites, 2 * c + 1) - y,
                )
            if conflict:
                freed[n_freed] = base
                n_freed += 1
                following = _after(twin)
                todo[n_todo] = _after(following)
                todo[n_todo + 1] = following
                n_todo += 2
            else:
                rim[3 * n_rim] = _at(mesh, half_edge)
                rim[3 * n_rim + 1] = _at(mesh, _after(half_edge))
                rim[3 * n_rim + 2] = twin
                n_rim += 1
            if n_todo + n_rim + n_freed > room:
                return position, used, start
        # A fan has two triangles more than its cavity had; the emptied places are used again.
        for k in range(n_freed, n_rim):
            freed[k] = used
            used += STRIDE
        before = _at(freed, n_rim - 1)
        for k in range(n_rim):
            base = _at(freed, k)
            a = _at(rim, 3 * k)
            b = _at(rim, 3 * k + 1)
            twin = _at(rim, 3 * k + 2)
            mesh[np.uint64(base)] = a
            mesh[np.uint64(base + 1)] = b
            mesh[np.uint64(base + 2)] = point
            mesh[np.uint64(base + _TWIN)] = twin
            mesh[np.uint64(twin + _TWIN)] = base
            mesh[np.uint64(base + 2 + _TWIN)] = before + 1
            mesh[np.uint64(before + 1 + _TWIN)] = base + 2
            before = base
            if (a | b) >= 0:
                start = base
        position += 1
    return position, used, start


def lay_first_triangle(sites: NDArray[np.float64], mesh: NDArray[np.int32]) -> int:
    """Lay a triangle of points 0, 1 and the first one off their line, and its three ghosts.

    Parameters
    ----------
    sites : ndarray of float64, shape (2 n,)
        As for :func:`insert_points`, n >= 2.
    mesh : ndarray of int32
        Its first four triangles are filled.

    Returns
    -------
    int
        The third point; -1 (and nothing done) where all points lie on one line.
    """
    third, left = _first_off_line(sites)
    if third < 0:
        return third
    corners = (0, 1, third) if left else (0, third, 1)
    for side in range(3):
        mesh[side] = corners[side]
        ghost = STRIDE * (side + 1)
        mesh[ghost : ghost + 3] = corners[(side + 1) % 3], corners[side], GHOST
        mesh[ghost + _TWIN] = side
        mesh[side + _TWIN] = ghost
        # This ghost leaves for infinity where the ghost beyond the side before comes back from it.
        neighbour = STRIDE * ((side + 2) % 3 + 1)
        mesh[ghost + 1 + _TWIN] = neighbour + 2
        mesh[neighbour + 2 + _TWIN] = ghost + 1
    return third


def _first_off_line(sites: NDArray[np.float64]) -> tuple[int, bool]:
    """Return the first point off the line through points 0 and 1, and whether it lies on its left."""
    ax, ay, bx, by = sites[:4].tolist()
    begin, size = 2, 1024
    while 2 * begin < sites.size:
        rest = sites[2 * begin : 2 * (begin + size)]
        areas = (bx - ax) * (rest[1::2] - ay) - (by - ay) * (rest[::2] - ax)
        off = np.flatnonzero(areas)
        if off.size:
            return begin + int(off[0]), bool(areas[off[0]] > 0)
        begin, size = begin + size, 2 * size
    return -1, False


def real_triangles(mesh: NDArray[np.int32], used: int) -> NDArray[np.int32]:
    """Return the corners of all triangles but the ghosts, counterclockwise.

    Parameters
    ----------
    mesh : ndarray of int32
        A mesh.
    used : int
        Its length in use.

    Returns
    -------
    ndarray of int32, shape (m, 3)
        Point indices.
    """
    found = np.empty((used // STRIDE, 3), np.int32)
    return found[: _without_ghosts(mesh, found)]


@njit(nogil=True, cache=True)
def _without_ghosts(mesh: NDArray[np.int32], found: NDArray[np.int32]) -> int:
    """Copy corners of triangles, of as many as there is room for; return how many have no ghost."""
    n = 0
    for t in range(found.shape[0]):
        base = STRIDE * t
        a, b, c = _at(mesh, base), _at(mesh, base + 1), _at(mesh, base + 2)
        # The last one may be a ghost, whose place the next one takes.
        found[n, 0], found[n, 1], found[n, 2] = a, b, c
        n += (a | b | c) >= 0
    return n

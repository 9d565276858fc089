"""Triangles between few cells of a raster that pass all its cells within a tolerance."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.hilbert import spatial_order
from cloudprep.kernels.triangulation_mesh import STRIDE, insert_points, lay_first_triangle, real_triangles

if TYPE_CHECKING:
    from numpy.typing import NDArray

_SCRATCH = 4096
# Where a triangle's neighbours stand in the mesh.
_TWIN = 4
# Triangles that are worth a task, and tasks for each thread.
_FEWEST, _SHARES = 256, 16


@dataclass(frozen=True)
class ThinnedTin:
    """Triangles between cells of a raster.

    Parameters
    ----------
    cells : ndarray of int64, shape (n,)
        The cells that are vertices, ascending, as places in the flattened raster.
    faces : ndarray of int64, shape (m, 3)
        Rows of ``cells``, counterclockwise with row 0 of the raster at the bottom.
    worst : float
        Largest difference between a cell and the triangle over its centre; 0 without triangles.
    uncovered : int
        Cells with a height that no triangle covers: those of which no three lie together.
    """

    cells: NDArray[np.int64]
    faces: NDArray[np.int64]
    worst: float
    uncovered: int


def thinned_tin(heights: NDArray[np.float64], tolerance: float, *, threads: int = 1) -> ThinnedTin:
    """Return Delaunay triangles whose heights differ from no cell by more than a tolerance.

    It begins with the corners of the raster and with all cells beside a hole, between which the edges of
    holes are edges of the triangulation; what lies in a hole stays open. Then each triangle that isn't good
    enough gets its worst cell as a vertex, all of them at a time, until none is left.

    Parameters
    ----------
    heights : ndarray of float64, shape (rows, columns)
        Heights at cell centres; NaN where there is nothing.
    tolerance : float
        In the unit of the heights, >= 0.
    threads : int
        Threads to use; the result is the same for any number.

    Returns
    -------
    ThinnedTin
        The same for the same heights, to the bit.

    Notes
    -----
    Greedy insertion (Fowler and Little 1979, "Automatic extraction of irregular network digital terrain
    models"; Garland and Heckbert 1995, "Fast polygonal approximation of terrains and height fields"), with
    all triangles served in each round. Edges between neighbouring cells are always among those of the
    triangulation if both are vertices: the circle about such an edge holds no other centre.

    Examples
    --------
    >>> tilted = np.add.outer(np.arange(4.0), 2 * np.arange(5.0))
    >>> tin = thinned_tin(tilted, 0.01)
    >>> tin.cells.tolist(), len(tin.faces), tin.uncovered
    ([0, 4, 15, 19], 2, 0)
    """
    rows, columns = heights.shape
    z = np.ascontiguousarray(heights, np.float64).ravel()
    vertex = np.zeros(z.size, np.uint8)
    _begin(z, rows, columns, vertex)
    faces = _refined(z, columns, tolerance, vertex, threads)
    kept, covered, worst = _kept(faces, z, columns)
    faces = faces[kept]
    vertex[:] = 0
    vertex[faces.ravel()] = 1
    cells = np.flatnonzero(vertex)
    uncovered = int(np.count_nonzero(~np.isnan(z))) - covered
    return ThinnedTin(cells, np.searchsorted(cells, faces), float(worst), uncovered)


def _refined(
    z: NDArray[np.float64],
    columns: int,
    tolerance: float,
    vertex: NDArray[np.uint8],
    threads: int,
) -> NDArray[np.int64]:
    """Return the corners (cells) of all triangles, those in holes too, once each is good enough.

    The mesh is kept from round to round, so that only triangles that are new are looked at.
    """
    none = np.empty((0, 3), np.int64)
    fresh = np.flatnonzero(vertex)
    if len(fresh) < 3:
        return none
    cells = np.empty(0, np.int64)
    sites = np.empty(0)
    mesh, seen = np.empty(0, np.int32), np.empty((0, 3), np.int32)
    used = start = 0
    while len(fresh):
        fresh = _in_space(fresh, columns)
        first = len(cells)
        cells = np.concatenate([cells, fresh])
        sites = np.concatenate([sites, np.column_stack((fresh % columns, fresh // columns)).ravel()])
        mesh, seen = _room(mesh, seen, 2 * STRIDE * len(cells))
        order = np.arange(first, len(cells), dtype=np.int32)
        if first == 0:
            third = lay_first_triangle(sites, mesh)
            if third < 0:
                return none
            used, order = 4 * STRIDE, np.delete(order, [0, 1, third])
        used, start = _insert(sites, order, mesh, used, start)
        worst = _worst_cells(mesh[:used], seen, cells, z, columns, tolerance, vertex, threads)
        fresh = np.empty(np.count_nonzero(worst >= 0), np.int64)
        fresh = fresh[: _take_worst(mesh[:used], cells, columns, worst, vertex, fresh)]
    return cells[real_triangles(mesh, used)]


def _worst_cells(
    mesh: NDArray[np.int32],
    seen: NDArray[np.int32],
    cells: NDArray[np.int64],
    z: NDArray[np.float64],
    columns: int,
    tolerance: float,
    vertex: NDArray[np.uint8],
    threads: int,
) -> NDArray[np.int64]:
    """Return the worst cell of each new triangle, -1 where none is worse than the tolerance."""
    number = len(mesh) // STRIDE
    worst = np.empty(number, np.int64)

    def look(first: int) -> None:
        _look(mesh, seen, cells, z, columns, tolerance, vertex, first, min(first + some, number), worst)

    # New triangles lie together, and are of all sizes: each thread takes many small shares.
    some = number if threads == 1 else max(_FEWEST, number // (_SHARES * threads))
    starts = range(0, number, some)
    if len(starts) == 1:
        look(0)
    else:
        with ThreadPoolExecutor(threads, thread_name_prefix="tin") as pool:
            list(pool.map(look, starts))
    return worst


def _in_space(cells: NDArray[np.int64], columns: int) -> NDArray[np.int64]:
    """Return cells in an order in which neighbours follow each other."""
    order = spatial_order((cells % columns).astype(np.float64), (cells // columns).astype(np.float64))
    return cells[order]


def _room(
    mesh: NDArray[np.int32], seen: NDArray[np.int32], size: int
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Return the same arrays, or longer ones that begin with them."""
    if size <= len(mesh):
        return mesh, seen
    longer = np.empty(2 * size, np.int32)
    longer[: len(mesh)] = mesh
    more = np.full((len(longer) // STRIDE, 3), -1, np.int32)
    more[: len(seen)] = seen
    return longer, more


def _insert(
    sites: NDArray[np.float64], order: NDArray[np.int32], mesh: NDArray[np.int32], used: int, start: int
) -> tuple[int, int]:
    position, size = 0, _SCRATCH
    while True:
        scratch = (np.empty(size, np.int32), np.empty(3 * size, np.int32), np.empty(size, np.int32))
        position, used, start = insert_points(sites, order, mesh, position, used, start, *scratch)
        if position == order.size:
            return used, start
        size *= 2


@njit(nogil=True, cache=True)
def _begin(z, rows, columns, vertex):  # type: ignore[no-untyped-def]
    """Take the cells beside holes and the corners of the raster as vertices."""
    for r in range(rows):
        for c in range(columns):
            i = r * columns + c
            if np.isnan(z[i]):
                continue
            corner = (r == 0 or r == rows - 1) and (c == 0 or c == columns - 1)
            for s in range(max(r - 1, 0), min(r + 2, rows)):
                for d in range(max(c - 1, 0), min(c + 2, columns)):
                    if corner or np.isnan(z[s * columns + d]):
                        vertex[i] = 1


@njit(nogil=True, cache=True, error_model="numpy")
def _span(y, ax, ay, bx, by, cx, cy):  # type: ignore[no-untyped-def]
    """Return the first and last whole x of a row within a counterclockwise triangle, rim included.

    Numbers of cells are divided as floats, in a fraction of the time: up to 2^52 a quotient that isn't whole
    lies farther from the next whole number than it is rounded.
    """
    left = min(ax, bx, cx)
    right = max(ax, bx, cx)
    for side in range(3):
        if side == 0:
            px, py, qx, qy = ax, ay, bx, by
        elif side == 1:
            px, py, qx, qy = bx, by, cx, cy
        else:
            px, py, qx, qy = cx, cy, ax, ay
        if py < qy and py <= y <= qy:
            right = min(right, px + int(np.floor(float((qx - px) * (y - py)) / float(qy - py))))
        elif py > qy and qy <= y <= py:
            left = max(left, px - int(np.floor(float((px - qx) * (py - y)) / float(py - qy))))
    return left, right


@njit(nogil=True, cache=True)
def _middle(ax, ay, bx, by, cx, cy):  # type: ignore[no-untyped-def]
    """Return twice the middle of the longest edge."""
    ab = (bx - ax) ** 2 + (by - ay) ** 2
    bc = (cx - bx) ** 2 + (cy - by) ** 2
    ca = (ax - cx) ** 2 + (ay - cy) ** 2
    if ab >= bc and ab >= ca:
        return ax + bx, ay + by
    if bc >= ca:
        return bx + cx, by + cy
    return cx + ax, cy + ay


@njit(nogil=True, cache=True)
def _open(ax, ay, bx, by, cx, cy, z, columns):  # type: ignore[no-untyped-def]
    """Tell whether a triangle with nothing but its corners spans a gap between cells beside a hole.

    No triangle lies on ground in part only, since the edges of holes are edges of the triangulation. So it is
    enough to look about the middle of its longest edge, unless it is half of a square of four cells.
    """
    if (bx - ax) * (cy - ay) - (by - ay) * (cx - ax) != 1:
        return False
    twice_x, twice_y = _middle(ax, ay, bx, by, cx, cy)
    if max(ax, bx, cx) - min(ax, bx, cx) == 1 and max(ay, by, cy) - min(ay, by, cy) == 1:
        return False
    for y in range(twice_y // 2, (twice_y + 1) // 2 + 1):
        for x in range(twice_x // 2, (twice_x + 1) // 2 + 1):
            if np.isnan(z[y * columns + x]):
                return True
    return False


@njit(nogil=True, cache=True)
def _look(mesh, seen, cells, z, columns, tolerance, vertex, first, last, worst_of):  # type: ignore[no-untyped-def]
    """Find the worst cell of each new triangle among some, -1 where none is worse than the tolerance.

    A triangle that holds a cell without height stays open, and must not hold any that has one.
    """
    for t in range(first, last):
        worst_of[t] = -1
        u, v, w = mesh[STRIDE * t], mesh[STRIDE * t + 1], mesh[STRIDE * t + 2]
        if seen[t, 0] == u and seen[t, 1] == v and seen[t, 2] == w:
            continue
        seen[t, 0], seen[t, 1], seen[t, 2] = u, v, w
        if (u | v | w) < 0:
            continue
        a, b, c = cells[u], cells[v], cells[w]
        ax, ay = a % columns, a // columns
        bx, by = b % columns, b // columns
        cx, cy = c % columns, c // columns
        double = float((bx - ax) * (cy - ay) - (by - ay) * (cx - ax))
        if double <= 1:
            continue
        east = ((z[b] - z[a]) * (cy - ay) - (z[c] - z[a]) * (by - ay)) / double
        north = ((z[c] - z[a]) * (bx - ax) - (z[b] - z[a]) * (cx - ax)) / double
        worst = -1.0
        at = -1
        hole = False
        for y in range(min(ay, by, cy), max(ay, by, cy) + 1):
            left, right = _span(y, ax, ay, bx, by, cx, cy)
            base = z[a] + north * (y - ay) - east * ax
            for i in range(y * columns + left, y * columns + right + 1):
                off = abs(z[i] - (base + east * (i - y * columns)))
                if np.isnan(off):
                    hole = True
                elif off > worst and vertex[i] == 0:
                    worst = off
                    at = i
        if at >= 0 and (worst > tolerance or hole):
            worst_of[t] = at


@njit(nogil=True, cache=True)
def _take_worst(mesh, cells, columns, worst_of, vertex, fresh):  # type: ignore[no-untyped-def]
    """Make the worst cells of triangles vertices, one after the other; return how many there are.

    One on an edge serves the triangle on the other side too, unless that one had its own before.
    """
    added = 0
    for t in range(len(mesh) // STRIDE):
        at = worst_of[t]
        if at < 0:
            continue
        vertex[at] = 1
        fresh[added] = at
        added += 1
        x, y = at % columns, at // columns
        for side in range(3):
            p = cells[mesh[STRIDE * t + side]]
            q = cells[mesh[STRIDE * t + (side + 1) % 3]]
            px, py = p % columns, p // columns
            if (q % columns - px) * (y - py) == (q // columns - py) * (x - px):
                worst_of[mesh[STRIDE * t + side + _TWIN] // STRIDE] = -1
    return added


@njit(nogil=True, cache=True)
def _kept(faces, z, columns):  # type: ignore[no-untyped-def]
    """Return which triangles cover no hole, how many cells they cover, and the largest difference there."""
    kept = np.ones(len(faces), np.bool_)
    covered = np.zeros(len(z), np.bool_)
    largest = 0.0
    for t in range(len(faces)):
        a, b, c = faces[t, 0], faces[t, 1], faces[t, 2]
        ax, ay = a % columns, a // columns
        bx, by = b % columns, b // columns
        cx, cy = c % columns, c // columns
        if _open(ax, ay, bx, by, cx, cy, z, columns):
            kept[t] = False
            continue
        for y in range(min(ay, by, cy), max(ay, by, cy) + 1):
            left, right = _span(y, ax, ay, bx, by, cx, cy)
            for i in range(y * columns + left, y * columns + right + 1):
                if np.isnan(z[i]):
                    kept[t] = False
        if not kept[t]:
            continue
        double = float((bx - ax) * (cy - ay) - (by - ay) * (cx - ax))
        for y in range(min(ay, by, cy), max(ay, by, cy) + 1):
            left, right = _span(y, ax, ay, bx, by, cx, cy)
            for x in range(left, right + 1):
                # Weights by areas: another way to the height than that by which vertices were chosen.
                weight_b = ((x - ax) * (cy - ay) - (y - ay) * (cx - ax)) / double
                weight_c = ((bx - ax) * (y - ay) - (by - ay) * (x - ax)) / double
                height = z[a] + weight_b * (z[b] - z[a]) + weight_c * (z[c] - z[a])
                i = y * columns + x
                covered[i] = True
                largest = max(largest, abs(z[i] - height))
    return kept, np.count_nonzero(covered), largest

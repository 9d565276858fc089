"""Facets from a Delaunay triangulation: of the cells of a raster, and of points left out, in one pass each.

What :mod:`cloudprep.kernels.facets` finds for one position by a search is read off the triangles here. A
triangle counts only if its circle stays within a given distance of the position, so that whoever has all
points within that distance finds the same triangle. All numbers are differences of whole steps from the
corner that comes first in (x, y): they come out the same to the bit whatever else is triangulated.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.elementary import take_exponentials, take_logarithms
from cloudprep.kernels.facets import enclosing
from cloudprep.kernels.hilbert import spatial_order
from cloudprep.kernels.tin import places_before
from cloudprep.kernels.tin_points import SUBSTEPS
from cloudprep.kernels.triangulation import triangle_mesh
from cloudprep.kernels.triangulation_mesh import STRIDE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_TWIN = 4
_SIDE = 7
# Points around one that are looked at; where there are more, it counts as not found.
_MOST_AROUND = 256
_MOST_OFF = 100.0
# The constants below were set on demo scenes of seeds 1 to 3. What a difference counts for beside others that
# have points in common with it:
_OF_EACH = 0.7
# What is seen of an even triangle counts for so much if all around is even too, and for so much if it lies
# beside a break of each of these classes (from the fifth on: turns of slopes as well as walls).
_ALONE, _BESIDE = 0.4, 0.12
_BREAKS = 4
# A difference that none of two classes explains is as likely as this, so that nothing vanishes.
_LEAST = 1e-50
# Triangles that are weighed together, and positions whose gaps are reckoned together.
_LOT = 128


class Differences(NamedTuple):
    """What a mesh's points tell of the roughness of the ground.

    Attributes
    ----------
    z : ndarray of float64, shape (n,)
        Heights of the mesh's points, m.
    noise : ndarray of float64, shape (n,)
        Variance of heights there that their measurement explains, m2, > 0.
    off, weight, gap : ndarray of float64, shape (n,)
        Of each point left out: how far it lies above what is interpolated from those around it (m; NaN where
        unknown), and the weight and gap of that, see :class:`cloudprep.kernels.facets.Facets`.
    classes : ndarray of float64, shape (k,)
        Roughness of each class.
    """

    z: Floats
    noise: Floats
    off: Floats
    weight: Floats
    gap: Floats
    classes: Floats


class Mesh(NamedTuple):
    """Distinct points on whole steps and their triangles.

    Attributes
    ----------
    steps : ndarray of float64, shape (n, 2)
        Whole numbers from the lowest column and row, along the Hilbert curve.
    left, bottom : int
        Where they are counted from.
    given : ndarray of int32, shape (n,)
        Which of the points given each is.
    triangles : ndarray of int32
        The mesh in use, see :mod:`cloudprep.kernels.triangulation_mesh`; empty where there are no triangles.
    """

    steps: Floats
    left: int
    bottom: int
    given: NDArray[np.int32]
    triangles: NDArray[np.int32]


def mesh_of(columns: Floats, rows: Floats, z: Floats) -> Mesh:
    """Return the triangles of points.

    Parameters
    ----------
    columns, rows : ndarray of float64, shape (n,), n >= 1
        Whole steps within 2^26 of each other.
    z : ndarray of float64, shape (n,)
        Heights: of points in one place the lowest counts.

    Returns
    -------
    Mesh
        Distinct points and triangles.
    """
    left, bottom = float(columns.min()), float(rows.min())
    x, y = columns - left, rows - bottom
    steps, index = np.empty((len(x), 2)), np.empty(len(x), np.int32)
    n = _distinct(spatial_order(x, y), x, y, z, steps, index)
    steps = steps[:n]
    mesh, used = triangle_mesh(steps)
    return Mesh(steps, int(left), int(bottom), index[:n], mesh[:used])


def cell_facets(
    mesh: Mesh,
    columns: NDArray[np.int64],
    rows: NDArray[np.int64],
    step: float,
    farthest: float,
    wanted: NDArray[np.bool_],
    figures: tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]],
    differences: Differences,
    holder: NDArray[np.int32],
) -> NDArray[np.float32]:
    """Find the triangles that hold the positions of a raster, and what tells how rough the ground is there.

    A position on an edge belongs to the triangle on one side of it, told by the edge's direction. What
    is seen of a triangle are six differences: how far the points of its three neighbours lie off its plane,
    and its corners off what is interpolated in their places. They have points in common, so each counts for
    less than one. An even triangle may lie beside a break, such as a wall or the foot of a bank; then each
    difference is either even or of the break's class, as likely one as the other. So what lies at the foot
    of a wall isn't taken for the wall.

    Parameters
    ----------
    mesh : Mesh
        The triangles.
    columns, rows : ndarray of int64, shapes (c,) and (r,), both >= 1
        Positions in x and y, ascending, in 1/256 of a step from where the mesh counts.
    step : float
        Length of a step, m.
    farthest : float
        Triangles whose circle reaches farther from the position are left out, steps.
    wanted : ndarray of bool, shape (r, c)
        Which positions are asked for; those found are changed in place to False.
    figures : tuple of ndarray of float32, shape (r, c)
        Weight, gap and bend as in :class:`cloudprep.kernels.facets.Facets`, filled in place where found.
    differences : Differences
        Of the mesh's points.
    holder : ndarray of int32, shape (r, c)
        Which row of the result is that of a position's triangle, filled in place where found: -1 where its
        circle is wider than half of ``farthest``.

    Returns
    -------
    ndarray of float32, shape (t, k)
        How likely what is seen of each of some triangles is for each class, as a part of the likeliest way to
        see it.
    """
    if len(mesh.triangles) == 0:
        return np.empty((0, len(differences.classes)), np.float32)
    before = places_before(mesh.steps[:, 0], columns), places_before(mesh.steps[:, 1], rows)
    asked = columns, rows, *before, step, farthest, wanted, *figures
    sites = mesh.steps.ravel()
    seen = np.empty(min(len(mesh.triangles) // STRIDE, int(np.count_nonzero(wanted))), np.int32)
    seen = seen[: _cells(sites, mesh.triangles, *asked, seen, holder)]
    likely = np.empty((len(seen), len(differences.classes)), np.float32)
    _likelihoods(sites, mesh.triangles, seen, step, farthest / 2, *differences, likely)
    return likely


def left_out_facets(
    mesh: Mesh, z: Floats, own: NDArray[np.bool_], step: float, farthest: float
) -> tuple[NDArray[np.bool_], Floats, Floats, Floats]:
    """Leave out each of some points, and interpolate it from those around.

    The triangle that holds the place of a point that is taken away has corners among the points that it
    shares edges with.

    Parameters
    ----------
    mesh : Mesh
        The triangles.
    z : ndarray of float64, shape (n,)
        Heights of the mesh's points, m.
    own : ndarray of bool, shape (n,)
        Which points are asked for.
    step : float
        Length of a step, m.
    farthest : float
        Points on a triangle whose circle is wider are left out, steps.

    Returns
    -------
    found : ndarray of bool, shape (n,)
        Which were interpolated; others of ``own`` have a wide triangle or lie on the rim.
    height, weight, gap : ndarray of float64, shape (n,)
        As in :class:`cloudprep.kernels.facets.Facets`, where found.
    """
    n = len(z)
    found, figures = np.zeros(n, bool), np.zeros((3, n))
    if len(mesh.triangles):
        _stars(mesh.steps.ravel(), z, mesh.triangles, own, step, farthest, found, *figures)
    return found, figures[0], figures[1], figures[2]


@njit(nogil=True, cache=True)
def _distinct(order, x, y, z, steps, index):  # type: ignore[no-untyped-def]
    n = 0
    for i in range(len(order)):
        at = order[i]
        if n > 0 and steps[n - 1, 0] == x[at] and steps[n - 1, 1] == y[at]:
            if z[at] < z[index[n - 1]]:
                index[n - 1] = at
            continue
        steps[n, 0], steps[n, 1] = x[at], y[at]
        index[n] = at
        n += 1
    return n


@njit(nogil=True, cache=True, error_model="numpy")
def _circle(sites, a, b, c):  # type: ignore[no-untyped-def]
    """Return the centre of a triangle's circle from its first corner, and its radius."""
    bx, by = sites[2 * b] - sites[2 * a], sites[2 * b + 1] - sites[2 * a + 1]
    cx, cy = sites[2 * c] - sites[2 * a], sites[2 * c + 1] - sites[2 * a + 1]
    twice = 2.0 * (bx * cy - cx * by)
    b2, c2 = bx * bx + by * by, cx * cx + cy * cy
    u, v = (cy * b2 - by * c2) / twice, (bx * c2 - cx * b2) / twice
    return u, v, np.sqrt(u * u + v * v)


@njit(nogil=True, cache=True)
def _earlier(sites, a, b):  # type: ignore[no-untyped-def]
    # Without a jump: which comes first is as good as chance, and a jump guessed wrongly costs more than all.
    ax, bx = sites[2 * a], sites[2 * b]
    return (ax < bx) | ((ax == bx) & (sites[2 * a + 1] < sites[2 * b + 1]))


@njit(nogil=True, cache=True)
def _first_first(sites, a, b, c):  # type: ignore[no-untyped-def]
    """Turn a triangle so that its first corner comes first in (x, y)."""
    ab, bc, ca = _earlier(sites, a, b), _earlier(sites, b, c), _earlier(sites, c, a)
    is_b, is_c = bc & (not ab), ca & (not bc)
    return (
        b if is_b else (c if is_c else a),
        c if is_b else (a if is_c else b),
        a if is_b else (b if is_c else c),
    )


@njit(nogil=True, cache=True)
def _holds(weight, dx, dy):  # type: ignore[no-untyped-def]
    """Tell whether a position is on the inner side of an edge, or on it and it belongs here."""
    return weight > 0 or (weight == 0 and (dy > 0 or (dy == 0 and dx < 0)))


@njit(nogil=True, cache=True, error_model="numpy")
def _gaps(squares, shares, gaps):  # type: ignore[no-untyped-def]
    """Reckon gaps of positions in triangles.

    ``squares`` are the squared distances (m2) of the position from the corners, and of the corners from each
    other; ``shares`` the weights of the corners.
    """
    for t in range(len(gaps)):
        sa, sb, sc = shares[0, t], shares[1, t], shares[2, t]
        g = sa * np.sqrt(squares[0, t]) + sb * np.sqrt(squares[1, t]) + sc * np.sqrt(squares[2, t])
        g -= sa * sb * np.sqrt(squares[3, t]) + sb * sc * np.sqrt(squares[4, t])
        g -= sc * sa * np.sqrt(squares[5, t])
        gaps[t] = max(g, 0.0)


@njit(nogil=True, cache=True, error_model="numpy")
def _beside(sites, mesh, base, farthest, corner, apex, place):  # type: ignore[no-untyped-def]
    """Find a triangle's corners and the points of its neighbours beyond their common edges.

    ``corner`` is filled with the corners, the one that comes first ahead: what is reckoned doesn't depend on
    how the mesh is written down. ``apex`` is filled with the points, -1 where the neighbour doesn't count,
    and ``place`` with their places from the first corner, steps.
    """
    a, b, c = _first_first(sites, mesh[base], mesh[base + 1], mesh[base + 2])
    side = 0 if a == mesh[base] else (1 if a == mesh[base + 1] else 2)
    corner[0], corner[1], corner[2] = a, b, c
    ax, ay = sites[2 * a], sites[2 * a + 1]
    for i in range(3):
        apex[i] = -1
        twin = mesh[base + (side + i) % 3 + _TWIN]
        other = twin - (twin & _SIDE)
        p, q, d = mesh[other], mesh[other + 1], mesh[other + 2]
        if (p | q | d) < 0:
            continue
        p, q, d = _first_first(sites, p, q, d)
        u, v, radius = _circle(sites, p, q, d)
        u, v = u + (sites[2 * p] - ax), v + (sites[2 * p + 1] - ay)
        if not np.sqrt(u * u + v * v) + radius <= farthest:
            continue
        d = mesh[twin - 1 if (twin & _SIDE) > 0 else twin + 2]
        apex[i] = d
        place[i, 0], place[i, 1] = sites[2 * d] - ax, sites[2 * d + 1] - ay


@njit(nogil=True, cache=True, error_model="numpy")
def _weigh(even, rough, square, rougher, weighed, product):  # type: ignore[no-untyped-def]
    """Weigh one difference of each triangle; so few arrays that the compiler makes vectors of them."""
    for t in range(len(even)):
        variance = even[t] + rougher * rough[t]
        weighed[t] += square[t] / variance
        product[t] *= variance


@njit(nogil=True, cache=True, error_model="numpy")
def _densities(even, rough, square, rougher, peaks, density):  # type: ignore[no-untyped-def]
    """Set the densities of a class at one difference of each triangle, but for a factor."""
    for t in range(len(even)):
        narrow = 1.0 / (even[t] + rougher * rough[t])
        density[t] = -0.5 * square[t] * narrow
        peaks[t] = np.sqrt(narrow)


@njit(nogil=True, cache=True, error_model="numpy")
def _either(one, one_peak, other, other_peak, product):  # type: ignore[no-untyped-def]
    """Multiply in that a difference is of either of two classes."""
    for t in range(len(product)):
        product[t] *= 0.5 * (one[t] * one_peak[t] + other[t] * other_peak[t]) + _LEAST


@njit(nogil=True, cache=True, error_model="numpy")
def _likelihoods(  # type: ignore[no-untyped-def]
    sites, mesh, seen, step, farthest, z, noise, off, point_weight, point_gap, classes, found
):
    """Weigh how far the points of neighbouring triangles lie off a triangle's plane, and its corners too.

    Triangles are taken many at a time, step by step, so that logarithms are taken of many numbers at once.
    All variances are parts of that of the measurement, which all classes have in common.
    """
    corner, apex, place = np.empty(3, np.int64), np.empty(3, np.int64), np.empty((3, 2))
    squares = np.ones((12, _LOT))  # of the distances, corners among each other first
    shares = np.zeros((6, _LOT))  # of b and c, for each side
    even, rough, off_square = np.ones((6, _LOT)), np.zeros((6, _LOT)), np.zeros((6, _LOT))
    measured = np.empty(_LOT)
    count, breaks = len(classes), max(len(classes) - _BREAKS, 0)
    # Of each class, then of even ground beside each class of breaks.
    products, weighed = np.empty((count + breaks, _LOT)), np.empty((count + breaks, _LOT))
    densities, peaks = np.empty((1 + breaks, 6, _LOT)), np.empty((1 + breaks, 6, _LOT))
    flat = densities.reshape((1 + breaks) * 6 * _LOT)
    chances, logarithms = weighed.reshape((count + breaks) * _LOT), products.reshape((count + breaks) * _LOT)
    least = np.empty(_LOT)
    square_step = step * step
    for start in range(0, len(seen), _LOT):
        n = min(len(seen) - start, _LOT)
        for t in range(n):
            _beside(sites, mesh, seen[start + t], farthest, corner, apex, place)
            a, b, c = corner[0], corner[1], corner[2]
            ax, ay = sites[2 * a], sites[2 * a + 1]
            abx, aby = sites[2 * b] - ax, sites[2 * b + 1] - ay
            acx, acy = sites[2 * c] - ax, sites[2 * c + 1] - ay
            bcx, bcy = acx - abx, acy - aby
            area = abx * acy - aby * acx
            squares[0, t] = (abx * abx + aby * aby) * square_step
            squares[1, t] = (bcx * bcx + bcy * bcy) * square_step
            squares[2, t] = (acx * acx + acy * acy) * square_step
            s2 = (noise[a] + noise[b] + noise[c]) / 3
            measured[t] = s2
            for i in range(3):
                p = corner[i]
                known = np.isfinite(off[p])
                even[i, t] = 1 + point_weight[p] if known else 1.0
                rough[i, t] = point_gap[p] / s2 if known else 0.0
                off_square[i, t] = off[p] * off[p] / s2 if known else 0.0
                d = apex[i]
                if d < 0:
                    even[3 + i, t], off_square[3 + i, t] = 1.0, -1.0
                    continue
                x, y = place[i, 0], place[i, 1]
                sb, sc = (acy * x - acx * y) / area, (abx * y - aby * x) / area
                sa = 1.0 - sb - sc
                off_plane = min(abs((z[d] - z[a]) - (sb * (z[b] - z[a]) + sc * (z[c] - z[a]))), _MOST_OFF)
                shares[2 * i, t], shares[2 * i + 1, t] = sb, sc
                even[3 + i, t] = 1 + sa * sa + sb * sb + sc * sc
                off_square[3 + i, t] = off_plane * off_plane / s2
                squares[3 + 3 * i, t] = (x * x + y * y) * square_step
                bx, by, cx, cy = x - abx, y - aby, x - acx, y - acy
                squares[4 + 3 * i, t] = (bx * bx + by * by) * square_step
                squares[5 + 3 * i, t] = (cx * cx + cy * cy) * square_step
        for i in range(3):
            k = 3 + 3 * i
            for t in range(n):
                sb, sc = shares[2 * i, t], shares[2 * i + 1, t]
                sa = 1.0 - sb - sc
                g = sa * np.sqrt(squares[k, t]) + sb * np.sqrt(squares[k + 1, t])
                g += sc * np.sqrt(squares[k + 2, t]) - sa * sb * np.sqrt(squares[0, t])
                g -= sb * sc * np.sqrt(squares[1, t]) + sc * sa * np.sqrt(squares[2, t])
                known = off_square[3 + i, t] >= 0.0
                rough[3 + i, t] = max(g, 0.0) / measured[t] if known else 0.0
                off_square[3 + i, t] = max(off_square[3 + i, t], 0.0)
        products[:] = 1.0
        for k in range(count):
            weighed[k] = 0.0
            for i in range(6):
                _weigh(even[i], rough[i], off_square[i], classes[k], weighed[k], products[k])
        for k in range(1 + breaks):
            rougher = classes[k + _BREAKS - 1 if k > 0 else 0]
            for i in range(6):
                _densities(even[i], rough[i], off_square[i], rougher, peaks[k, i], densities[k, i])
        take_exponentials(flat)
        for k in range(breaks):
            for i in range(6):
                other = densities[k + 1, i], peaks[k + 1, i]
                _either(densities[0, i], peaks[0, i], *other, products[count + k])
        take_logarithms(logarithms)
        for t in range(_LOT):
            least[t] = np.inf
        for k in range(count + breaks):
            for t in range(_LOT):
                if k < count:
                    weighed[k, t] += products[k, t]
                else:
                    weighed[k, t] = -2.0 * products[k, t]
                least[t] = min(least[t], weighed[k, t])
        for k in range(count + breaks):
            for t in range(_LOT):
                weighed[k, t] = 0.5 * _OF_EACH * (least[t] - weighed[k, t])
        take_exponentials(chances)
        for t in range(n):
            beside = 0.0
            for k in range(count, count + breaks):
                beside += weighed[k, t]
            found[start + t, 0] = _ALONE * weighed[0, t] + _BESIDE * beside
            for k in range(1, count):
                found[start + t, k] = weighed[k, t]


@njit(nogil=True, cache=True, error_model="numpy")
def _cells(  # type: ignore[no-untyped-def]
    sites,
    mesh,
    columns,
    rows,
    before_x,
    before_y,
    step,
    farthest,
    wanted,
    weight,
    gap,
    bend,
    seen,
    holder,
):
    n_seen = waiting = 0
    which = np.empty((_LOT, 2), np.int64)
    squares, shares, gaps = np.ones((6, _LOT)), np.zeros((3, _LOT)), np.empty(_LOT)
    n_rows, n_columns = len(rows), len(columns)
    scale = step / SUBSTEPS
    for base in range(0, len(mesh), STRIDE):
        a, b, c = mesh[base], mesh[base + 1], mesh[base + 2]
        if (a | b | c) < 0:
            continue
        r0, r1 = min(before_y[a], before_y[b], before_y[c]), max(before_y[a], before_y[b], before_y[c])
        c0, c1 = min(before_x[a], before_x[b], before_x[c]), max(before_x[a], before_x[b], before_x[c])
        # One on the highest corner counts too.
        r1, c1 = min(r1, n_rows - 1), min(c1, n_columns - 1)
        if r0 > r1 or c0 > c1:
            continue
        a, b, c = _first_first(sites, a, b, c)
        ax, ay = np.int64(sites[2 * a]) * SUBSTEPS, np.int64(sites[2 * a + 1]) * SUBSTEPS
        abx, aby = np.int64(sites[2 * b] - sites[2 * a]), np.int64(sites[2 * b + 1] - sites[2 * a + 1])
        acx, acy = np.int64(sites[2 * c] - sites[2 * a]), np.int64(sites[2 * c + 1] - sites[2 * a + 1])
        bcx, bcy = acx - abx, acy - aby
        area = np.float64(abx * acy - acx * aby) * SUBSTEPS
        near, number = False, -1
        u = v = radius = ab = bc = ca = 0.0
        for r in range(r0, r1 + 1):
            y = rows[r] - ay
            for k in range(c0, c1 + 1):
                x = columns[k] - ax
                of_c = abx * y - aby * x
                of_b = acy * x - acx * y
                of_a = bcx * (y - aby * SUBSTEPS) - bcy * (x - abx * SUBSTEPS)
                if (of_a | of_b | of_c) < 0 or not wanted[r, k]:
                    continue
                if not (_holds(of_c, abx, aby) and _holds(of_a, bcx, bcy) and _holds(of_b, -acx, -acy)):
                    continue
                if not near:
                    near = True
                    u, v, radius = _circle(sites, a, b, c)
                    ab = (abx * step) ** 2 + (aby * step) ** 2
                    bc = (bcx * step) ** 2 + (bcy * step) ** 2
                    ca = (acx * step) ** 2 + (acy * step) ** 2
                away_x, away_y = u - x / SUBSTEPS, v - y / SUBSTEPS
                if np.sqrt(away_x * away_x + away_y * away_y) + radius > farthest:
                    continue
                wanted[r, k] = False
                if number < 0 and 4.0 * radius <= farthest:
                    number = n_seen
                    seen[number] = base
                    n_seen += 1
                sa, sb, sc = of_a / area, of_b / area, of_c / area
                xa, ya = x * scale, y * scale
                xb, yb = (x - abx * SUBSTEPS) * scale, (y - aby * SUBSTEPS) * scale
                xc, yc = (x - acx * SUBSTEPS) * scale, (y - acy * SUBSTEPS) * scale
                weight[r, k] = sa * sa + sb * sb + sc * sc
                bend[r, k] = sa * (xa * xa + ya * ya) + sb * (xb * xb + yb * yb) + sc * (xc * xc + yc * yc)
                which[waiting, 0], which[waiting, 1] = r, k
                shares[0, waiting], shares[1, waiting], shares[2, waiting] = sa, sb, sc
                squares[0, waiting] = xa * xa + ya * ya
                squares[1, waiting] = xb * xb + yb * yb
                squares[2, waiting] = xc * xc + yc * yc
                squares[3, waiting], squares[4, waiting], squares[5, waiting] = ab, bc, ca
                waiting += 1
                if waiting == _LOT:
                    _gaps(squares, shares, gaps)
                    for t in range(waiting):
                        gap[which[t, 0], which[t, 1]] = gaps[t]
                    waiting = 0
                holder[r, k] = number
    _gaps(squares, shares, gaps)
    for t in range(waiting):
        gap[which[t, 0], which[t, 1]] = gaps[t]
    return n_seen


@njit(nogil=True, cache=True, error_model="numpy")
def _stars(sites, z, mesh, own, step, farthest, found, height, weight, gap):  # type: ignore[no-untyped-def]
    n = len(z)
    first, rim = np.full(n, -1, np.int32), np.zeros(n, np.bool_)
    wide = np.zeros(len(mesh) // STRIDE, np.bool_)
    for base in range(0, len(mesh), STRIDE):
        a, b, c = mesh[base], mesh[base + 1], mesh[base + 2]
        if (a | b | c) < 0:
            for side in range(3):
                if mesh[base + side] >= 0:
                    rim[mesh[base + side]] = True
            continue
        first[a], first[b], first[c] = base, base + 1, base + 2
        a, b, c = _first_first(sites, a, b, c)
        _, _, radius = _circle(sites, a, b, c)
        wide[base // STRIDE] = not 2.0 * radius <= farthest
    link = np.empty(_MOST_AROUND, np.int64)
    u, v, far = np.empty(_MOST_AROUND), np.empty(_MOST_AROUND), np.empty(_MOST_AROUND)
    corner, share = np.zeros(3, np.int64), np.zeros(3)
    which, waiting = np.empty(_LOT, np.int64), 0
    squares, shares, gaps = np.ones((6, _LOT)), np.zeros((3, _LOT)), np.empty(_LOT)
    for p in range(n):
        if not own[p] or rim[p] or first[p] < 0:
            continue
        edge = first[p]
        around = 0
        start = 0
        while True:
            base = edge - (edge & _SIDE)
            if wide[base // STRIDE] or around == _MOST_AROUND:
                around = -1
                break
            to = mesh[edge + 1 if (edge & _SIDE) < 2 else edge - 2]
            link[around] = to
            if around > 0 and _earlier(sites, to, link[start]):
                start = around
            around += 1
            edge = mesh[(edge - 1 if (edge & _SIDE) > 0 else edge + 2) + _TWIN]
            if edge == first[p]:
                break
        if around < 0:
            continue
        x, y = sites[2 * p], sites[2 * p + 1]
        for i in range(around):
            # From the one that comes first, so that rounding is the same however the mesh is written down.
            q = link[(start + i) % around]
            u[i], v[i] = (sites[2 * q] - x) * step, (sites[2 * q + 1] - y) * step
            far[i] = u[i] * u[i] + v[i] * v[i]
        if enclosing(u, v, far, around, corner, share) < 0:
            continue
        i, j, k = corner[0], corner[1], corner[2]
        sa, sb, sc = share[0], share[1], share[2]
        za = z[link[(start + i) % around]]
        height[p] = za + (
            sb * (z[link[(start + j) % around]] - za) + sc * (z[link[(start + k) % around]] - za)
        )
        weight[p] = sa * sa + sb * sb + sc * sc
        found[p] = True
        which[waiting] = p
        shares[0, waiting], shares[1, waiting], shares[2, waiting] = sa, sb, sc
        squares[0, waiting] = u[i] * u[i] + v[i] * v[i]
        squares[1, waiting] = u[j] * u[j] + v[j] * v[j]
        squares[2, waiting] = u[k] * u[k] + v[k] * v[k]
        squares[3, waiting] = (u[i] - u[j]) ** 2 + (v[i] - v[j]) ** 2
        squares[4, waiting] = (u[j] - u[k]) ** 2 + (v[j] - v[k]) ** 2
        squares[5, waiting] = (u[k] - u[i]) ** 2 + (v[k] - v[i]) ** 2
        waiting += 1
        if waiting == _LOT:
            _gaps(squares, shares, gaps)
            for t in range(waiting):
                gap[which[t]] = gaps[t]
            waiting = 0
    _gaps(squares, shares, gaps)
    for t in range(waiting):
        gap[which[t]] = gaps[t]

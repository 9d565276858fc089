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
from cloudprep.kernels.facets import enclosing, spread
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
# What a difference counts for beside others that have points in common with it; set on demo scenes of seeds 1
# and 2.
_OF_A_SIDE, _OF_A_CORNER = 0.4, 0.3


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
    evidence: NDArray[np.float32],
) -> None:
    """Find the triangles that hold the positions of a raster, and what tells how rough the ground is there.

    A position on an edge belongs to the triangle on one side of it, told by the edge's direction. What
    is seen of a triangle are six differences: how far the points of its three neighbours lie off its plane,
    and its corners off what is interpolated in their places. They have points in common, so each counts for
    less than one.

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
    evidence : ndarray of float32, shape (r, c, k)
        Logarithms of how likely the differences are for each class, filled in place where found; they are as
        they were in triangles whose circle is wider than half of ``farthest``.
    """
    if len(mesh.triangles) == 0:
        return
    before = places_before(mesh.steps[:, 0], columns), places_before(mesh.steps[:, 1], rows)
    asked = columns, rows, *before, step, farthest, wanted, *figures
    _cells(mesh.steps.ravel(), mesh.triangles, *asked, *differences, evidence)


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
    found, figures = np.zeros(n, bool), np.empty((3, n))
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


@njit(nogil=True, cache=True)
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
    return sites[2 * a] < sites[2 * b] or (
        sites[2 * a] == sites[2 * b] and sites[2 * a + 1] < sites[2 * b + 1]
    )


@njit(nogil=True, cache=True)
def _first_first(sites, a, b, c):  # type: ignore[no-untyped-def]
    """Turn a triangle so that its first corner comes first in (x, y)."""
    if _earlier(sites, b, a) and _earlier(sites, b, c):
        return b, c, a
    if _earlier(sites, c, a) and _earlier(sites, c, b):
        return c, a, b
    return a, b, c


@njit(nogil=True, cache=True)
def _holds(weight, dx, dy):  # type: ignore[no-untyped-def]
    """Tell whether a position is on the inner side of an edge, or on it and it belongs here."""
    return weight > 0 or (weight == 0 and (dy > 0 or (dy == 0 and dx < 0)))


@njit(nogil=True, cache=True, error_model="numpy")
def _weigh(share, square, even, gap, classes, likely):  # type: ignore[no-untyped-def]
    """Add the logarithms of how likely a difference is for each class."""
    for m in range(len(classes)):
        variance = even + classes[m] * gap
        likely[m] -= share * 0.5 * (square / variance + np.log(variance))


@njit(nogil=True, cache=True)
def _corners(a, b, c, noise, off, weight, gap, classes, likely):  # type: ignore[no-untyped-def]
    for i in range(3):
        p = a if i == 0 else (b if i == 1 else c)
        if np.isfinite(off[p]):
            _weigh(_OF_A_CORNER, off[p] * off[p], noise * (1 + weight[p]), gap[p], classes, likely)


@njit(nogil=True, cache=True, error_model="numpy")
def _beside(sites, z, mesh, base, side, noise, step, farthest, classes, likely):  # type: ignore[no-untyped-def]
    """Weigh how far the points of the neighbouring triangles lie off a triangle's plane.

    ``side`` is that of the corner which comes first: what is reckoned doesn't depend on how the mesh is
    written down.
    """
    a, b, c = mesh[base + side], mesh[base + (side + 1) % 3], mesh[base + (side + 2) % 3]
    ax, ay = sites[2 * a], sites[2 * a + 1]
    abx, aby = sites[2 * b] - ax, sites[2 * b + 1] - ay
    acx, acy = sites[2 * c] - ax, sites[2 * c + 1] - ay
    area = abx * acy - aby * acx
    for i in range(3):
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
        x, y = sites[2 * d] - ax, sites[2 * d + 1] - ay
        sb, sc = (acy * x - acx * y) / area, (abx * y - aby * x) / area
        sa = 1.0 - sb - sc
        off = min(abs((z[d] - z[a]) - (sb * (z[b] - z[a]) + sc * (z[c] - z[a]))), _MOST_OFF)
        g = sa * spread(x * step, y * step)
        g += sb * spread((x - abx) * step, (y - aby) * step)
        g += sc * spread((x - acx) * step, (y - acy) * step)
        g -= sa * sb * spread(abx * step, aby * step)
        g -= sb * sc * spread((acx - abx) * step, (acy - aby) * step)
        g -= sc * sa * spread(acx * step, acy * step)
        even = noise * (1 + sa * sa + sb * sb + sc * sc)
        _weigh(_OF_A_SIDE, off * off, even, max(g, 0.0), classes, likely)


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
    z,
    noise,
    off,
    point_weight,
    point_gap,
    classes,
    evidence,
):
    likely = np.zeros(len(classes))
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
        first = a
        a, b, c = _first_first(sites, a, b, c)
        side = 0 if a == first else (1 if a == mesh[base + 1] else 2)
        ax, ay = np.int64(sites[2 * a]) * SUBSTEPS, np.int64(sites[2 * a + 1]) * SUBSTEPS
        abx, aby = np.int64(sites[2 * b] - sites[2 * a]), np.int64(sites[2 * b + 1] - sites[2 * a + 1])
        acx, acy = np.int64(sites[2 * c] - sites[2 * a]), np.int64(sites[2 * c + 1] - sites[2 * a + 1])
        bcx, bcy = acx - abx, acy - aby
        area = np.float64(abx * acy - acx * aby) * SUBSTEPS
        near = seen = False
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
                    ab = spread(abx * step, aby * step)
                    bc = spread(bcx * step, bcy * step)
                    ca = spread(acx * step, acy * step)
                    seen = 4.0 * radius <= farthest
                    if seen:
                        s2 = (noise[a] + noise[b] + noise[c]) / 3
                        likely[:] = 0.0
                        _corners(a, b, c, s2, off, point_weight, point_gap, classes, likely)
                        _beside(sites, z, mesh, base, side, s2, step, farthest / 2, classes, likely)
                away_x, away_y = u - x / SUBSTEPS, v - y / SUBSTEPS
                if np.sqrt(away_x * away_x + away_y * away_y) + radius > farthest:
                    continue
                wanted[r, k] = False
                sa, sb, sc = of_a / area, of_b / area, of_c / area
                xa, ya = x * scale, y * scale
                xb, yb = (x - abx * SUBSTEPS) * scale, (y - aby * SUBSTEPS) * scale
                xc, yc = (x - acx * SUBSTEPS) * scale, (y - acy * SUBSTEPS) * scale
                weight[r, k] = sa * sa + sb * sb + sc * sc
                bend[r, k] = sa * (xa * xa + ya * ya) + sb * (xb * xb + yb * yb) + sc * (xc * xc + yc * yc)
                g = sa * spread(xa, ya) + sb * spread(xb, yb) + sc * spread(xc, yc)
                gap[r, k] = max(g - sa * sb * ab - sb * sc * bc - sc * sa * ca, 0.0)
                if seen:
                    for m in range(len(classes)):
                        evidence[r, k, m] = likely[m]


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
        g = sa * spread(u[i], v[i]) + sb * spread(u[j], v[j]) + sc * spread(u[k], v[k])
        g -= sa * sb * spread(u[i] - u[j], v[i] - v[j])
        g -= sb * sc * spread(u[j] - u[k], v[j] - v[k])
        g -= sc * sa * spread(u[k] - u[i], v[k] - v[i])
        gap[p] = max(g, 0.0)
        found[p] = True

"""The smallest distances so far of eight points, offered those to eight others at once.

Eight lanes are sorted side by side by exchanges that no value decides about, so that nothing waits for a
branch: the eight candidates by a network of 19 exchanges, and what is held is merged with them eight rows at
a time. Networks: D. E. Knuth, The Art of Computer Programming 3, 5.3.4 (19 exchanges for eight values; K. E.
Batcher's bitonic merge).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.simd import below, larger, load, minus, plus, smaller, spread, squared, store

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Rows are held, and merged, in groups of so many, the last one of half as many if these are enough.
GROUP = 8
HALF = 4


@njit(nogil=True, cache=True)
def squared_distances(own: Floats, px: float, py: float, pz: float) -> Floats:
    """Return the squared distances of the eight points of a leaf to a point."""
    return plus(
        plus(squared(minus(load(own, 0), spread(px))), squared(minus(load(own, 8), spread(py)))),
        squared(minus(load(own, 16), spread(pz))),
    )


@njit(nogil=True, cache=True)
def keep_eight(x: Floats, y: Floats, z: Floats, at: int, own: Floats, best: Floats, last_row: int) -> bool:
    """Offer eight points to each of the eight points of a leaf, which keep their smallest squared distances.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (n,)
        Coordinates, m; infinite ones are no points.
    at : int
        The first of the eight points.
    own : ndarray of float64, shape (24,)
        Coordinates of the leaf's points: 8 x, 8 y, 8 z.
    best : ndarray of float64, shape (rows * 8,)
        Ascending rows of eight squared distances, a multiple of eight rows.
    last_row : int
        Rows beyond this one are of no interest.

    Returns
    -------
    bool
        Whether any was nearer than the last row of its lane; else nothing changes.
    """
    a = squared_distances(own, x[at], y[at], z[at])
    b = squared_distances(own, x[at + 1], y[at + 1], z[at + 1])
    c = squared_distances(own, x[at + 2], y[at + 2], z[at + 2])
    d = squared_distances(own, x[at + 3], y[at + 3], z[at + 3])
    e = squared_distances(own, x[at + 4], y[at + 4], z[at + 4])
    f = squared_distances(own, x[at + 5], y[at + 5], z[at + 5])
    g = squared_distances(own, x[at + 6], y[at + 6], z[at + 6])
    h = squared_distances(own, x[at + 7], y[at + 7], z[at + 7])
    a, c = smaller(a, c), larger(a, c)
    b, d = smaller(b, d), larger(b, d)
    e, g = smaller(e, g), larger(e, g)
    f, h = smaller(f, h), larger(f, h)
    a, e = smaller(a, e), larger(a, e)
    b, f = smaller(b, f), larger(b, f)
    c, g = smaller(c, g), larger(c, g)
    d, h = smaller(d, h), larger(d, h)
    a, b = smaller(a, b), larger(a, b)
    # The nearest is known now.
    if below(a, load(best, last_row * 8)) == 0:
        return False
    c, d = smaller(c, d), larger(c, d)
    e, f = smaller(e, f), larger(e, f)
    g, h = smaller(g, h), larger(g, h)
    c, e = smaller(c, e), larger(c, e)
    d, f = smaller(d, f), larger(d, f)
    b, e = smaller(b, e), larger(b, e)
    d, g = smaller(d, g), larger(d, g)
    b, c = smaller(b, c), larger(b, c)
    d, e = smaller(d, e), larger(d, e)
    f, g = smaller(f, g), larger(f, g)
    row = 0
    while True:
        # Held rows ascend, the others are taken from their end: the smaller ones of both rise and fall once.
        i = row * 8
        p, q, r, s = load(best, i), load(best, i + 8), load(best, i + 16), load(best, i + 24)
        t, u, v, w = load(best, i + 32), load(best, i + 40), load(best, i + 48), load(best, i + 56)
        p, h = smaller(p, h), larger(p, h)
        q, g = smaller(q, g), larger(q, g)
        r, f = smaller(r, f), larger(r, f)
        s, e = smaller(s, e), larger(s, e)
        t, d = smaller(t, d), larger(t, d)
        u, c = smaller(u, c), larger(u, c)
        v, b = smaller(v, b), larger(v, b)
        w, a = smaller(w, a), larger(w, a)
        p, t = smaller(p, t), larger(p, t)
        q, u = smaller(q, u), larger(q, u)
        r, v = smaller(r, v), larger(r, v)
        s, w = smaller(s, w), larger(s, w)
        p, r = smaller(p, r), larger(p, r)
        q, s = smaller(q, s), larger(q, s)
        t, v = smaller(t, v), larger(t, v)
        u, w = smaller(u, w), larger(u, w)
        store(best, i, smaller(p, q))
        store(best, i + 8, larger(p, q))
        store(best, i + 16, smaller(r, s))
        store(best, i + 24, larger(r, s))
        store(best, i + 32, smaller(t, u))
        store(best, i + 40, larger(t, u))
        store(best, i + 48, smaller(v, w))
        store(best, i + 56, larger(v, w))
        row += GROUP
        if row > last_row:
            return True
        # What was pushed out goes on: in the order a .. h it rises and falls, or the other way round.
        if row + HALF > last_row:
            # Of four rows more no others than the nearest four can be.
            a, e = smaller(a, e), larger(a, e)
            b, f = smaller(b, f), larger(b, f)
            c, g = smaller(c, g), larger(c, g)
            d, h = smaller(d, h), larger(d, h)
            a, c = smaller(a, c), larger(a, c)
            b, d = smaller(b, d), larger(b, d)
            a, b = smaller(a, b), larger(a, b)
            c, d = smaller(c, d), larger(c, d)
            i = row * 8
            p, q = smaller(load(best, i), d), smaller(load(best, i + 8), c)
            r, s = smaller(load(best, i + 16), b), smaller(load(best, i + 24), a)
            p, r = smaller(p, r), larger(p, r)
            q, s = smaller(q, s), larger(q, s)
            store(best, i, smaller(p, q))
            store(best, i + 8, larger(p, q))
            store(best, i + 16, smaller(r, s))
            store(best, i + 24, larger(r, s))
            return True
        a, e = smaller(a, e), larger(a, e)
        b, f = smaller(b, f), larger(b, f)
        c, g = smaller(c, g), larger(c, g)
        d, h = smaller(d, h), larger(d, h)
        a, c = smaller(a, c), larger(a, c)
        b, d = smaller(b, d), larger(b, d)
        e, g = smaller(e, g), larger(e, g)
        f, h = smaller(f, h), larger(f, h)
        a, b = smaller(a, b), larger(a, b)
        c, d = smaller(c, d), larger(c, d)
        e, f = smaller(e, f), larger(e, f)
        g, h = smaller(g, h), larger(g, h)

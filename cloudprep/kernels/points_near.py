"""Whether anything lies near a few positions, each with a distance of its own: one pass over the points."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Links = NDArray[np.int32]
    Flags = NDArray[np.bool_]

# Places of the table for each mark: then few points meet a mark that is not theirs.
_ROOM = 8
_MOST_PLACES = 2**22
_CELLS = 27
# Positions go together that look no less far than the widest by this factor.
_ALIKE = 2.8


def any_nearer(
    x: Floats, y: Floats, z: Floats, taken: Flags, at: Floats, nearer: Floats, farthest: float
) -> Flags:
    """Tell around which positions some point lies nearer than a distance.

    Positions that look about equally far go together: cells as wide as any looks are marked around them in a
    table, and a point is compared with those that marked its cell.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (n,)
        Coordinates, m, finite.
    taken : ndarray of bool, shape (n,)
        Which points count.
    at : ndarray of float64, shape (3, m)
        The positions, m, finite. A point at the very position doesn't count.
    nearer : ndarray of float64, shape (m,)
        A point counts that is nearer than this, m,
    farthest : float
        and no farther away than this, m.

    Returns
    -------
    ndarray of bool, shape (m,)
        Around which positions there is one.

    Examples
    --------
    >>> import numpy as np
    >>> x, none = np.array([0.0, 2.0]), np.zeros(2)
    >>> at = np.array([[0.0, 0.0], [0.0, 0.0], [0.0, 0.0]])
    >>> any_nearer(x, none, none, np.ones(2, bool), at, np.array([2.0, 2.5]), 9.0).tolist()
    [False, True]
    """
    found = np.zeros(at.shape[1], np.bool_)
    looks = np.minimum(nearer, farthest)
    asked = np.flatnonzero(looks > 0)
    asked = asked[np.argsort(-looks[asked], kind="stable")]
    while len(asked):
        # A pass over all points takes longer than what a few find too many.
        together = int(np.searchsorted(-looks[asked], -looks[asked[0]] / _ALIKE, side="right"))
        rows, asked = asked[:together], asked[together:]
        places = 1 << int(_ROOM * _CELLS * len(rows)).bit_length()
        heads = np.full(min(places, _MOST_PLACES), -1, np.int32)
        links = np.empty((_CELLS * len(rows), 2), np.int32)
        qx, qy, qz = (np.ascontiguousarray(axis[rows]) for axis in at)
        some = np.zeros(len(rows), np.bool_)
        # A hair wider than anything looks, so that rounding misses nothing.
        per_metre = 1.0 / (float(looks[rows].max()) * (1 + 1e-9))
        _mark(qx, qy, qz, per_metre, heads, links)
        _compare(x, y, z, taken, per_metre, heads, links, qx, qy, qz, nearer[rows], farthest * farthest, some)
        found[rows] = some
    return found


@njit(nogil=True, cache=True)
def _place(cx: np.int64, cy: np.int64, cz: np.int64, places: int) -> np.int64:
    """Return the place of a cell in a table of a power of two of places."""
    # Large odd numbers spread cells side by side; what they share of their places only costs time.
    return (cx * 73856093 ^ cy * 19349663 ^ cz * 83492791) & (places - 1)


@njit(nogil=True, cache=True)
def _mark(qx: Floats, qy: Floats, qz: Floats, per_metre: float, heads: Links, links: Links) -> None:
    """Put each position into the lists of the cells around it: ``links`` holds position and next link."""
    count = 0
    for q in range(qx.shape[0]):
        cx, cy, cz = (
            np.int64(np.floor(qx[q] * per_metre)),
            np.int64(np.floor(qy[q] * per_metre)),
            np.int64(np.floor(qz[q] * per_metre)),
        )
        for dz in range(-1, 2):
            for dy in range(-1, 2):
                for dx in range(-1, 2):
                    place = _place(cx + dx, cy + dy, cz + dz, heads.shape[0])
                    links[count, 0], links[count, 1] = q, heads[place]
                    heads[place] = count
                    count += 1


@njit(nogil=True, cache=True)
def _compare(
    x: Floats,
    y: Floats,
    z: Floats,
    taken: Flags,
    per_metre: float,
    heads: Links,
    links: Links,
    qx: Floats,
    qy: Floats,
    qz: Floats,
    nearer: Floats,
    squared_farthest: float,
    found: Flags,
) -> None:
    """Compare every point with the positions that marked its cell, until each has found one."""
    for i in range(x.shape[0]):
        cx, cy, cz = (
            np.int64(np.floor(x[i] * per_metre)),
            np.int64(np.floor(y[i] * per_metre)),
            np.int64(np.floor(z[i] * per_metre)),
        )
        link = heads[_place(cx, cy, cz, heads.shape[0])]
        if link < 0 or not taken[i]:
            continue
        while link >= 0:
            q = links[link, 0]
            link = links[link, 1]
            if found[q]:
                continue
            dx, dy, dz = x[i] - qx[q], y[i] - qy[q], z[i] - qz[q]
            d = dx * dx + dy * dy + dz * dz
            found[q] = 0.0 < d <= squared_farthest and np.sqrt(d) < nearer[q]

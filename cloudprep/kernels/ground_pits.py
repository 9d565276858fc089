"""Whether a patch that the data's edge cuts off is land around a pit: by its rim, and by its level."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

# Rows and columns of the eight neighbours.
_AROUND = ((1, 0), (0, 1), (-1, 0), (0, -1), (1, 1), (1, -1), (-1, 1), (-1, -1))


class Pit(NamedTuple):
    """What the rim of a pit is.

    Parameters
    ----------
    least, rise : float
        What lies lower by more than this, m, and this much more for every metre away, is below the rim.
    across : int
        It is looked for so many cells away.
    longest, bend : float
        A rim at least so long, m, bends at least so far from the straight line between its ends, m and cells.
    around, below, least_level : float
        Level is what has so much ground, m2, no farther away than this, m, and no lower than so far below
        it, m.
    steep, even : float
        What is steeper than this, and on average not this far from its plane, m, is a pitched roof.
    """

    least: float = 1.0
    rise: float = 0.5
    across: int = 4
    longest: float = 20.0
    bend: float = 2.0
    around: float = 60.0
    below: float = 1.0
    least_level: float = 400.0
    steep: float = 0.3
    even: float = 0.25


def _rim(z: Floats, own: Flags, cell: float, rules: Pit) -> Flags:
    """Return cells of a patch beside which something lies far lower."""
    rows, columns = z.shape
    size = rules.across
    heights = np.pad(z, size, constant_values=np.nan)
    mine = np.pad(own, size)
    found = np.zeros(z.shape, bool)
    for i, k in _AROUND:
        # Behind other cells of the patch nothing is looked for.
        open_ = own.copy()
        for s in range(1, size + 1):
            part = slice(size + s * i, size + s * i + rows), slice(size + s * k, size + s * k + columns)
            open_ &= ~mine[part]
            # Comparisons with NaN are false.
            found |= open_ & (z - heights[part] > rules.least + rules.rise * s * cell)
    return found


def _bend(x: Floats, y: Floats, towards: tuple[float, float]) -> tuple[float, float]:
    """Return how long a line of points is, and how far its middle bends towards a place, m."""
    u, v = x - x.mean(), y - y.mean()
    angle = 0.5 * np.arctan2(2 * np.sum(u * v), np.sum(u * u) - np.sum(v * v))
    along, across = np.cos(angle) * u + np.sin(angle) * v, np.cos(angle) * v - np.sin(angle) * u
    half = float(along.max() - along.min()) / 2
    if half == 0:
        return 0.0, 0.0
    # A parabola: a + b t + c t^2, t from -1 to 1.
    t = along / half
    terms = np.stack([np.ones_like(t), t, t * t], axis=1)
    curve = float(np.linalg.lstsq(terms, across, rcond=None)[0][2])
    side = np.cos(angle) * (towards[1] - y.mean()) - np.sin(angle) * (towards[0] - x.mean())
    return 2 * half, -curve if side > 0 else curve


def round_pits(
    x: Floats,
    y: Floats,
    z: Floats,
    label: NDArray[np.int32],
    asked: Flags,
    *,
    cell: float,
    rules: Pit | None = None,
) -> Flags:
    """Tell which patches drop to something that bulges into them.

    Of a patch that the data's edge cuts off, only a part of the rim is known. Roofs are convex, or have
    straight sides: where the edge cuts one off, what is left of its rim bulges outwards or runs straight.
    The edge of a pit bulges into the land around.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (rows, columns)
        One point a cell, m; NaN where there is none.
    label : ndarray of int32, shape (rows, columns)
        Number of each cell's patch; negative for none.
    asked : ndarray of bool, shape (n,)
        Patches to look at.
    cell : float
        Side of a cell, m.
    rules : Pit, optional
        The rules.

    Returns
    -------
    ndarray of bool, shape (n,)
        Patches whose rim bends so.
    """
    rules = rules or Pit()
    found = np.zeros(len(asked), bool)
    for number in np.flatnonzero(asked):
        own = label == number
        rows, columns = (
            slice(max(0, int(v.min()) - rules.across), int(v.max()) + rules.across + 1)
            for v in np.nonzero(own)
        )
        place = rows, columns
        own = own[place]
        rim = _rim(z[place], own, cell, rules)
        if np.count_nonzero(rim) < 3:
            continue
        middle = float(x[place][own].mean()), float(y[place][own].mean())
        length, bend = _bend(x[place][rim], y[place][rim], middle)
        found[number] = length >= rules.longest and bend >= rules.bend * max(1.0, cell)
    return found


def level_with_ground(
    z: Floats,
    label: NDArray[np.int32],
    ground: Flags,
    asked: Flags,
    *,
    cell: float,
    rules: Pit | None = None,
) -> Flags:
    """Tell which patches lie no higher than ground that isn't far from them.

    Corners of a site that a pit cuts off are as high as the rest of the land around it. What stands on flat
    land is higher than all ground.

    Parameters
    ----------
    z : ndarray of float64, shape (rows, columns)
        Height of one point a cell, m; NaN where there is none.
    label : ndarray of int32, shape (rows, columns)
        Number of each cell's patch; negative for none.
    ground : ndarray of bool, shape (rows, columns)
        Cells that are ground.
    asked : ndarray of bool, shape (n,)
        Patches to look at.
    cell : float
        Side of a cell, m.
    rules : Pit, optional
        The rules.

    Returns
    -------
    ndarray of bool, shape (n,)
        Patches that are so.
    """
    rules = rules or Pit()
    found = np.zeros(len(asked), bool)
    size = round(rules.around / cell)
    for number in np.flatnonzero(asked):
        own = label == number
        rows, columns = (slice(max(0, int(v.min()) - size), int(v.max()) + size + 1) for v in np.nonzero(own))
        near = ground[rows, columns]
        high = z[rows, columns][near] >= np.median(z[own]) - rules.below
        found[number] = np.count_nonzero(high) * cell * cell >= rules.least_level
    return found


def pitched(
    x: Floats,
    y: Floats,
    z: Floats,
    label: NDArray[np.int32],
    asked: Flags,
    *,
    rules: Pit | None = None,
) -> Flags:
    """Tell which patches are steep and even, as pitched roofs are.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (rows, columns)
        One point a cell, m; NaN where there is none.
    label : ndarray of int32, shape (rows, columns)
        Number of each cell's patch; negative for none.
    asked : ndarray of bool, shape (n,)
        Patches to look at.
    rules : Pit, optional
        The rules.

    Returns
    -------
    ndarray of bool, shape (n,)
        Patches that are so.
    """
    rules = rules or Pit()
    found = np.zeros(len(asked), bool)
    for number in np.flatnonzero(asked):
        own = label == number
        across, up, height = x[own], y[own], z[own]
        height = height - height.mean()
        terms = np.stack([np.ones_like(height), across - across.mean(), up - up.mean()], axis=1)
        plane = np.linalg.lstsq(terms, height, rcond=None)[0]
        off = height - terms @ plane
        found[number] = np.hypot(plane[1], plane[2]) > rules.steep and np.mean(off * off) < rules.even**2
    return found

"""Flanks: where a patch rises from the ground as tipped material does. And the walls that hold it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]
    Labels = NDArray[np.int32]

# Rows and columns of the eight neighbours.
_UP = (-1, 0, 1, 0, -1, -1, 1, 1)
_RIGHT = (0, -1, 0, 1, -1, 1, -1, 1)
# Of these, one for each line through a cell.
_LINES = (0, 1, 4, 5)


class Flank(NamedTuple):
    """What a flank is.

    Parameters
    ----------
    steepest : float
        Rise over run from its foot to its top, at most (1.8: 61 degrees). Tipped material lies at 30 to 45
        degrees, and stands up to 60 degrees for a while where a loader cut it.
    jump : float
        A step from one point to the next may be higher than that by this, m.
    level : float
        It ends where the next point is no higher than this slope.
    least : float
        Height of a flank, m, at least.
    longest : int
        Cells that are gone up, at most.
    """

    steepest: float = 1.8
    jump: float = 0.3
    level: float = 0.3
    least: float = 1.0
    longest: int = 12


class Walls(NamedTuple):
    """What the walls of a bay are.

    Parameters
    ----------
    upright : float
        Cells that end so far above the ground beside them, m, are of a wall: material doesn't stand.
    above, below : float
        And so are cells so far above or below the material around them, m: walls reach over it, and their
        sides and the gaps behind them show below.
    around : int
        How far around a cell, in cells, its median is taken.
    """

    upright: float = 2.0
    above: float = 0.3
    below: float = 0.7
    around: int = 2


@njit(nogil=True, cache=True, error_model="numpy")
def _flanks(
    x: Floats, y: Floats, z: Floats, ground: Flags, label: Labels, rules: Flank, met: Floats, on: Flags
) -> None:
    """Count how often each patch is met and gone up to, and mark the flanks."""
    rows, columns = z.shape
    for r in range(rows):
        for c in range(columns):
            if not ground[r, c]:
                continue
            for k in range(8):
                r1, c1 = r + _UP[k], c + _RIGHT[k]
                if r1 < 0 or c1 < 0 or r1 >= rows or c1 >= columns or label[r1, c1] < 0:
                    continue
                met[label[r1, c1], 0] += 1.0
                r1, c1, steps = r, c, 0
                while steps < rules.longest:
                    r2, c2 = r1 + _UP[k], c1 + _RIGHT[k]
                    if r2 < 0 or c2 < 0 or r2 >= rows or c2 >= columns or label[r2, c2] < 0:
                        break
                    far = math.hypot(x[r1, c1] - x[r2, c2], y[r1, c1] - y[r2, c2])
                    rise = z[r2, c2] - z[r1, c1]
                    if rise < rules.level * far:
                        break
                    if rise > rules.jump + rules.steepest * far:
                        steps = 0
                        break
                    r1, c1, steps = r2, c2, steps + 1
                # With a single step there is no telling a flank from the front of something low.
                if steps > 1:
                    far = math.hypot(x[r1, c1] - x[r, c], y[r1, c1] - y[r, c])
                    if rules.least <= z[r1, c1] - z[r, c] <= rules.steepest * far:
                        met[label[r1, c1], 1] += 1.0
                        for s in range(1, steps + 1):
                            on[r + s * _UP[k], c + s * _RIGHT[k]] = True


@njit(nogil=True, cache=True, error_model="numpy")
def _bends(z: Floats, label: Labels, bent: Floats) -> None:
    """Count points between two others of their patch, and add up how far they lie from the middle."""
    rows, columns = z.shape
    for r in range(1, rows - 1):
        for c in range(1, columns - 1):
            own = label[r, c]
            if own < 0:
                continue
            for k in _LINES:
                r1, c1, r2, c2 = r + _UP[k], c + _RIGHT[k], r - _UP[k], c - _RIGHT[k]
                if label[r1, c1] == own and label[r2, c2] == own:
                    bent[own, 0] += 1.0
                    bent[own, 1] += abs(z[r1, c1] + z[r2, c2] - 2 * z[r, c]) / 2


class Flanks(NamedTuple):
    """What flanks tell of patches.

    Parameters
    ----------
    contacts, flanks : ndarray of float64, shape (n,)
        How often each patch is met by ground, and how often ground goes up to it by a flank.
    bend : ndarray of float64, shape (n,)
        How far the patch's points lie from the line between their neighbours on both sides, on average, m;
        infinite for patches too narrow to tell.
    on : ndarray of bool, shape (rows, columns)
        Cells of flanks.
    """

    contacts: NDArray[np.float64]
    flanks: NDArray[np.float64]
    bend: NDArray[np.float64]
    on: NDArray[np.bool_]


def flanks(
    x: Floats,
    y: Floats,
    z: Floats,
    *,
    ground: Flags,
    label: Labels,
    count: int,
    rules: Flank | None = None,
) -> Flanks:
    """Follow the ground up to each patch that isn't ground yet.

    From every cell of ground beside such a patch the points are followed away from it, straight on, as long
    as they rise steadily. A roof's edge and a wall are one step, however many points its front shows.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (rows, columns)
        One point a cell, m; NaN where there is none.
    ground : ndarray of bool, shape (rows, columns)
        Cells that are ground.
    label : ndarray of int32, shape (rows, columns)
        From :func:`~cloudprep.kernels.ground_joins.patches`, of cells that are not ground.
    count : int
        Number of patches.
    rules : Flank, optional
        The rules.

    Returns
    -------
    Flanks
        Contacts are counted for the patch at the foot of the flank, flanks for the one at its top.
    """
    met, bent = np.zeros((count, 2)), np.zeros((count, 2))
    on = np.zeros(z.shape, bool)
    _flanks(x, y, z, ground, label, rules or Flank(), met, on)
    _bends(z, label, bent)
    with np.errstate(divide="ignore", invalid="ignore"):
        bend = np.where(bent[:, 0] > 0, bent[:, 1] / bent[:, 0], np.inf)
    return Flanks(met[:, 0], met[:, 1], bend, on)


@njit(nogil=True, cache=True, error_model="numpy")
def _upright(z: Floats, ground: Flags, heap: Flags, least: float, wall: Flags) -> None:
    rows, columns = z.shape
    for r in range(rows):
        for c in range(columns):
            if not heap[r, c]:
                continue
            for r2 in range(max(0, r - 1), min(rows, r + 2)):
                for c2 in range(max(0, c - 1), min(columns, c + 2)):
                    if ground[r2, c2] and z[r, c] - z[r2, c2] > least:
                        wall[r, c] = True


@njit(nogil=True, cache=True, error_model="numpy")
def _uneven(
    z: Floats, ground: Flags, heap: Flags, flank: Flags, upright: Flags, rules: Walls, wall: Flags
) -> None:
    rows, columns = z.shape
    size = rules.around
    around = np.empty((2 * size + 1) ** 2)
    for r in range(rows):
        for c in range(columns):
            if np.isnan(z[r, c]) or ground[r, c] or flank[r, c]:
                continue
            if not heap[max(0, r - 1) : r + 2, max(0, c - 1) : c + 2].any():
                continue
            count = 0
            for r2 in range(max(0, r - size), min(rows, r + size + 1)):
                for c2 in range(max(0, c - size), min(columns, c + size + 1)):
                    if heap[r2, c2] and not upright[r2, c2]:
                        around[count] = z[r2, c2]
                        count += 1
            if count > 0:
                over = z[r, c] - np.median(around[:count])
                if over > rules.above or over < -rules.below:
                    wall[r, c] = True


def walls(
    z: Floats, *, ground: Flags, heap: Flags, flank: Flags, rules: Walls | None = None
) -> NDArray[np.bool_]:
    """Find the walls that hold tipped material.

    Parameters
    ----------
    z : ndarray of float64, shape (rows, columns)
        Height of one point a cell, m; NaN where there is none.
    ground : ndarray of bool, shape (rows, columns)
        Cells that were ground without the material.
    heap : ndarray of bool, shape (rows, columns)
        Cells of the material and its walls.
    flank : ndarray of bool, shape (rows, columns)
        Cells of flanks: what is uneven there is no wall.
    rules : Walls, optional
        The rules.

    Returns
    -------
    ndarray of bool, shape (rows, columns)
        Cells of walls.
    """
    rules = rules or Walls()
    upright = np.zeros(z.shape, bool)
    _upright(z, ground, heap, rules.upright, upright)
    wall = upright.copy()
    _uneven(z, ground, heap, flank, upright, rules, wall)
    return wall

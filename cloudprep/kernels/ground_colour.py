"""How green points are, and whether that tells plants from ground in this cloud: learnt, never presumed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Counts = NDArray[np.uint32]

# Greenness is counted in bins of 0.02 from -0.2 to 0.44; the outermost take what lies beyond.
SHADE = 0.02
DARKEST = -0.2
SHADES = 32

# The lower side of the surface: from here up to there, m. So low, plants hardly hide among the ground.
DEEP, SHALLOW = -0.3, 0.04
# Plants may stand up to here over the surface, m.
TALL = 5.0

# Green tells if the share of green among what stands above exceeds that on the lower side by so much, ...
_TOLD = 0.5
# ... which shades tell so nearly as well as the best is chance, ...
_CHANCE = 0.02
# ... and it takes so many points on either side to learn it.
_ENOUGH = 200
# Green counts in full where green points lie on the lower side so much more seldom than others do, and not at
# all where they do so nearly as often: there the ground itself is green.
_SELDOM, _OFTEN = 0.25, 0.5


@njit(nogil=True, cache=True, error_model="numpy")
def _greenness(red: NDArray[Any], green: NDArray[Any], blue: NDArray[Any], out: Floats) -> None:
    for i in range(len(out)):
        r, g, b = float(red[i]), float(green[i]), float(blue[i])
        out[i] = (2.0 * g - r - b) / (r + g + b) if r + g + b > 0 else np.nan


def greenness(red: NDArray[Any], green: NDArray[Any], blue: NDArray[Any]) -> NDArray[np.float64]:
    """Return the normalised excess green of colours: (2g - r - b) / (r + g + b).

    Parameters
    ----------
    red, green, blue : ndarray of unsigned int, shape (n,)
        Of any depth: the index is a ratio.

    Returns
    -------
    ndarray of float64, shape (n,)
        From -1 to 2; NaN for black.

    References
    ----------
    D. M. Woebbecke, G. E. Meyer, K. Von Bargen, D. A. Mortensen, Color indices for weed identification under
    various soil, residue, and lighting conditions, Transactions of the ASAE 38 (1), 1995 (from memory).

    Examples
    --------
    >>> greenness(np.array([90, 0]), np.array([120, 0]), np.array([60, 0]))
    array([0.33333333,        nan])
    """
    out = np.empty(len(red))
    _greenness(red, green, blue, out)
    return out


class Shades(NamedTuple):
    """How many points are how green.

    Parameters
    ----------
    column, row : int
        First patch.
    near : ndarray of uint32, shape (2, rows, columns, 32)
        Points on the surface's lower side, and over it up to where ground ends, patch by patch.
    above : ndarray of int64, shape (32,)
        Points that stand above what may be ground, of the whole rectangle.
    """

    column: int
    row: int
    near: NDArray[np.uint32]
    above: NDArray[np.int64]


@njit(nogil=True, cache=True, error_model="numpy")
def _count(
    row: Integers,
    column: Integers,
    shade: Floats,
    over: Floats,
    limit: Floats,
    near: Counts,
    above: Integers,
) -> None:
    for i in range(len(over)):
        if not (np.isfinite(shade[i]) and DEEP <= over[i] <= TALL):
            continue
        k = min(max(int(np.floor((shade[i] - DARKEST) / SHADE)), 0), SHADES - 1)
        if over[i] <= SHALLOW:
            near[0, row[i], column[i], k] += 1
        elif over[i] <= limit[i]:
            near[1, row[i], column[i], k] += 1
        else:
            above[k] += 1


def count_shades(
    row: NDArray[np.int64],
    column: NDArray[np.int64],
    shade: NDArray[np.float64],
    over: NDArray[np.float64],
    limit: NDArray[np.float64],
) -> Shades:
    """Count how green points are on the surface's lower side, and above what may be ground.

    Parameters
    ----------
    row, column : ndarray of int64, shape (n,)
        Patch of each point.
    shade : ndarray of float64, shape (n,)
        From :func:`greenness`.
    over : ndarray of float64, shape (n,)
        Height over the surface, m.
    limit : ndarray of float64, shape (n,)
        Up to which height over the surface a point may be ground, m.

    Returns
    -------
    Shades
        On the rectangle of patches that holds the points.
    """
    above = np.zeros(SHADES, np.int64)
    if len(row) == 0:
        return Shades(0, 0, np.zeros((2, 0, 0, SHADES), np.uint32), above)
    first = int(column.min()), int(row.min())
    rows, columns = int(row.max()) - first[1] + 1, int(column.max()) - first[0] + 1
    near = np.zeros((2, rows, columns, SHADES), np.uint32)
    _count(row - first[1], column - first[0], shade, over, limit, near, above)
    return Shades(*first, near, above)


def joined_shades(parts: Sequence[Shades]) -> Shades:
    """Add up the counts of several rectangles."""
    filled = [p for p in parts if p.near.size]
    above = np.zeros(SHADES, np.int64)
    if not filled:
        return Shades(0, 0, np.zeros((2, 0, 0, SHADES), np.uint32), above)
    column, row = min(p.column for p in filled), min(p.row for p in filled)
    rows = max(p.row + p.near.shape[1] for p in filled) - row
    columns = max(p.column + p.near.shape[2] for p in filled) - column
    near = np.zeros((2, rows, columns, SHADES), np.uint32)
    for p in filled:
        there = near[:, p.row - row :, p.column - column :]
        there[:, : p.near.shape[1], : p.near.shape[2]] += p.near
        above += p.above
    return Shades(column, row, near, above)


class Greens(NamedTuple):
    """What green means in a cloud.

    Parameters
    ----------
    told : float
        By how much the share of green points above the ground exceeds that on it: 1 tells perfectly, 0 or
        less not at all.
    beyond : float
        Green is what is greener than this.
    weight : ndarray of float32, shape (rows, columns)
        How much green counts in each patch, 0 to 1: 0 where the ground itself is green.
    """

    told: float
    beyond: float
    weight: NDArray[np.float32]

    @property
    def tells(self) -> bool:
        """Whether green tells plants from ground at all."""
        return self.told >= _TOLD


def _of_nine(counts: NDArray[np.int64]) -> NDArray[np.int64]:
    """Add up each patch and those around it."""
    wide = np.pad(counts, 1)
    rows, columns = counts.shape
    return np.asarray(sum(wide[r : r + rows, c : c + columns] for r in range(3) for c in range(3)))


def learnt_greens(shades: Shades) -> Greens | None:
    """Learn from a cloud whether green tells plants from ground, from which shade on, and where.

    The bound between green and not is where the two shares differ most (Youden, Index for rating diagnostic
    tests, Cancer 3, 1950).

    Parameters
    ----------
    shades : Shades
        Of the whole cloud.

    Returns
    -------
    Greens or None
        None if too few points show their colour.
    """
    low, middle = shades.near.sum(axis=(1, 2), dtype=np.int64)
    if low.sum() < _ENOUGH or shades.above.sum() < _ENOUGH:
        return None
    told = np.cumsum(low) / low.sum() - np.cumsum(shades.above) / shades.above.sum()
    best = np.flatnonzero(told >= told.max() - _CHANCE)
    # Green is what is in bin k or beyond.
    k = int(best[0] + best[-1]) // 2 + 1
    usual = low[:k].sum() / max(1, low[:k].sum() + middle[:k].sum())
    green_low, green_middle = (_of_nine(a[:, :, k:].sum(axis=2, dtype=np.int64)) for a in shades.near)
    n = green_low + green_middle
    often = np.where(n > 0, green_low / np.maximum(n, 1), 0.0) / max(usual, 1e-9)
    weight = np.clip((_OFTEN - often) / (_OFTEN - _SELDOM), 0.0, 1.0)
    return Greens(float(told.max()), DARKEST + SHADE * k, weight.astype(np.float32))

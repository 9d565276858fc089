"""Lines along which a raster's slope changes: the crests and toes of banks and cliffs."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.chains import lines_through
from cloudprep.kernels.compiling import njit
from cloudprep.kernels.smoothing import smooth_rows, smoothing_reach

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.kernels.chains import Chains

# How far a profile is followed, and how wide it is, cells to either side.
_FAR = 3
_WIDE = 2
_DEVIATION = 1.5
_FLAT = 1e-3
_REACH = 10
_AHEAD = 0.5
_ALIKE = 0.6


class BreakPoints(NamedTuple):
    """Places where the slope changes most along the fall line.

    Parameters
    ----------
    places : ndarray of float64, shape (n, 2)
        Column and row, as numbers of cell centres.
    heights : ndarray of float64, shape (n,)
        Of the ground above a crest, or below a toe, carried on to the place.
    downhill : ndarray of float64, shape (n, 2)
        Unit vector to the east and north.
    angle : ndarray of float64, shape (n,)
        Largest of the changes of the slope angle over one, two and three cells, radians: positive at
        crests, negative at toes.
    drop : ndarray of float64, shape (n,)
        Fall over six cells about the place.
    clearness : ndarray of float64, shape (n,)
        Size of the mean of the changes of angle over one, two and three cells.
    """

    places: NDArray[np.float64]
    heights: NDArray[np.float64]
    downhill: NDArray[np.float64]
    angle: NDArray[np.float64]
    drop: NDArray[np.float64]
    clearness: NDArray[np.float64]


def break_points(
    heights: NDArray[np.floating], first: int, beyond: int, cell: float, least: float
) -> BreakPoints:
    """Return the places of some rows of a raster, the same whichever rows are asked for together.

    The fall line is that of the smoothed surface (Gaussian weights of 1.5 cells). Along it, and averaged over
    five cells across, the slope below a cell is held against the slope above it, over one, two and three
    cells, and the mean of the three differences of angle decides: a place counts where it is larger than a
    cell farther up and a cell farther down the fall line; a parabola through the three gives where between
    the cells it lies. At a cliff that is about a cell on the level side of it.

    Parameters
    ----------
    heights : ndarray of shape (rows, columns)
        Heights, m; NaN where there is nothing.
    first, beyond : int
        The rows wanted: first, and one past the last.
    cell : float
        Side of a cell, m.
    least : float
        Smallest change, radians.

    Returns
    -------
    BreakPoints
        By row and column of their cells.
    """
    low, high = max(0, first - _REACH), min(len(heights), beyond + _REACH)
    smooth = smooth_rows(heights, low, high, _DEVIATION, np.inf)
    z = np.ascontiguousarray(heights[low:high], np.float64)
    change = np.full((5, *z.shape), np.nan)
    wanted = max(first - 1 - _FAR, 0) - low, min(beyond + 1 + _FAR, len(heights)) - low
    _changes(z, smooth, *wanted, cell, change)
    found = np.empty((z[first - low : beyond - low].size, 8))
    count = _largest(z, change, low, first - low, beyond - low, least, found)
    found = found[:count].copy()
    return BreakPoints(found[:, :2], found[:, 2], found[:, 3:5], found[:, 5], found[:, 6], found[:, 7])


assert smoothing_reach(_DEVIATION) + _FAR + 2 <= _REACH  # noqa: S101


@njit(nogil=True, cache=True)
def _at(z, c, r, x, y):  # type: ignore[no-untyped-def]
    """Return a bilinear height so far from a cell; NaN beyond the rim and beside holes.

    The distance is split into cells and the rest before the cell comes in, so that the last digit doesn't
    hang on how far the rows given reach.
    """
    rows, columns = z.shape
    left = np.floor(x)
    low = np.floor(y)
    u = x - left
    v = y - low
    c += int(left)
    r += int(low)
    if c < 0 or r < 0 or c + 1 >= columns or r + 1 >= rows:
        return np.nan
    return (1 - v) * ((1 - u) * z[r, c] + u * z[r, c + 1]) + v * ((1 - u) * z[r + 1, c] + u * z[r + 1, c + 1])


@njit(nogil=True, cache=True)
def _changes(z, smooth, first, beyond, cell, change):  # type: ignore[no-untyped-def]
    """Work out the change of angle, the downhill direction and the fall for each cell of some rows."""
    rows, columns = z.shape
    for r in range(max(first, 1), min(beyond, rows - 1)):
        for c in range(1, columns - 1):
            east = smooth[r, c + 1] - smooth[r, c - 1]
            north = smooth[r + 1, c] - smooth[r - 1, c]
            steep = np.hypot(east, north)
            if not steep > _FLAT * cell:
                continue
            dx = -east / steep
            dy = -north / steep
            here = 0.0
            for w in range(-_WIDE, _WIDE + 1):
                here += _at(z, c, r, -w * dy, w * dx)
            here /= 2 * _WIDE + 1
            total = 0.0
            convex = 0.0
            concave = 0.0
            drop = 0.0
            for s in range(1, _FAR + 1):
                up = 0.0
                down = 0.0
                for w in range(-_WIDE, _WIDE + 1):
                    up += _at(z, c, r, -s * dx - w * dy, -s * dy + w * dx)
                    down += _at(z, c, r, s * dx - w * dy, s * dy + w * dx)
                up /= 2 * _WIDE + 1
                down /= 2 * _WIDE + 1
                turn = np.arctan((here - down) / (s * cell)) - np.arctan((up - here) / (s * cell))
                total += turn
                convex = max(convex, turn)
                concave = min(concave, turn)
                drop = up - down
            change[0, r, c] = total / _FAR
            change[1, r, c] = dx
            change[2, r, c] = dy
            change[3, r, c] = drop
            change[4, r, c] = convex if total > 0 else concave


@njit(nogil=True, cache=True)
def _largest(z, change, low, first, beyond, least, found):  # type: ignore[no-untyped-def]
    count = 0
    columns = z.shape[1]
    for r in range(first, beyond):
        for c in range(columns):
            here = change[0, r, c]
            if not abs(here) >= least:
                continue
            sign = 1.0 if here > 0 else -1.0
            dx = change[1, r, c]
            dy = change[2, r, c]
            up = sign * _at(change[0], c, r, -dx, -dy)
            down = sign * _at(change[0], c, r, dx, dy)
            size = sign * here
            if not (size >= up and size > down):
                continue
            off = 0.5 * (down - up) / (2 * size - up - down)
            # The level ground goes on to the break, whatever the steep side does to the cell itself.
            near = _at(z, c, r, -sign * dx, -sign * dy)
            far = _at(z, c, r, -sign * 3 * dx, -sign * 3 * dy)
            height = near + (near - far) / 2 * (1 + sign * off)
            if np.isnan(height):
                continue
            found[count, 0] = c + off * dx
            found[count, 1] = low + r + off * dy
            found[count, 2] = height
            found[count, 3] = dx
            found[count, 4] = dy
            found[count, 5] = change[4, r, c]
            found[count, 6] = change[3, r, c]
            found[count, 7] = abs(here)
            count += 1
    return count


def clearest(points: BreakPoints, shape: tuple[int, int], distance: float) -> BreakPoints:
    """Return places without those that lie too near to a clearer one of their kind.

    Parameters
    ----------
    points : BreakPoints
        Places; of equal ones the earlier counts as the clearer.
    shape : tuple of int
        Rows and columns that they lie in.
    distance : float
        Cells, at most 1.
    """
    order = np.argsort(-points.clearness, kind="stable")
    taken = np.zeros(len(order), np.bool_)
    heads = np.full((shape[0] + 2, shape[1] + 2), -1, np.int64 if len(order) >= 2**31 else np.int32)
    others = np.empty(len(order), heads.dtype)
    _take(points.places, points.angle, order, distance**2, heads, others, taken)
    return BreakPoints(*(values[taken] for values in points))


@njit(nogil=True, cache=True)
def _take(places, angle, order, squared, heads, others, taken):  # type: ignore[no-untyped-def]
    for i in order:
        row = int(places[i, 1]) + 1
        column = int(places[i, 0]) + 1
        free = True
        for r in range(row - 1, row + 2):
            for c in range(column - 1, column + 2):
                if r >= heads.shape[0] or c >= heads.shape[1]:
                    continue
                j = heads[r, c]
                while j >= 0 and free:
                    dx = places[j, 0] - places[i, 0]
                    dy = places[j, 1] - places[i, 1]
                    free = (angle[i] > 0) != (angle[j] > 0) or dx * dx + dy * dy >= squared
                    j = others[j]
        if free:
            taken[i] = True
            others[i] = heads[row, column]
            heads[row, column] = i


def chains_of(
    places: NDArray[np.float64],
    downhill: NDArray[np.float64],
    crest: NDArray[np.bool_],
    shape: tuple[int, int],
    reach: float,
) -> Chains:
    """Return places in the order of the lines they make, downhill on the right.

    Each place looks ahead, along the contour, for the nearest one of its kind that lies in its direction and
    runs in a like one; where that one, looking back, finds the first, they are linked. What is left over at
    the ends of lines is linked once more, over twice the distance.

    Parameters
    ----------
    places, downhill : ndarray of float64, shape (n, 2)
        As in :class:`BreakPoints`.
    crest : ndarray of bool, shape (n,)
        Kinds: only places of one kind are linked.
    shape : tuple of int
        Rows and columns that the places lie in.
    reach : float
        How far to look, in cells.

    Returns
    -------
    Chains
        Rows of ``places``, one line after the other.
    """
    n = len(places)
    ahead = np.full(n, -1, np.int64)
    behind = np.full(n, -1, np.int64)
    for far in (reach, 2 * reach):
        edge = int(np.ceil(far))
        heads = np.full((shape[0] // edge + 2, shape[1] // edge + 2), -1, np.int64)
        others = np.empty(n, np.int64)
        _into_squares(places, edge, heads, others)
        forth = np.full(n, -1, np.int64)
        back = np.full(n, -1, np.int64)
        _look(places, downhill, crest, far, edge, heads, others, ahead, behind, forth, back)
        mutual = np.flatnonzero(forth >= 0)
        mutual = mutual[back[forth[mutual]] == mutual]
        ahead[mutual] = forth[mutual]
        behind[forth[mutual]] = mutual
    return lines_through(ahead, behind >= 0, lone=True)


@njit(nogil=True, cache=True)
def _into_squares(places, edge, heads, others):  # type: ignore[no-untyped-def]
    for i in range(len(places) - 1, -1, -1):
        row = int(places[i, 1]) // edge
        column = int(places[i, 0]) // edge
        others[i] = heads[row, column]
        heads[row, column] = i


@njit(nogil=True, cache=True)
def _look(  # type: ignore[no-untyped-def]
    places, downhill, crest, far, edge, heads, others, ahead, behind, forth, back
):
    """Find for the ends of lines the best place ahead and behind."""
    height, width = heads.shape
    for i in range(len(places)):
        if ahead[i] >= 0 and behind[i] >= 0:
            continue
        tx = -downhill[i, 1]
        ty = downhill[i, 0]
        best_forth = best_back = np.inf
        row = int(places[i, 1]) // edge
        column = int(places[i, 0]) // edge
        for r in range(max(row - 1, 0), min(row + 2, height)):
            for c in range(max(column - 1, 0), min(column + 2, width)):
                j = heads[r, c]
                while j >= 0:
                    k = j
                    j = others[j]
                    if k == i or crest[k] != crest[i]:
                        continue
                    x = places[k, 0] - places[i, 0]
                    y = places[k, 1] - places[i, 1]
                    length = np.hypot(x, y)
                    along = x * tx + y * ty
                    alike = downhill[i, 0] * downhill[k, 0] + downhill[i, 1] * downhill[k, 1]
                    if length > far or abs(along) < _AHEAD * max(length, 1.0) or alike < _ALIKE:
                        continue
                    # Aside counts twice, so that lines side by side don't mix.
                    aside = abs(x * ty - y * tx)
                    cost = length + 2 * aside
                    if along > 0 and ahead[i] < 0 and behind[k] < 0 and cost < best_forth:
                        best_forth = cost
                        forth[i] = k
                    if along < 0 and behind[i] < 0 and ahead[k] < 0 and cost < best_back:
                        best_back = cost
                        back[i] = k

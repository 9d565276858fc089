"""How high flight lines lie against each other: from single points near the middles of common cells."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import scipy  # its parts are loaded when they are first used

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.kernels.ground_cells import LowestPoints

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Lines = NDArray[np.uint16]

# Only points so close to the surface (m) are compared: ground, low plants, and lines well out of place.
NEAR = 1.0
# Cells along a side of a patch. Errors in a patch may have one cause, so a patch counts as one measurement.
PATCH = 4
# Two lines are compared on patches with at least so many pairs of points, ...
_PAIRS = 3
# ... and at all if they share so many such patches.
_PATCHES = 12
# A line is clearly off if its offset (m) exceeds this, and so many times its own standard error. Measured on
# made-up scenes with all lines in place: 68 offsets of at most 0.05 m, and 3.3 errors; their mean square is
# 0.7 squared errors, so the errors are about right.
CLEAR = 0.08
_CERTAIN = 4.0
# Standard error of a median over the median absolute deviation, for normal errors: 1.4826 * sqrt(pi / 2).
_ERROR_OF_MEDIAN = 1.858
# No offset of two lines is known better than this, m.
_LEAST_ERROR = 0.002


class LineSamples(NamedTuple):
    """Of each flight line the point nearest to each cell's middle, ordered by row, column and line.

    The choice takes no account of heights: so a line that is denser than another doesn't lie lower for it,
    as the lowest of many points would.

    Parameters
    ----------
    line : ndarray of uint16, shape (n,)
        Flight line.
    x, y, z : ndarray of float64, shape (n,)
        Coordinates, m, x and y from an edge of the lattice.
    """

    line: NDArray[np.uint16]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    z: NDArray[np.float64]


@njit(nogil=True, cache=True, error_model="numpy")
def _choose(
    x: Floats, y: Floats, z: Floats, line: Lines, side: float, first: tuple[int, int], shape: tuple[int, int]
) -> Integers:
    """Return the index of the point chosen for each cell and line, by row, column and line.

    A cell's lines form an ascending chain: ``head`` is the first link of a cell, ``after`` the next one of a
    link.
    """
    head = np.full(shape, -1, np.int64)
    best = np.empty(1024, np.int64)
    after = np.empty(1024, np.int64)
    distance = np.empty(1024)
    count = 0
    for i in range(len(x)):
        across, up = x[i] / side, y[i] / side
        left, bottom = np.floor(across), np.floor(up)
        c, r = int(left) - first[0], int(bottom) - first[1]
        d = (across - left - 0.5) ** 2 + (up - bottom - 0.5) ** 2
        k, earlier = head[r, c], -1
        while k >= 0 and line[best[k]] < line[i]:
            k, earlier = after[k], k
        if k >= 0 and line[best[k]] == line[i]:
            j = best[k]
            if d < distance[k] or (
                d == distance[k] and (z[i] < z[j] or (z[i] == z[j] and (x[i], y[i]) < (x[j], y[j])))
            ):
                best[k], distance[k] = i, d
            continue
        if count == len(best):
            best = np.concatenate((best, np.empty(count, np.int64)))
            after = np.concatenate((after, np.empty(count, np.int64)))
            distance = np.concatenate((distance, np.empty(count)))
        best[count], distance[count], after[count] = i, d, k
        if earlier < 0:
            head[r, c] = count
        else:
            after[earlier] = count
        count += 1
    chosen = np.empty(count, np.int64)
    n = 0
    for r in range(shape[0]):
        for c in range(shape[1]):
            k = head[r, c]
            while k >= 0:
                chosen[n] = best[k]
                n += 1
                k = after[k]
    return chosen


def line_samples(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    z: NDArray[np.float64],
    line: NDArray[np.uint16],
    side: float,
) -> LineSamples:
    """Choose of each flight line the point nearest to each cell's middle.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (n,)
        Coordinates, m, x and y from an edge of the lattice. Among equally near points the lowest wins, then
        the one with the smallest x, then y: no order of points matters.
    line : ndarray of uint16, shape (n,)
        Flight line of each point.
    side : float
        Side of a cell, m.
    """
    if len(x) == 0:
        return LineSamples(np.zeros(0, np.uint16), *(np.zeros(0) for _ in range(3)))
    column, row = (np.floor(np.array([a.min(), a.max()]) / side).astype(np.int64) for a in (x, y))
    shape = int(row[1] - row[0]) + 1, int(column[1] - column[0]) + 1
    chosen = _choose(x, y, z, line, side, (int(column[0]), int(row[0])), shape)
    return LineSamples(line[chosen], x[chosen], y[chosen], z[chosen])


def joined_samples(parts: Sequence[LineSamples], side: float) -> LineSamples:
    """Join the samples of several blocks, which may share cells; no order of parts matters."""
    if len(parts) == 1:
        return parts[0]
    line, x, y, z = (np.concatenate([p[k] for p in parts]) for k in range(4))
    return line_samples(x, y, z, line, side)


@njit(nogil=True, cache=True, error_model="numpy")
def _smallest_line(
    x: Floats,
    y: Floats,
    z: Floats,
    line: Lines,
    side: float,
    first: tuple[int, int],
    lowest: tuple[Floats, Floats, Floats],
    found: Lines,
) -> None:
    low_x, low_y, low_z = lowest
    for i in range(len(x)):
        c, r = int(np.floor(x[i] / side)) - first[0], int(np.floor(y[i] / side)) - first[1]
        if low_z[r, c] == z[i] and low_x[r, c] == x[i] and low_y[r, c] == y[i]:
            found[r, c] = min(found[r, c], line[i])


def lines_of_lowest(
    cells: LowestPoints,
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    z: NDArray[np.float64],
    line: NDArray[np.uint16],
    side: float,
) -> NDArray[np.uint16]:
    """Return which flight line each cell's lowest point is of.

    Parameters
    ----------
    cells : LowestPoints
        The lowest points of the cells, m.
    x, y, z, line : ndarray, shape (n,)
        The points that they were chosen from, as for :func:`line_samples`.
    side : float
        Side of a cell, m.

    Returns
    -------
    ndarray of uint16, shape (rows, columns)
        The smallest number if several lines have that very point; 65,535 for empty cells.
    """
    found = np.full(cells.z.shape, np.iinfo(np.uint16).max, np.uint16)
    _smallest_line(x, y, z, line, side, (cells.column, cells.row), (cells.x, cells.y, cells.z), found)
    return found


def joined_lines(
    whole: LowestPoints, parts: Sequence[LowestPoints], lines: Sequence[NDArray[np.uint16]]
) -> NDArray[np.uint16]:
    """Return which flight line the lowest points of joined rectangles are of, as :func:`lines_of_lowest`."""
    found = np.full(whole.z.shape, np.iinfo(np.uint16).max, np.uint16)
    for part, line in zip(parts, lines, strict=True):
        rows, columns = part.z.shape
        window = np.s_[part.row - whole.row :, part.column - whole.column :]
        own = np.ones((rows, columns), bool)
        for a, b in ((whole.x, part.x), (whole.y, part.y), (whole.z, part.z)):
            own &= a[window][:rows, :columns] == b
        there = found[window][:rows, :columns]
        np.minimum(there, line, out=there, where=own)
    return found


class LineOffsets(NamedTuple):
    """How far flight lines lie above where most of the lines they overlap with lie.

    Parameters
    ----------
    line : ndarray of uint16, shape (m,)
        The lines, ascending.
    offset : ndarray of float64, shape (m,)
        m; 0 for lines that overlap with no other enough to tell.
    error : ndarray of float64, shape (m,)
        Standard error of the offset, m; 0 likewise.
    group : ndarray of int64, shape (m,)
        Lines that hang together by their overlaps have the same number.
    """

    line: NDArray[np.uint16]
    offset: NDArray[np.float64]
    error: NDArray[np.float64]
    group: NDArray[np.int64]

    @property
    def clear(self) -> NDArray[np.bool_]:
        """Which lines are clearly off, shape (m,)."""
        return (np.abs(self.offset) > CLEAR) & (np.abs(self.offset) > _CERTAIN * self.error)


class _Overlaps(NamedTuple):
    """Pairs of lines (places in a list): how far the second lies above the first, m, and the error."""

    first: Integers
    second: Integers
    rise: Floats
    error: Floats


def _medians(values: Floats, keys: Sequence[Integers]) -> tuple[Integers, Integers, Floats]:
    """Return where groups start in the order of their keys, their sizes, and the median of each."""
    order = np.lexsort((values, *keys))
    changed = np.zeros(len(order), bool)
    changed[:1] = True
    for key in keys:
        changed[1:] |= np.diff(key[order]) != 0
    start = np.flatnonzero(changed)
    size = np.diff(np.append(start, len(order)))
    ordered = values[order]
    middle = (ordered[start + (size - 1) // 2] + ordered[start + size // 2]) / 2
    return order[start], size, middle


def _overlaps(samples: LineSamples, over: Floats, place: Integers, side: float) -> _Overlaps:
    """Compare lines that have points in the same cells; with many lines in a cell each with the next."""
    near = np.abs(over) <= NEAR
    over, place = over[near], place[near]
    column, row = (np.floor(a[near] / side).astype(np.int64) for a in (samples.x, samples.y))
    pair = np.flatnonzero((np.diff(column) == 0) & (np.diff(row) == 0))
    rise = over[pair + 1] - over[pair]
    first, second = place[pair], place[pair + 1]
    column, row = column[pair] // PATCH, row[pair] // PATCH
    one, size, rise = _medians(rise, (column, row, second, first))
    one, rise = one[size >= _PAIRS], rise[size >= _PAIRS]
    first, second = first[one], second[one]
    head, patches, middle = _medians(rise, (second, first))
    # Both are ordered by pairs of lines.
    spread = _medians(np.abs(rise - np.repeat(middle, patches)), (second, first))[2]
    error = np.maximum(_ERROR_OF_MEDIAN * spread / np.sqrt(patches), _LEAST_ERROR)
    kept = patches >= _PATCHES
    return _Overlaps(first[head][kept], second[head][kept], middle[kept], error[kept])


def _from(
    root: np.intp, graph: scipy.sparse.csr_array, rises: Mapping[tuple[int, int], float]
) -> tuple[Floats, Floats]:
    """Return how high lines lie over one of them, m, and the error; by the surest chains of overlaps.

    Both are NaN and infinite for lines that no chain reaches.
    """
    variance, before = scipy.sparse.csgraph.dijkstra(
        graph, indices=np.asarray(root), return_predecessors=True
    )
    height = np.full(len(variance), np.nan)
    height[root] = 0.0
    # What comes earlier on a chain has the smaller variance.
    for k in np.argsort(variance, kind="stable"):
        if before[k] >= 0:
            height[k] = height[before[k]] + rises[int(before[k]), int(k)]
    return height, np.sqrt(variance)


def line_offsets(samples: LineSamples, over: NDArray[np.float64], side: float) -> LineOffsets:
    """Work out how high flight lines lie against each other.

    Two lines are compared cell by cell, on the points nearest to the cell's middle; the median of a patch of
    4 by 4 cells is one measurement, and the median of all patches says how far one line lies above the other.
    Chains of overlaps connect lines that share no place (the surest: Dijkstra, A note on two problems in
    connexion with graphs, Numerische Mathematik 1, 1959). The line at 0 is the middle one: half of what
    connected lines cover lies in lines that are no higher, and half in lines no lower.

    Parameters
    ----------
    samples : LineSamples
        Of the whole site.
    over : ndarray of float64, shape (n,)
        Their heights over a surface that follows the ground, m: what both lines share of the slope drops out.
    side : float
        Side of a cell, m.

    Returns
    -------
    LineOffsets
        Of every line that has samples.
    """
    line, place, size = np.unique(samples.line, return_inverse=True, return_counts=True)
    overlaps = _overlaps(samples, over, place.astype(np.int64), side)
    ends = overlaps.first.tolist(), overlaps.second.tolist()
    rises = dict(zip(zip(*ends, strict=True), overlaps.rise.tolist(), strict=True))
    rises |= {(b, a): -rise for (a, b), rise in rises.items()}
    graph = scipy.sparse.csr_array(
        (np.tile(overlaps.error**2, 2), (np.r_[ends[0], ends[1]], np.r_[ends[1], ends[0]])),
        shape=(len(line), len(line)),
    )
    offset, error = np.zeros((2, len(line)))
    group = np.asarray(scipy.sparse.csgraph.connected_components(graph, directed=False)[1], np.int64)
    for one in np.flatnonzero(np.bincount(group) > 1):
        own = np.flatnonzero(group == one)
        height = _from(own[np.argmax(size[own])], graph, rises)[0]
        ranked = own[np.argsort(height[own], kind="stable")]
        share = np.cumsum(size[ranked])
        middle = ranked[np.searchsorted(2 * share, share[-1])]
        height, sure = _from(middle, graph, rises)
        offset[own], error[own] = height[own], sure[own]
    return LineOffsets(line, offset, error, group)

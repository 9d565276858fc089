"""Finds small groups of lowest points that hang below the surface all around them.

What tells them from ditches, gullies and the foot of a cliff is that these go on: in some direction around a
low cell there is more that lies as low. What tells them from the few ground points under a dense forest, or
between roofs, is that other ground points lie as low around them too.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.trend import BLOCK, block_planes, heights_above, trend_at

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Flags = NDArray[np.bool_]
    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

# Cells that lie this share of the drop below the prevailing surface are looked at.
_SUSPECT = 0.75
# Lowest points of cells up to two apart belong to one group if their heights differ by no more, m.
_STEP = 1.0
# Around a group its surroundings are judged in eight directions, as far as so many cells from its rim.
_DIRECTIONS = 8
_AROUND = 8
# The surface of a direction is its third lowest cell: two more stray points don't count as a surface.
_SUPPORT = 3
# So many directions must show a surface at all (a group at a straight edge of the data has five).
_FEWEST_DIRECTIONS = 5
# So large a share of the cells around must lie at the height of the surface; the rest may be anything above.
_COHERENT = 0.2
# From this share on the surface is plain to see, and other small groups around don't count.
_CLEAR = 0.6
# Of the pairs of a group's cell and a cell next to it, so large a share must differ by the drop.
_FREE = 0.95
# Echoes from below come from any depth, ground that is seen through gaps from one: so many other groups of
# low cells this near (m), and such a share of all there, are on a group's level (m) if it is ground.
_LEVEL_REACH = 40.0
_LEVEL_STEP = 0.5
_LEVEL_GROUPS = 5
_LEVEL_SHARE = 0.4
# Nor does what lies between two floors come from below: level ground this near (m) would pass below it if it
# went on, by so much for each metre away. Ground lies on the plane of its block, within this distance of it
# (m), and is level up to this slope; this share of the cells there are enough.
_FLOOR_REACH = 20.0
_FLOOR_SPREAD = 0.05
_FLOOR_OFF = 0.3
_FLOOR_SLOPE = 0.15
_FLOOR_SHARE = 0.05


class LowGroups(NamedTuple):
    """Groups of low cells.

    Parameters
    ----------
    row, column : ndarray of int64, shape (k,)
        The cells.
    group : ndarray of int64, shape (k,)
        Which group each belongs to, from 0.
    limit : ndarray of float64, shape (k, 3)
        Height at the cell's centre, m, and slopes along x and y: points of the cell below that plane belong
        to the group.
    """

    row: Indices
    column: Indices
    group: Indices
    limit: Floats


@njit(nogil=True, cache=True, error_model="numpy")
def _root(parent: Indices, i: int) -> int:
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@njit(nogil=True, cache=True, error_model="numpy")
def _label(height: Floats, suspect: Flags, parent: Indices, label: Indices) -> int:
    """Give each group of suspect cells a number; return how many there are.

    Cells up to two apart belong together if their heights above the trend differ by at most a step. Groups
    count from 0 in the order of their first cells. ``parent`` holds the cells' own indices at first,
    ``label`` -1 everywhere.
    """
    rows, columns = height.shape
    for r in range(rows):
        for c in range(columns):
            if not suspect[r, c]:
                continue
            here = r * columns + c
            for rr in range(r, min(rows, r + 3)):
                for cc in range(max(0, c - 2), min(columns, c + 3)):
                    ahead = rr > r or cc > c
                    if ahead and suspect[rr, cc] and abs(height[rr, cc] - height[r, c]) <= _STEP:
                        a, b = _root(parent, here), _root(parent, rr * columns + cc)
                        # The first cell is the root, so a root comes before all its cells.
                        parent[max(a, b)] = min(a, b)
    count = 0
    for r in range(rows):
        for c in range(columns):
            if suspect[r, c]:
                root = _root(parent, r * columns + c)
                if root == r * columns + c:
                    label[r, c] = count
                    count += 1
                else:
                    label[r, c] = label[root // columns, root % columns]
    return count


@njit(nogil=True, cache=True, error_model="numpy")
def _surroundings(
    height: Floats,
    label: Indices,
    left_out: Flags,
    own: int,
    centre_row: float,
    centre_column: float,
    radius: float,
    around: Floats,
    direction: Indices,
) -> int:
    """List the heights and directions of the cells around a group; return how many there are."""
    rows, columns = height.shape
    n = 0
    for r in range(max(0, int(centre_row - radius)), min(rows, int(centre_row + radius) + 2)):
        dy = r - centre_row
        for c in range(max(0, int(centre_column - radius)), min(columns, int(centre_column + radius) + 2)):
            dx = c - centre_column
            if dx * dx + dy * dy > radius * radius or label[r, c] == own or left_out[r, c]:
                continue
            if height[r, c] < np.inf:  # not empty: NaN compares false
                turn = math.atan2(dy, dx) / (2 * math.pi) + 1.0
                direction[n] = int(turn * _DIRECTIONS + 0.5) % _DIRECTIONS
                around[n] = height[r, c]
                n += 1
    return n


@njit(nogil=True, cache=True, error_model="numpy")
def _lowest_surface(
    around: Floats, direction: Indices, n: int, lowest: Floats, drop: float, coherent: float
) -> float:
    """Return how high above the trend the lowest surface around a group lies; minus infinity for none."""
    for k in range(_DIRECTIONS):
        for i in range(_SUPPORT):
            lowest[k, i] = np.inf
    for j in range(n):
        h, k = around[j], direction[j]
        for i in range(_SUPPORT):
            if h < lowest[k, i]:
                lowest[k, i], h = h, lowest[k, i]
    surface = np.inf
    directions = 0
    for k in range(_DIRECTIONS):
        # Where there are fewer cells, the highest of them.
        i = _SUPPORT - 1
        while i > 0 and lowest[k, i] == np.inf:
            i -= 1
        lowest[k, 0] = lowest[k, i]
        if lowest[k, 0] < np.inf:
            directions += 1
            surface = min(surface, lowest[k, 0])
    near = 0
    for j in range(n):
        if abs(around[j] - lowest[direction[j], 0]) <= drop:
            near += 1
    return surface if directions >= _FEWEST_DIRECTIONS and near >= coherent * n else -np.inf


@njit(nogil=True, cache=True, error_model="numpy")
def _hangs_free(
    height: Floats, label: Indices, gone: Flags, own: int, row: int, column: int, reach: int, drop: float
) -> bool:
    """Tell whether nearly all cells next to a group lie higher by the drop."""
    rows, columns = height.shape
    higher = contacts = 0
    for r in range(max(0, row - reach), min(rows, row + reach + 1)):
        for c in range(max(0, column - reach), min(columns, column + reach + 1)):
            if label[r, c] != own:
                continue
            for rr in range(max(0, r - 1), min(rows, r + 2)):
                for cc in range(max(0, c - 1), min(columns, c + 2)):
                    if height[rr, cc] < np.inf and label[rr, cc] != own and not gone[rr, cc]:
                        contacts += 1
                        if height[rr, cc] - height[r, c] > drop:
                            higher += 1
    return higher >= _FREE * contacts


@njit(nogil=True, cache=True, error_model="numpy")
def _judge(
    height: Floats,
    label: Indices,
    order: Indices,
    mean: Floats,
    centre_row: Floats,
    centre_column: Floats,
    half: Floats,
    drop: float,
    gone: Flags,
    doubtful: Flags,
    around: Floats,
    direction: Indices,
    lowest: Floats,
    surface: Floats,
) -> int:
    """Set ``surface`` of each group that hangs below its surroundings; return how many were found.

    Groups are judged from the lowest upwards, and the cells of those found are ``gone``: they don't count as
    surroundings any more, for else of groups that share a place one would take the other for ground.
    """
    rows, columns = height.shape
    found = 0
    for g in order:
        if surface[g] > -np.inf:
            continue
        radius, row, column = half[g] + _AROUND, centre_row[g], centre_column[g]
        # Where nearly everything around is one surface, other small groups are no evidence of another one;
        # elsewhere (under trees) they may be what is seen of the ground.
        n = _surroundings(height, label, doubtful, g, row, column, radius, around, direction)
        level = _lowest_surface(around, direction, n, lowest, drop, _CLEAR)
        if level == -np.inf:
            n = _surroundings(height, label, gone, g, row, column, radius, around, direction)
            level = _lowest_surface(around, direction, n, lowest, drop, _COHERENT)
        r0, c0, reach = int(row), int(column), int(half[g]) + 2
        if mean[g] >= level - drop or not _hangs_free(height, label, gone, g, r0, c0, reach, drop):
            continue
        surface[g] = level
        found += 1
        for r in range(max(0, r0 - reach), min(rows, r0 + reach + 1)):
            for c in range(max(0, c0 - reach), min(columns, c0 + reach + 1)):
                if label[r, c] == g:
                    gone[r, c] = True
    return found


@njit(nogil=True, cache=True, error_model="numpy")
def _on_one_level(
    z: Floats,
    label: Indices,
    asked: Indices,
    level: Floats,
    centre_row: Floats,
    centre_column: Floats,
    reach: float,
    step: float,
    supported: Flags,
) -> None:
    """Tell which groups of those asked for lie on the level of most other groups around them.

    ``level`` holds the mean height of each group's cells, ``centre_row``, ``centre_column`` and ``reach``
    count in cells.
    """
    rows, columns = z.shape
    met = np.full(len(level), -1, np.int64)
    agreed = np.full(len(level), -1, np.int64)
    for i in range(len(asked)):
        g = asked[i]
        row, column = centre_row[g], centre_column[g]
        groups = agreeing = 0
        for r in range(max(0, int(row - reach)), min(rows, int(row + reach) + 2)):
            for c in range(max(0, int(column - reach)), min(columns, int(column + reach) + 2)):
                k = label[r, c]
                if k < 0 or k == g or (r - row) ** 2 + (c - column) ** 2 > reach * reach:
                    continue
                if met[k] != i:
                    met[k] = i
                    groups += 1
                if agreed[k] != i and abs(z[r, c] - level[g]) <= step:
                    agreed[k] = i
                    agreeing += 1
        supported[g] = agreeing >= _LEVEL_GROUPS and agreeing >= _LEVEL_SHARE * groups


@njit(nogil=True, cache=True, error_model="numpy")
def _over_a_floor(
    x: Floats,
    y: Floats,
    z: Floats,
    planes: Floats,
    cell: float,
    asked: Indices,
    level: Floats,
    centre_row: Floats,
    centre_column: Floats,
    supported: Flags,
) -> None:
    """Tell which groups of those asked for lie above level ground near by."""
    rows, columns = z.shape
    side = BLOCK * cell
    reach = _FLOOR_REACH / cell
    for g in asked:
        row, column = centre_row[g], centre_column[g]
        at_x, at_y = (column + 0.5) * cell, (row + 0.5) * cell
        seen = floor = 0
        for r in range(max(0, int(row - reach)), min(rows, int(row + reach) + 2)):
            for c in range(max(0, int(column - reach)), min(columns, int(column + reach) + 2)):
                away = math.hypot(r - row, c - column)
                if away > reach or z[r, c] != z[r, c]:
                    continue
                seen += 1
                br, bc = r // BLOCK, c // BLOCK
                p = planes[br, bc]
                if p[0] != p[0] or p[1] ** 2 + p[2] ** 2 > _FLOOR_SLOPE**2:
                    continue
                u, v = x[r, c] - (bc + 0.5) * side, y[r, c] - (br + 0.5) * side
                if abs(z[r, c] - p[0] - p[1] * u - p[2] * v) > _FLOOR_OFF:
                    continue
                below = level[g] - z[r, c] - p[1] * (at_x - x[r, c]) - p[2] * (at_y - y[r, c])
                floor += int(below >= _FLOOR_SPREAD * away * cell)
        if seen > 0 and floor >= _FLOOR_SHARE * seen:
            supported[g] = True


def _surfaces_above(
    height: Floats, label: Indices, order: Indices, mean: Floats, centre: Floats, half: Floats, drop: float
) -> Floats:
    """Return the surface above each group that hangs below it; minus infinity for the others."""
    surface = np.full(len(mean), -np.inf)
    gone = np.zeros(height.shape, bool)
    doubtful = np.zeros(height.shape, bool)
    doubtful[label >= 0] = np.isin(label[label >= 0], order)
    widest = 2 * int(half[order].max(initial=0) + _AROUND) + 4
    around, direction = np.empty(widest**2), np.empty(widest**2, np.int64)
    lowest = np.empty((_DIRECTIONS, _SUPPORT))
    # One that is found may lay bare another: go on until nothing more is found.
    rest = (gone, doubtful, around, direction, lowest, surface)
    while _judge(height, label, order, mean, centre[1], centre[0], half, drop, *rest):
        pass
    return surface


def find_low_groups(
    x: Floats, y: Floats, z: Floats, *, cell: float, drop: float, largest: float, threads: int = 1
) -> LowGroups:
    """Return the groups of cells whose lowest points hang below the surface around them.

    Parameters
    ----------
    x, y : ndarray of float64, shape (rows, columns)
        Where the lowest point of each cell lies, m from the raster's first corner.
    z : ndarray of float64, shape (rows, columns)
        Its height, m; NaN where a cell is empty.
    cell : float
        Cell size, m.
    drop : float
        How far below the surface a group must lie, m.
    largest : float
        Largest extent of a group along x or y, m.
    threads : int
        Threads to use; the result doesn't depend on them.

    Returns
    -------
    LowGroups
        Empty arrays if there are none.
    """
    planes = block_planes(x, y, z, cell, threads=threads)
    height = heights_above(planes, cell, x, y, z, threads=threads)
    suspect = height < -_SUSPECT * drop  # NaN compares false
    label = np.full(z.shape, -1, np.int64)
    count = int(_label(height, suspect, np.arange(z.size), label))
    cells = label[suspect]
    extent, centre = _extents(x[suspect], y[suspect], cells, count)
    mean = np.bincount(cells, height[suspect], count) / np.bincount(cells, minlength=count)
    order = np.flatnonzero(extent <= largest)
    order = order[np.argsort(mean[order], kind="stable")]
    level = np.bincount(cells, z[suspect], count) / np.bincount(cells, minlength=count)
    centre = centre / cell - 0.5
    supported = np.zeros(count, bool)
    while True:
        surface = _surfaces_above(height, label, order, mean, centre, extent / 2 / cell, drop)
        found = np.flatnonzero(surface > -np.inf)
        _on_one_level(
            z, label, found, level, centre[1], centre[0], _LEVEL_REACH / cell, _LEVEL_STEP, supported
        )
        _over_a_floor(x, y, z, planes, cell, found, level, centre[1], centre[0], supported)
        if not supported[found].any():
            break
        # They are ground, and what lies around others.
        order = order[~supported[order]]
    chosen = np.zeros(z.shape, bool)
    chosen[suspect] = surface[cells] > -np.inf
    row, column = np.nonzero(chosen)
    _, group = np.unique(label[chosen], return_inverse=True)
    # Half the drop below the surface: shallower than any point found, deeper than the noise of the ground.
    limit = _tangents(planes, cell, row, column)
    limit[:, 0] += surface[label[chosen]] - 0.5 * drop
    return LowGroups(row, column, group.astype(np.int64), limit)


def _tangents(planes: Floats, cell: float, row: Indices, column: Indices) -> Floats:
    """Return the trend at the centres of cells: height and slopes along x and y."""

    def trend(right: float, up: float) -> Floats:
        return trend_at(planes, cell, np.asarray((column + right) * cell), np.asarray((row + up) * cell))

    along, across = trend(1.0, 0.5) - trend(0.0, 0.5), trend(0.5, 1.0) - trend(0.5, 0.0)
    return np.column_stack([trend(0.5, 0.5), along / cell, across / cell])


def _extents(x: Floats, y: Floats, group: Indices, count: int) -> tuple[Floats, Floats]:
    """Return the larger side of each group's rectangle, (count,), and its centre, (2, count), m."""
    low, high = np.full((2, count), np.inf), np.full((2, count), -np.inf)
    for axis, values in enumerate((x, y)):
        np.minimum.at(low[axis], group, values)
        np.maximum.at(high[axis], group, values)
    return np.maximum(high[0] - low[0], high[1] - low[1]), (high + low) / 2

"""The progressive morphological filter on a raster of lowest heights, and the surface it leaves.

References
----------
K. Zhang, S.-C. Chen, D. Whitman, M.-L. Shyu, J. Yan, C. Zhang, "A progressive morphological filter for
removing nonground measurements from airborne LIDAR data", IEEE Transactions on Geoscience and Remote Sensing
41(4), 872-882, 2003.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cloudprep.kernels.fill import covered
from cloudprep.kernels.fill_nearest import fill_nearest
from cloudprep.kernels.local_planes import KnownSurface
from cloudprep.kernels.opening import dilation, opening

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

# Steeper than this (rise over run, 76 degrees) a surface in cells says nothing about its own slope any more.
_STEEPEST = 4.0
# A plane depends on what is known within so many cells; farther away only where nothing is nearer.
_NEAR = 8
_ENOUGH_DIRECTIONS = 4


def window_sizes(*, geometric: bool, base: int, cell: float, largest: float) -> list[int]:
    """Return the windows of the paper, in cells, up to the first that spans the largest object.

    Parameters
    ----------
    geometric : bool
        ``w_k = 2 b^k + 1`` (the paper's exponential growth) instead of ``w_k = 2 k b + 1`` (linear); k = 1,
        2, ...
    base : int
        b; at least 1, and at least 2 for geometric growth.
    cell : float
        Cell size, m.
    largest : float
        Side of the largest object to be cut off, m.

    Returns
    -------
    list of int
        Odd numbers, growing.

    Examples
    --------
    >>> window_sizes(geometric=False, base=2, cell=1.0, largest=16.0)
    [5, 9, 13, 17]
    >>> window_sizes(geometric=True, base=2, cell=1.0, largest=16.0)
    [5, 9, 17]
    """
    sizes: list[int] = []
    while not sizes or sizes[-1] * cell < largest:
        k = len(sizes) + 1
        sizes.append(2 * base**k + 1 if geometric else 2 * k * base + 1)
    return sizes


def height_thresholds(
    windows: Sequence[int], *, cell: float, slope: float, initial: float, largest: float
) -> list[float]:
    """Return the height difference, m, that each window may cut off before the cell counts as an object.

    ``dh_k = dh_0`` for windows of up to 3 cells, else ``s (w_k - w_(k-1)) c + dh_0``, but at most ``dh_max``.

    Parameters
    ----------
    windows : sequence of int
        Window sizes w_k in cells; before the first stands a window of one cell.
    cell : float
        Cell size c, m.
    slope : float
        Terrain slope s, rise over run.
    initial, largest : float
        dh_0 and dh_max, m.

    Returns
    -------
    list of float
        One threshold a window.

    Examples
    --------
    >>> height_thresholds([3, 5, 9], cell=1.0, slope=0.25, initial=0.25, largest=1.0)
    [0.25, 0.75, 1.0]
    """
    thresholds = []
    for before, size in zip([1, *windows[:-1]], windows, strict=True):
        rising = initial if size <= 3 else slope * (size - before) * cell + initial
        thresholds.append(min(rising, largest))
    return thresholds


def cut_off(
    surface: NDArray[Any], windows: Sequence[int], thresholds: Sequence[float], *, threads: int = 1
) -> tuple[NDArray[np.bool_], NDArray[Any]]:
    """Open a surface with one window after the other and mark the cells that an opening lowers too far.

    Parameters
    ----------
    surface : ndarray of float, shape (rows, columns)
        Lowest heights, m; NaN outside the data, which counts for nothing.
    windows : sequence of int
        Window sizes, cells, odd.
    thresholds : sequence of float
        Height difference that each may cut off, m.
    threads : int
        Threads to use.

    Returns
    -------
    objects : ndarray of bool, shape (rows, columns)
        Cells that some opening lowered by more than its threshold.
    opened : ndarray of float, shape (rows, columns)
        The surface after the last opening.
    """
    objects = np.zeros(surface.shape, bool)
    for size, threshold in zip(windows, thresholds, strict=True):
        opened = opening(surface, size, threads=threads)
        objects |= (surface - opened) > threshold  # NaN compares false
        surface = opened
    return objects, surface


class GroundSurface(NamedTuple):
    """What the filter leaves.

    Parameters
    ----------
    height : ndarray of float32, shape (rows, columns)
        Ground height at the cell centres, m; NaN more than a cell away from the data.
    tolerance : ndarray of float32, shape (rows, columns)
        How far above it a point still is ground, m.
    ground_cells : int
        Cells whose own lowest point is ground.
    """

    height: NDArray[np.float32]
    tolerance: NDArray[np.float32]
    ground_cells: int


def _allowed(initial: float, rise: NDArray[Any], cell: float) -> NDArray[Any]:
    """Return the paper's threshold for one step of one cell on a slope: ``dh_0 + rise`` over that cell."""
    return np.asarray(initial + np.minimum(rise, _STEEPEST * cell))


def ground_surface(
    lowest: NDArray[np.float32],
    *,
    cell: float,
    gap: int,
    windows: Sequence[int],
    thresholds: Sequence[float],
    initial: float,
    rejoin: bool,
    threads: int = 1,
) -> GroundSurface:
    """Return the ground under a raster of lowest heights.

    Empty cells take the nearest height, the openings mark objects, and what they left carries the surface;
    the other cells are continued by planes. An opening also cuts the crests of hills, banks and quarry
    edges, so cells that lie on the continued surface come back, and so do others beyond them, as far as the
    ground goes on.

    Parameters
    ----------
    lowest : ndarray of float32, shape (rows, columns)
        Lowest height a cell, m; NaN where a cell is empty.
    cell : float
        Cell size, m.
    gap : int
        Empty gaps of up to twice as many cells are filled; what is wider counts as outside.
    windows, thresholds : sequence
        As :func:`window_sizes` and :func:`height_thresholds` give them.
    initial : float
        dh_0, m: how far above the surface a cell or point is still ground where the surface is level.
    rejoin : bool
        Whether cut cells may come back; False leaves the openings' word as it is.
    threads : int
        Threads to use; the result is the same for any number.

    Returns
    -------
    GroundSurface
        The surface and how far above it is still ground.
    """
    have = ~np.isnan(lowest)
    full = fill_nearest(lowest, covered(have, gap, threads=threads))
    objects, _ = cut_off(full, windows, thresholds, threads=threads)
    ground = have & ~objects  # never nothing: no opening lowers the lowest cell
    surface = KnownSurface(lowest, ground, threads=threads)
    if rejoin:
        _rejoin(lowest, surface, ground, have & objects, initial, cell)
    # One cell beyond the data is enough to read the surface between centres.
    near = dilation(have.astype(np.float32), 3, threads=threads) > 0
    row, column = np.nonzero(near & ~ground)
    height = np.where(ground, lowest, np.float32(np.nan))
    height[row, column] = surface.planes_at(row, column)[0]
    tolerance = _allowed(initial, _rise(height), cell).astype(np.float32)
    return GroundSurface(height, tolerance, int(np.count_nonzero(ground)))


def _rejoin(
    lowest: NDArray[np.float32],
    surface: KnownSurface,
    ground: NDArray[np.bool_],
    cut: NDArray[np.bool_],
    initial: float,
    cell: float,
) -> None:
    """Take cut cells that lie on the continued surface back into it, until no more do.

    The first round looks at all of them; after that only those near new ground can have changed.
    """
    row, column = np.nonzero(cut)
    while len(row):
        height, rise = surface.planes_at(row, column)
        back = np.abs(lowest[row, column] - height) <= _allowed(initial, rise, cell)
        back |= _on_one_side(lowest, ground, row, column, initial)
        row, column = row[back], column[back]
        surface.add(row, column)
        ground[row, column] = True
        cut[row, column] = False
        row, column = _near(row, column, cut)


def _on_one_side(
    lowest: NDArray[np.float32],
    ground: NDArray[np.bool_],
    row: NDArray[np.int64],
    column: NDArray[np.int64],
    initial: float,
) -> NDArray[np.bool_]:
    """Tell which cells continue the ground straight on in at least four of eight directions.

    A plane through both sides of an edge misses the edge itself; what leads up to it from one side does not.
    """
    rows, columns = lowest.shape
    agree = np.zeros(len(row), np.int64)
    for dr, dc in ((-1, -1), (-1, 0), (-1, 1), (0, -1), (0, 1), (1, -1), (1, 0), (1, 1)):
        r, c = row + 2 * dr, column + 2 * dc
        inside = (r >= 0) & (c >= 0) & (r < rows) & (c < columns)
        k = np.flatnonzero(inside)
        r1, c1, r2, c2 = row[k] + dr, column[k] + dc, r[k], c[k]
        expected = 2 * lowest[r1, c1] - lowest[r2, c2]
        fits = np.abs(lowest[row[k], column[k]] - expected) <= initial
        agree[k] += fits & ground[r1, c1] & ground[r2, c2]
    return agree >= _ENOUGH_DIRECTIONS


def _near(
    row: NDArray[np.int64], column: NDArray[np.int64], among: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the marked cells within a few cells of some cells."""
    if len(row) == 0:
        return row, column
    r0, c0 = max(0, int(row.min()) - _NEAR), max(0, int(column.min()) - _NEAR)
    window = slice(r0, int(row.max()) + _NEAR + 1), slice(c0, int(column.max()) + _NEAR + 1)
    seeds = np.zeros(among[window].shape, np.float32)
    seeds[row - r0, column - c0] = 1
    found = np.nonzero((dilation(seeds, 2 * _NEAR + 1) > 0) & among[window])
    return found[0] + r0, found[1] + c0


def _rise(surface: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the steepness of a surface, m over the side of a cell.

    By central differences; to one side where the other has no height, level where neither has.
    """
    squares = np.zeros_like(surface)
    for turned, total in ((surface, squares), (surface.T, squares.T)):
        ahead = np.full_like(turned, np.nan)
        ahead[:-1] = turned[1:] - turned[:-1]
        behind = np.full_like(turned, np.nan)
        behind[1:] = ahead[:-1]
        slope = np.where(np.isnan(ahead), behind, np.where(np.isnan(behind), ahead, (ahead + behind) / 2))
        np.add(total, np.nan_to_num(slope) ** 2, out=total)
    return np.sqrt(squares)

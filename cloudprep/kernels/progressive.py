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

from cloudprep.kernels.fill import covered, fill_nearest
from cloudprep.kernels.local_planes import planes_around
from cloudprep.kernels.opening import dilation, opening

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

# Steeper than this (rise over run, 76 degrees) a surface in cells says nothing about its own slope any more.
_STEEPEST = 4.0


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
    rounds: int,
    threads: int = 1,
) -> GroundSurface:
    """Return the ground under a raster of lowest heights.

    Empty cells take the nearest height, the openings mark objects, and what they left carries the surface;
    the other cells are continued by planes. An opening also cuts the crests of hills, banks and quarry
    edges, so cells that lie on the continued surface come back, round by round, as far as there is
    something to continue.

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
    rounds : int
        Rounds in which cut cells may come back; 0 leaves the openings' word as it is.
    threads : int
        Threads to use; the result is the same for any number.

    Returns
    -------
    GroundSurface
        All of it NaN if no cell is ground.
    """
    have = ~np.isnan(lowest)
    full = fill_nearest(lowest, covered(have, gap, threads=threads))
    objects, _ = cut_off(full, windows, thresholds, threads=threads)
    ground = have & ~objects
    if not ground.any():
        nothing = np.full(lowest.shape, np.nan, np.float32)
        return GroundSurface(nothing, nothing, 0)
    for _ in range(rounds):
        doubtful = have & ~ground
        height, rise = planes_around(lowest, ground, doubtful, threads=threads)
        back = np.abs(lowest[doubtful] - height) <= _allowed(initial, rise, cell)
        if not back.any():
            break
        ground[doubtful] = back
    # One cell beyond the data is enough to read the surface between centres.
    wanted = (dilation(have.astype(np.float32), 3, threads=threads) > 0) & ~ground
    height, _ = planes_around(lowest, ground, wanted, threads=threads)
    surface = np.where(ground, lowest, np.float32(np.nan))
    surface[wanted] = height
    tolerance = _allowed(initial, _rise(surface), cell).astype(np.float32)
    return GroundSurface(surface, tolerance, int(np.count_nonzero(ground)))


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

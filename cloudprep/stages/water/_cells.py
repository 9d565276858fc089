"""What cells of a lattice hold of a cloud, for finding water: exact sums, so that blocks don't show."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cloudprep.model.grid import Window


# Cells are gone over one by one where there are at most so many to an entry.
_DENSE = 4


class CellShare(NamedTuple):
    """What a block adds, one row a cell that holds points.

    Parameters
    ----------
    column, row : ndarray of int64, shape (n,)
        Global indices of the cells.
    first : ndarray of int64, shape (n,)
        First returns.
    bright : ndarray of int64, shape (n,)
        Sum of the first returns' intensities.
    lowest, highest : ndarray of float64, shape (n,)
        Heights, m.
    """

    column: NDArray[np.int64]
    row: NDArray[np.int64]
    first: NDArray[np.int64]
    bright: NDArray[np.int64]
    lowest: NDArray[np.float64]
    highest: NDArray[np.float64]


class CellFacts(NamedTuple):
    """Rasters of what cells hold; row 0 is the southernmost.

    Parameters
    ----------
    first : ndarray of int64, shape (rows, columns)
        First returns.
    bright : ndarray of float64
        Mean intensity of first returns; NaN where there are none.
    lowest, highest : ndarray of float64
        Heights, m; NaN where there are no points.
    """

    first: NDArray[np.int64]
    bright: NDArray[np.float64]
    lowest: NDArray[np.float64]
    highest: NDArray[np.float64]


def gathered(share: CellShare) -> CellShare:
    """Return a share in which every cell stands once, in order of rows and columns."""
    if len(share.row) == 0:
        return share
    left, bottom = share.column.min(), share.row.min()
    width = share.column.max() - left + 1
    place = (share.row - bottom) * width + (share.column - left)
    # Sums of whole numbers, the lowest and the highest are the same in any order.
    size = int(place.max()) + 1
    if size <= _DENSE * len(place):
        return _on_all_cells(share, place, size, (int(bottom), int(left), int(width)))
    order = np.argsort(place)
    column, row = share.column[order], share.row[order]
    starts = np.flatnonzero(np.r_[True, np.diff(place[order]) != 0])
    return CellShare(
        column[starts],
        row[starts],
        np.add.reduceat(share.first[order], starts),
        np.add.reduceat(share.bright[order], starts),
        np.minimum.reduceat(share.lowest[order], starts),
        np.maximum.reduceat(share.highest[order], starts),
    )


def _on_all_cells(
    share: CellShare, place: NDArray[np.int64], size: int, corner: tuple[int, int, int]
) -> CellShare:
    """Gather a share by one look at each point, without sorting: for cells that lie close together."""
    bottom, left, width = corner
    lowest, highest = np.full(size, np.inf), np.full(size, -np.inf)
    np.minimum.at(lowest, place, share.lowest)
    np.maximum.at(highest, place, share.highest)
    held = np.flatnonzero(np.bincount(place, minlength=size))
    # Whole numbers: sums are exact as float64, too.
    first, bright = (
        np.bincount(place, values, size)[held].astype(np.int64) for values in (share.first, share.bright)
    )
    return CellShare(held % width + left, held // width + bottom, first, bright, lowest[held], highest[held])


def joined(shares: Sequence[CellShare]) -> CellShare:
    """Join gathered shares of any number of blocks; a cell that blocks share is put together."""
    if len(shares) == 1:
        return shares[0]
    some = [share for share in shares if len(share.row)]
    if not some:
        return shares[0]
    left, bottom = min(int(s.column.min()) for s in some), min(int(s.row.min()) for s in some)
    width = max(int(s.column.max()) for s in some) - left + 1
    size = (max(int(s.row.max()) for s in some) - bottom + 1) * width
    if size > _DENSE * sum(len(s.row) for s in some):
        return gathered(CellShare(*(np.concatenate(v) for v in zip(*some, strict=True))))
    held = np.zeros(size, np.bool_)
    first, bright = np.zeros(size, np.int64), np.zeros(size, np.int64)
    lowest, highest = np.full(size, np.inf), np.full(size, -np.inf)
    for share in some:
        # A gathered share has each cell once, so nothing is overwritten here.
        place = (share.row - bottom) * width + (share.column - left)
        held[place] = True
        first[place] += share.first
        bright[place] += share.bright
        lowest[place] = np.minimum(lowest[place], share.lowest)
        highest[place] = np.maximum(highest[place], share.highest)
    at = np.flatnonzero(held)
    return CellShare(at % width + left, at // width + bottom, first[at], bright[at], lowest[at], highest[at])


def on_raster(share: CellShare, window: Window) -> CellFacts:
    """Return rasters of what cells hold."""
    place = share.row - window.row, share.column - window.column
    first = np.zeros(window.shape, np.int64)
    bright, lowest, highest = (np.full(window.shape, np.nan) for _ in range(3))
    first[place] = share.first
    some = share.first > 0
    bright[place[0][some], place[1][some]] = share.bright[some] / share.first[some]
    lowest[place] = share.lowest
    highest[place] = share.highest
    return CellFacts(first, bright, lowest, highest)

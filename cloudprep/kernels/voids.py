"""Groups of cells that have nothing: which are enclosed, how wide they are, what fills them."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy import ndimage

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.fill import covered

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Flags = NDArray[np.bool_]


class Groups(NamedTuple):
    """Cells that share edges, group by group.

    Attributes
    ----------
    labels : ndarray of int32, shape (rows, columns)
        0 where no group is, else its number, counted from 1 row by row.
    places : list of tuple of slice
        Rows and columns of the smallest rectangle around each group.
    cells : ndarray of int64, shape (n,)
        How many cells each has.
    """

    labels: NDArray[np.int32]
    places: list[tuple[slice, slice]]
    cells: NDArray[np.int64]


def groups_of(empty: Flags) -> Groups:
    """Return the groups of cells that hang together by edges.

    Parameters
    ----------
    empty : ndarray of bool, shape (rows, columns)
        The cells.

    Returns
    -------
    Groups
        Cells that touch at corners only are apart.

    Examples
    --------
    >>> groups_of(np.array([[True, False], [False, True]])).cells
    array([1, 1])
    """
    labels = np.empty(empty.shape, np.int32)
    number = ndimage.label(empty, output=labels)
    cells = np.bincount(labels[empty], minlength=int(number) + 1)[1:]
    places = [(found[0], found[1]) for found in ndimage.find_objects(labels)]
    return Groups(labels, places, cells.astype(np.int64))


def at_the_rim(groups: Groups) -> Flags:
    """Return which groups touch the raster's rim.

    Parameters
    ----------
    groups : Groups
        The groups.

    Returns
    -------
    ndarray of bool, shape (n,)
        One a group.
    """
    rows, columns = groups.labels.shape
    return np.array(
        [r.start == 0 or c.start == 0 or r.stop == rows or c.stop == columns for r, c in groups.places], bool
    )


def width_of(group: Flags) -> float:
    """Return the diameter of the widest circle within a group, in cells, to within about one cell.

    Parameters
    ----------
    group : ndarray of bool, shape (rows, columns)
        Its cells, in a rectangle around it.

    Returns
    -------
    float
        1 for a strip of one or two cells, 3 for a square of three; 0 without cells.

    Examples
    --------
    >>> width_of(np.ones((3, 9), bool)), width_of(np.ones((1, 9), bool))
    (3.0, 1.0)
    """
    if not group.any():
        return 0.0
    return 2.0 * float(ndimage.distance_transform_edt(np.pad(group, 1)).max()) - 1.0


def within_reach(occupied: Flags, opening: int, *, threads: int = 1) -> Flags:
    """Return the cells that were within reach of a survey: all but what is open to the outside.

    Gaps and bays narrower than an opening are closed; then the outside is what hangs together with the
    surroundings of the raster, so that a lake within the surveyed land is within reach and a wide bay is not.

    Parameters
    ----------
    occupied : ndarray of bool, shape (rows, columns)
        Cells with data.
    opening : int
        Bays at least this wide (cells) are outside, narrower ones aren't.
    threads : int
        Threads to use.

    Returns
    -------
    ndarray of bool, shape (rows, columns)
        True where something was measured, or might have been.

    Examples
    --------
    >>> ring = np.ones((5, 5), bool)
    >>> ring[1:4, 1:4] = False
    >>> within_reach(ring, 1).all()
    np.True_
    """
    gap = max((opening - 1) // 2, 0)
    closed = covered(occupied, gap, threads=threads) if gap > 0 else occupied
    labels, _ = ndimage.label(np.pad(~closed, 1, constant_values=True))
    inside: Flags = (labels != labels[0, 0])[1:-1, 1:-1]
    return inside


def empty_squares(empty: Flags, side: int) -> Flags:
    """Return the cells that lie in an empty square of a given side: the opening of the empty cells by it.

    Parameters
    ----------
    empty : ndarray of bool, shape (rows, columns)
        Cells that hold nothing; beyond the raster nothing counts as empty.
    side : int
        Side of the square, cells.

    Returns
    -------
    ndarray of bool, shape (rows, columns)
        The union of all such squares.

    Examples
    --------
    >>> empty_squares(np.array([[True, True, False, True]] * 2), 2)
    array([[ True,  True, False, False],
           [ True,  True, False, False]])
    """
    if min(empty.shape) < side:
        return np.zeros(empty.shape, bool)
    # Squares whose cells are all empty, each standing at its south-western cell; then the cells they cover.
    corners = _together(_together(empty, side, np.logical_and).T, side, np.logical_and).T
    around = np.pad(corners, side - 1)
    return _together(_together(around, side, np.logical_or).T, side, np.logical_or).T


def _together(cells: Flags, side: int, join: np.ufunc) -> Flags:
    """Return what each cell has together with those that follow it in its column, so many in all.

    Twice as many at a time, so that the passes over the raster are few.
    """
    joined, reach = cells, 1
    while reach < side:
        step = min(reach, side - reach)
        joined = join(joined[:-step], joined[step:])
        reach += step
    return joined


def rim_of(group: Flags) -> Flags:
    """Return the cells just outside a group that share an edge with it.

    Parameters
    ----------
    group : ndarray of bool, shape (rows, columns)
        Its cells.

    Returns
    -------
    ndarray of bool, shape (rows, columns)
        The rim.
    """
    rim: Flags = ndimage.binary_dilation(group) & ~group
    return rim


def rim_distance_fill(heights: NDArray[np.float64], group: Flags, power: float) -> NDArray[np.float64]:
    """Return heights for the cells of a group: means of its rim's heights, weighted by inverse distance.

    Parameters
    ----------
    heights : ndarray of float64, shape (rows, columns)
        m; known along the rim, apart from cells that are NaN and don't count.
    group : ndarray of bool, shape (rows, columns)
        The cells to fill.
    power : float
        Exponent of the distance.

    Returns
    -------
    ndarray of float64, shape (rows, columns)
        A new grid, filled.

    Notes
    -----
    Shepard 1968, "A two-dimensional interpolation function for irregularly-spaced data", Proc. ACM 23. The
    work is the number of cells times that of the rim's.
    """
    filled = heights.copy()
    rows, columns = np.nonzero(rim_of(group) & np.isfinite(heights))
    if len(rows):
        wanted = np.nonzero(group)
        filled[wanted] = _inverse(wanted[0], wanted[1], rows, columns, heights[rows, columns], power)
    return filled


@njit(nogil=True, cache=True)
def _inverse(row, column, rows, columns, heights, power):  # type: ignore[no-untyped-def]
    found = np.empty(len(row))
    for i in range(len(row)):
        total = mass = 0.0
        for k in range(len(rows)):
            dr, dc = float(row[i] - rows[k]), float(column[i] - columns[k])
            weight = (dr * dr + dc * dc) ** (-power / 2)
            total += weight * heights[k]
            mass += weight
        found[i] = total / mass
    return found

"""Figures of the cells that organise the linking, and names that cells have in every block."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import njit, read_only

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

# A name holds 22 bits for x and y and 20 for z: with cells of 0.6 m that is 1,250 km and 300 km either way.
_BITS = 22
_HALF = 1 << (_BITS - 1)
_HALF_Z = 1 << (62 - 2 * _BITS)
# Names are scattered over a table by the golden ratio of 64 bits, Knuth, The Art of Computer Programming 3,
# 6.4: cells side by side lie far apart in it. That products wrap round is meant.
_PLACES = 2**20
_GOLDEN = np.int64(0x9E3779B97F4A7C15 - 2**64)


def cell_names(place: Integers) -> Integers:
    """Return one whole number for each cell of the lattice, in the order of (z, y, x).

    Cells beyond the range of the numbers share the name of the outermost cell that has one.

    Parameters
    ----------
    place : ndarray of int64, shape (m, 3)
        x, y, z in whole cells.

    Returns
    -------
    ndarray of int64, shape (m,)
        Names >= 0.
    """
    x = np.clip(place[:, 0], -_HALF, _HALF - 1) + _HALF
    y = np.clip(place[:, 1], -_HALF, _HALF - 1) + _HALF
    z = np.clip(place[:, 2], -_HALF_Z, _HALF_Z - 1) + _HALF_Z
    names: Integers = (z << (2 * _BITS)) | (y << _BITS) | x
    return names


def named_places(names: Integers) -> Integers:
    """Return x, y, z in whole cells, shape (m, 3), of named cells."""
    mask = (1 << _BITS) - 1
    return np.stack(
        [(names & mask) - _HALF, ((names >> _BITS) & mask) - _HALF, (names >> (2 * _BITS)) - _HALF_Z], axis=1
    )


def places_in_plan(names: Integers) -> tuple[Integers, Integers]:
    """Return x and y in whole cells of named cells."""
    mask = (1 << _BITS) - 1
    return (names & mask) - _HALF, ((names >> _BITS) & mask) - _HALF


def may_be_among(names: Integers, few: Integers) -> NDArray[np.bool_]:
    """Tell which names may be among a few: all that are, and not many others.

    Parameters
    ----------
    names : ndarray of int64, shape (n,)
        Any.
    few : ndarray of int64, shape (m,)
        The few.
    """
    table = np.zeros(_PLACES, np.bool_)
    found = np.empty(len(names), np.bool_)
    _enter(few, table)
    _look_up(read_only(names), table, found)
    return found


@njit(nogil=True, cache=True)
def _enter(names: Integers, table: NDArray[np.bool_]) -> None:
    for i in range(names.shape[0]):
        table[((names[i] * _GOLDEN) >> 40) & (_PLACES - 1)] = True


@njit(nogil=True, cache=True)
def _look_up(names: Integers, table: NDArray[np.bool_], found: NDArray[np.bool_]) -> None:
    for i in range(names.shape[0]):
        found[i] = table[((names[i] * _GOLDEN) >> 40) & (_PLACES - 1)]


class CellFigures(NamedTuple):
    """What lies in each of some cells. Shares of a cell add up to the whole, whatever the cut.

    Parameters
    ----------
    points : ndarray of int64, shape (m,)
        Number of points.
    sums : ndarray of int64, shape (m, 3)
        Sums of x, y, z from the cell's lower corner, in steps of :data:`STEP`.
    lowest, highest : ndarray of float64, shape (m,)
        Range of heights, m; infinite where there is no point.
    """

    points: Integers
    sums: Integers
    lowest: Floats
    highest: Floats


# Whole steps add up exactly: about a micrometre.
STEP = 2.0**-20


def cell_figures(
    x: Floats,
    y: Floats,
    z: Floats,
    order: NDArray[np.int32],
    starts: Integers,
    counted: NDArray[np.bool_],
    place: Integers,
    edge: float,
) -> CellFigures:
    """Return what lies in each cell.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (n,)
        Coordinates, m, cell by cell.
    order : ndarray of int32, shape (n,)
        Which point each of them is.
    starts : ndarray of int64, shape (m + 1,)
        Where cells start in them.
    counted : ndarray of bool, shape (n,) or (0,)
        Which points count; all, if it is empty.
    place : ndarray of int64, shape (m, 3)
        Where each cell lies, in whole cells.
    edge : float
        Edge of a cell, m.
    """
    m = len(place)
    figures = CellFigures(np.empty(m, np.int64), np.empty((m, 3), np.int64), np.empty(m), np.empty(m))
    _add_points(x, y, z, order, starts, counted, place, edge, *figures)
    return figures


def columns_in_plan(names: Integers, rows: Integers, width: int) -> tuple[Integers, Integers]:
    """Return x and y of some named cells in whole columns of so many cells.

    Parameters
    ----------
    names : ndarray of int64, shape (n,)
        All names.
    rows : ndarray of int64, shape (m,)
        Which of them.
    width : int
        Cells along the side of a column.
    """
    x, y = np.empty(len(rows), np.int64), np.empty(len(rows), np.int64)
    _place_in_plan(names, rows, width, x, y)
    return x, y


@njit(nogil=True, cache=True)
def _place_in_plan(names: Integers, rows: Integers, width: int, x: Integers, y: Integers) -> None:
    mask = (1 << _BITS) - 1
    for j in range(rows.shape[0]):
        name = names[rows[j]]
        x[j] = ((name & mask) - _HALF) // width
        y[j] = (((name >> _BITS) & mask) - _HALF) // width


class ColumnFigures(NamedTuple):
    """Keys that occur, ascending, and what belongs to each: number of points, lowest and highest, m."""

    key: Integers
    points: Integers
    lowest: Floats
    highest: Floats


def summed_columns(
    keys: Integers, total: int, points: Integers, lowest: Floats, highest: Floats
) -> ColumnFigures:
    """Return the figures of parts that have a key in common as one.

    Parameters
    ----------
    keys : ndarray of int64, shape (n,)
        Key of each part, from 0.
    total : int
        All keys are less; a table of so many is made.
    points : ndarray of int64, shape (n,)
        Points in each part, at least one.
    lowest, highest : ndarray of float64, shape (n,)
        Range of their heights, m.
    """
    count, low, high = np.zeros(total, np.int64), np.full(total, np.inf), np.full(total, -np.inf)
    _add_parts(keys, points, lowest, highest, count, low, high)
    key = np.flatnonzero(count)
    return ColumnFigures(key, count[key], low[key], high[key])


@njit(nogil=True, cache=True)
def _add_parts(
    keys: Integers,
    points: Integers,
    lowest: Floats,
    highest: Floats,
    total: Integers,
    low: Floats,
    high: Floats,
) -> None:
    for i in range(keys.shape[0]):
        key = keys[i]
        total[key] += points[i]
        low[key] = min(low[key], lowest[i])
        high[key] = max(high[key], highest[i])


def middles(names: Integers, points: Integers, sums: Integers, edge: float) -> Floats:
    """Return the mean place (m, shape (m, 3)) of the points of named cells; each holds at least one."""
    return named_places(names) * edge + sums / points[:, None] * STEP


@njit(nogil=True, cache=True)
def _add_points(
    x: Floats,
    y: Floats,
    z: Floats,
    order: NDArray[np.int32],
    starts: Integers,
    counted: NDArray[np.bool_],
    place: Integers,
    edge: float,
    points: Integers,
    sums: Integers,
    lowest: Floats,
    highest: Floats,
) -> None:
    every = counted.shape[0] == 0
    for cell in range(place.shape[0]):
        corner_x, corner_y, corner_z = place[cell, 0] * edge, place[cell, 1] * edge, place[cell, 2] * edge
        count = sum_x = sum_y = sum_z = np.int64(0)
        low, high = np.inf, -np.inf
        for t in range(starts[cell], starts[cell + 1]):
            if every or counted[order[t]]:
                count += 1
                sum_x += np.int64((x[t] - corner_x) / STEP)
                sum_y += np.int64((y[t] - corner_y) / STEP)
                sum_z += np.int64((z[t] - corner_z) / STEP)
                low, high = min(low, z[t]), max(high, z[t])
        points[cell], lowest[cell], highest[cell] = count, low, high
        sums[cell, 0], sums[cell, 1], sums[cell, 2] = sum_x, sum_y, sum_z


def points_beneath(
    place: Integers, points: Integers, asked: NDArray[np.bool_], by_column: NDArray[np.int32], cells: int
) -> Integers:
    """Return how many points lie clearly below cells, straight down.

    Parameters
    ----------
    place : ndarray of int64, shape (m, 3)
        x, y, z in whole cells.
    points : ndarray of int64, shape (m,)
        Number of points in each.
    asked : ndarray of bool, shape (m,)
        The cells that are asked about; all others get 0.
    by_column : ndarray of int32, shape (m,)
        The cells column by column, from below.
    cells : int
        What lies so many cells lower, or more, lies clearly below.
    """
    beneath = np.zeros(len(place), np.int64)
    _add_beneath(place, points, asked, by_column, cells, beneath)
    return beneath


@njit(nogil=True, cache=True)
def _add_beneath(
    place: Integers,
    points: Integers,
    asked: NDArray[np.bool_],
    by_column: NDArray[np.int32],
    cells: int,
    beneath: Integers,
) -> None:
    # The first cell of the column that is not clearly below, and what lies below that one.
    low, total = 0, np.int64(0)
    for t in range(by_column.shape[0]):
        c = by_column[t]
        b = by_column[low]
        if place[b, 0] != place[c, 0] or place[b, 1] != place[c, 1]:
            low, total = t, np.int64(0)
        if asked[c]:
            while place[by_column[low], 2] <= place[c, 2] - cells:
                total += points[by_column[low]]
                low += 1
            beneath[c] = total

"""Figures of the cells that organise the linking, and names that cells have in every block."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

# A name holds 22 bits for x and y and 20 for z: with cells of 0.6 m that is 1,250 km and 300 km either way.
_BITS = 22
_HALF = 1 << (_BITS - 1)
_HALF_Z = 1 << (62 - 2 * _BITS)


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
    taken: NDArray[np.bool_],
    cell_of_point: NDArray[np.int32],
    place: Integers,
    edge: float,
) -> CellFigures:
    """Return what lies in each cell.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (n,)
        Coordinates, m.
    taken : ndarray of bool, shape (n,)
        The points that count.
    cell_of_point : ndarray of int32, shape (n,)
        The cell of each point.
    place : ndarray of int64, shape (m, 3)
        Where each cell lies, in whole cells.
    edge : float
        Edge of a cell, m.
    """
    m = len(place)
    figures = CellFigures(
        np.zeros(m, np.int64), np.zeros((m, 3), np.int64), np.full(m, np.inf), np.full(m, -np.inf)
    )
    _add_points(x, y, z, taken, cell_of_point, place, edge, *figures)
    return figures


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
    taken: NDArray[np.bool_],
    cell_of_point: NDArray[np.int32],
    place: Integers,
    edge: float,
    points: Integers,
    sums: Integers,
    lowest: Floats,
    highest: Floats,
) -> None:
    for i in range(x.shape[0]):
        if taken[i]:
            cell = cell_of_point[i]
            points[cell] += 1
            sums[cell, 0] += np.int64((x[i] - place[cell, 0] * edge) / STEP)
            sums[cell, 1] += np.int64((y[i] - place[cell, 1] * edge) / STEP)
            sums[cell, 2] += np.int64((z[i] - place[cell, 2] * edge) / STEP)
            lowest[cell] = min(lowest[cell], z[i])
            highest[cell] = max(highest[cell], z[i])

"""Which place each point takes where points are ordered by square cells, and putting columns there.

Cells are counted, their points follow one another cell after cell, and a cell's points stay in the order that
they came in: that takes three passes over the points and no sorting. It is what ordering by keys of few
values comes to (counting sort).
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cloudprep.kernels.cell_summary import span
from cloudprep.kernels.compiling import COMPILED, njit, read_only
from cloudprep.kernels.plain import leaf_places as plain

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

_PER_THREAD = 100_000
_AT_ONCE = 1024
_WORDS = {1: np.uint8, 2: np.uint16, 4: np.uint32, 8: np.uint64}


class Numbered(NamedTuple):
    """In which cell of a rectangle each point lies.

    Parameters
    ----------
    column, row : int
        First cell of the rectangle, counted from the one that the phase lies in.
    shape : tuple of int
        Its rows and columns.
    cells : ndarray of int32, shape (n,)
        Cell of each point, row by row; ``rows * columns`` for points left out.
    counts : ndarray of int64, shape (parts, rows * columns + 1)
        Points of each cell, and those left out, for each of some equal parts of the points.
    """

    column: int
    row: int
    shape: tuple[int, int]
    cells: NDArray[np.int32]
    counts: NDArray[np.int64]


def _parts(count: int, threads: int) -> list[slice]:
    """Return equal parts of the points, one for each thread that is worth it."""
    edges = np.linspace(0, count, max(1, min(threads, count // _PER_THREAD)) + 1).astype(np.int64)
    return [slice(int(a), int(b)) for a, b in pairwise(edges)]


def _side_by_side(work: Callable[..., Any], *given: list[Any]) -> list[Any]:
    if len(given[0]) == 1:
        return [work(*(values[0] for values in given))]
    with ThreadPoolExecutor(len(given[0])) as pool:
        return list(pool.map(work, *given))


@njit(nogil=True, cache=True, error_model="numpy")
def _number(
    x: Floats,
    y: Floats,
    used: Flags,
    phase: tuple[float, float],
    side: float,
    first: tuple[int, int],
    shape: tuple[int, int],
    cells: NDArray[np.int32],
    counts: NDArray[np.int64],
) -> int:
    rows, columns = shape
    missed = 0
    # A few at a time: first all cells, which takes vector instructions, then the counts.
    for start in range(0, len(cells), _AT_ONCE):
        end = min(start + _AT_ONCE, len(cells))
        for i in range(start, end):
            c = np.floor((x[i] + phase[0]) / side) - first[0]
            r = np.floor((y[i] + phase[1]) / side) - first[1]
            inside = (c >= 0) & (r >= 0) & (c < columns) & (r < rows)
            cells[i] = np.int32(r * columns + c) if inside & used[i] else rows * columns
            missed += int(used[i] & ~inside)
        for i in range(start, end):
            counts[cells[i]] += 1
    return missed


def numbered(
    x: Floats,
    y: Floats,
    used: Flags,
    *,
    phase: tuple[float, float],
    side: float,
    most: int,
    threads: int = 1,
) -> Numbered | None:
    """Return in which square cell each point lies, and how many lie in each.

    Parameters
    ----------
    x, y : ndarray of float64, shape (n,)
        Coordinates, m; n < 2**31.
    used : ndarray of bool, shape (n,)
        Which points count, at least one.
    phase : tuple of float
        Is added to x and y, m.
    side : float
        Side of a cell, m.
    most : int
        Cells at most.
    threads : int
        Threads to use.

    Returns
    -------
    Numbered or None
        None where the points span more cells.

    Raises
    ------
    ValueError
        If a coordinate is no number.
    """
    parts = _parts(len(x), threads)
    spans = np.array(_side_by_side(lambda part: span(x[part], y[part], used[part]), parts))
    (left, lower), (right, upper) = spans[:, ::2].min(axis=0), spans[:, 1::2].max(axis=0)
    # The very steps that each point takes, so that the outermost ones lie in the outermost cells.
    column, row = (int(np.floor((v + p) / side)) for v, p in zip((left, lower), phase, strict=True))
    columns = int(np.floor((right + phase[0]) / side)) - column + 1
    rows = int(np.floor((upper + phase[1]) / side)) - row + 1
    if rows * columns > most:
        return None
    cells, counts = np.empty(len(x), np.int32), np.zeros((len(parts), rows * columns + 1), np.int64)
    number = _number if COMPILED else plain.number

    def part_of(part: slice, into: NDArray[np.int64]) -> int:
        given = (phase[0], phase[1]), float(side), (column, row), (rows, columns)
        return int(number(x[part], y[part], used[part], *given, cells[part], into))

    missed = sum(_side_by_side(part_of, parts, list(counts)))
    if missed:
        raise ValueError(f"{missed} of {len(x)} points lie in no cell")
    return Numbered(column, row, (rows, columns), cells, counts)


@njit(nogil=True, cache=True, error_model="numpy")
def _give_places(cells: NDArray[np.int32], after: NDArray[np.int64]) -> None:
    for i in range(len(cells)):
        cell = cells[i]
        place = after[cell]
        after[cell] = place + 1
        cells[i] = place


def places_of(numbered: Numbered, order: NDArray[np.int64]) -> NDArray[np.int32]:
    """Return the place of each point where cells follow one another in an order.

    Parameters
    ----------
    numbered : Numbered
        The points' cells. Its array is written over.
    order : ndarray of int64, shape (m,)
        All cells that hold points, in the order wanted. Points left out come behind them.

    Returns
    -------
    ndarray of int32, shape (n,)
        Points of one cell stay in their order; as many threads as there are parts don't change it.
    """
    counts = numbered.counts
    order = np.r_[order, counts.shape[1] - 1]
    ends = np.cumsum(counts[:, order].T).reshape(len(order), len(counts)).T
    after = np.zeros_like(counts)
    after[:, order] = ends - counts[:, order]
    give_places = _give_places if COMPILED else plain.give_places
    _side_by_side(
        lambda part, own: give_places(numbered.cells[part], own),
        _parts(len(numbered.cells), len(counts)),
        list(after),
    )
    return numbered.cells


@njit(nogil=True, cache=True, error_model="numpy")
def _move(values: NDArray[Any], places: NDArray[np.integer[Any]], out: NDArray[Any]) -> None:
    for i in range(len(places)):
        out[places[i]] = values[i]


def moved(values: NDArray[Any], places: NDArray[np.integer[Any]]) -> NDArray[Any]:
    """Return values at new places.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Of a type of 1, 2, 4 or 8 bytes.
    places : ndarray of int, shape (n,)
        Each of 0 to n - 1 once.

    Examples
    --------
    >>> moved(np.array([1.0, 2.0, 3.0]), np.array([2, 0, 1], np.int32))
    array([2., 3., 1.])
    """
    out = np.empty(len(values), values.dtype)
    # Only how many bytes there are matters, so four kinds do for all types.
    word = _WORDS[values.dtype.itemsize]
    move = _move if COMPILED else plain.move
    move(read_only(np.ascontiguousarray(values).view(word)), places, out.view(word))
    return out

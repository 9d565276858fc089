"""Traces contours strip by strip, and joins what the edges of strips cut."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.contours import contour_pieces

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    Rows = Callable[[int, int], NDArray[np.float64]]
    Key = tuple[int, int]

_STRIP_CELLS = 4_000_000
_MOST_VERTICES = 400_000_000


@dataclass(frozen=True)
class Traced:
    """Contours in cells, by level, and each level's by their first vertex from south to north.

    Parameters
    ----------
    places : ndarray of float64, shape (n, 2)
        Column and row of each vertex, as numbers of cell centres; a ring's first vertex isn't repeated.
    starts : ndarray of int64, shape (m + 1,)
        Where each line begins, and the end of the last.
    levels : ndarray of int64, shape (m,)
        Which multiple of the interval each line has.
    closed : ndarray of bool, shape (m,)
        Which are rings.
    """

    places: NDArray[np.float64]
    starts: NDArray[np.int64]
    levels: NDArray[np.int64]
    closed: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.levels)

    def thinned(self, kept: NDArray[np.bool_]) -> Traced:
        """Return the same lines of the vertices that are kept."""
        before = np.concatenate([[0], np.cumsum(kept)])
        return Traced(self.places[kept], before[self.starts].astype(np.int64), self.levels, self.closed)

    def lengths(self) -> NDArray[np.float64]:
        """Return the length of each line, cells."""
        return _lengths(self.places, self.starts, self.closed)

    def depressions(self) -> NDArray[np.bool_]:
        """Return which lines are rings with lower ground inside: they run clockwise."""
        if len(self) == 0:
            return np.zeros(0, bool)
        after = np.arange(1, len(self.places) + 1)
        after[self.starts[1:] - 1] = self.starts[:-1]
        base = np.repeat(self.places[self.starts[:-1]], np.diff(self.starts), axis=0)
        a, b = self.places - base, self.places[after] - base
        areas = np.add.reduceat(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0], self.starts[:-1])
        found: NDArray[np.bool_] = self.closed & (areas < 0)
        return found


def traced(
    rows: Rows, shape: tuple[int, int], interval: float, shortest: float, strip_rows: int | None = None
) -> Traced:
    """Return the contours of a raster.

    Parameters
    ----------
    rows : callable
        Gives rows of heights: first, and one past the last.
    shape : tuple of int
        Rows and columns of the raster.
    interval : float
        Levels are its whole multiples.
    shortest : float
        Shorter lines are left out, cells.
    strip_rows : int, optional
        Rows traced at a time; by default about four million cells. The result doesn't depend on it.

    Raises
    ------
    OverflowError
        If there would be more than 400 million vertices.
    """
    lines = _sorted(
        (level, line, ring)
        for level, line, ring in _joined(rows, shape, interval, shortest, strip_rows)
        if _length(line, ring) >= shortest
    )
    starts = np.cumsum([0, *(len(line) for _, line, _ in lines)]).astype(np.int64)
    places = np.concatenate([line for _, line, _ in lines]) if lines else np.empty((0, 2))
    return Traced(
        places,
        starts,
        np.array([level for level, _, _ in lines], np.int64),
        np.array([ring for _, _, ring in lines], bool),
    )


def _sorted(
    lines: Iterator[tuple[int, NDArray[np.float64], bool]],
) -> list[tuple[int, NDArray[np.float64], bool]]:
    return sorted(lines, key=lambda found: (found[0], found[1][0, 1], found[1][0, 0]))


def _joined(
    rows: Rows, shape: tuple[int, int], interval: float, shortest: float, strip_rows: int | None
) -> Iterator[tuple[int, NDArray[np.float64], bool]]:
    """Give each line's level and vertices, and whether it is a ring (from its south-western vertex)."""
    height, width = shape
    step = strip_rows or max(64, _STRIP_CELLS // max(width, 1))
    joints = _Joints()
    total = 0
    for first in range(0, height - 1, step):
        last = min(first + step, height - 1)
        pieces = contour_pieces(rows(first, last + 1), interval, first)
        total += len(pieces.places)
        if total > _MOST_VERTICES:
            raise OverflowError(f"more than {_MOST_VERTICES // 1_000_000} million vertices")
        # Edges between centres of a row that two strips share.
        below = range(2 * first * width, 2 * (first + 1) * width, 2) if first else range(0)
        above = range(2 * last * width, 2 * (last + 1) * width, 2) if last < height - 1 else range(0)
        cut = _among(pieces.ends, below) | _among(pieces.ends, above)
        # The last digits of a length depend on where a ring begins: those near the limit are looked at again.
        long = _lengths(pieces.places, pieces.starts, pieces.closed) >= shortest * (1 - 1e-9)
        for i in np.flatnonzero(long | cut):
            line = pieces.places[pieces.starts[i] : pieces.starts[i + 1]].copy()
            level, ring = int(pieces.levels[i]), bool(pieces.closed[i])
            if cut[i]:
                start, end = pieces.ends[i].tolist()
                yield from joints.put(_Chain(level, [line], start, end), below, above)
            else:
                yield level, _from_south_west(line) if ring else line, ring
    yield from joints.rest()


def _among(ends: NDArray[np.int64], edges: range) -> NDArray[np.bool_]:
    """Tell which lines begin or end on a row's edges."""
    found: NDArray[np.bool_] = ((ends >= edges.start) & (ends < edges.stop) & (ends % 2 == 0)).any(axis=1)
    return found


@dataclass
class _Chain:
    """Pieces in a row: each begins at the vertex where the one before ends."""

    level: int
    parts: list[NDArray[np.float64]]
    start: int
    end: int

    def line(self) -> NDArray[np.float64]:
        return np.concatenate([self.parts[0], *(part[1:] for part in self.parts[1:])])


class _Joints:
    """Chains with an end on the last row of a strip, where the next one may go on with them."""

    def __init__(self) -> None:
        self.beginning: dict[Key, _Chain] = {}
        self.ending: dict[Key, _Chain] = {}

    def put(
        self, chain: _Chain, below: range, above: range
    ) -> Iterator[tuple[int, NDArray[np.float64], bool]]:
        """Join a piece of a strip with chains of those before; give a line that is complete."""
        level = chain.level
        if chain.start in below and (before := self.ending.pop((chain.start, level), None)):
            chain.parts = before.parts + chain.parts
            chain.start = before.start
            if (chain.start, level) in self.beginning:
                self.beginning[chain.start, level] = chain
        if chain.end in below and (after := self.beginning.pop((chain.end, level), None)):
            if after is chain:
                yield level, _from_south_west(chain.line()[:-1]), True
                return
            chain.parts += after.parts
            chain.end = after.end
            if (chain.end, level) in self.ending:
                self.ending[chain.end, level] = chain
        if chain.start in above:
            self.beginning[chain.start, level] = chain
        if chain.end in above:
            self.ending[chain.end, level] = chain
        if (chain.start, level) not in self.beginning and (chain.end, level) not in self.ending:
            yield level, chain.line(), False

    def rest(self) -> Iterator[tuple[int, NDArray[np.float64], bool]]:
        """Give what no strip goes on with."""
        for chain in {id(c): c for c in (*self.beginning.values(), *self.ending.values())}.values():
            yield chain.level, chain.line(), False


def _from_south_west(ring: NDArray[np.float64]) -> NDArray[np.float64]:
    """Let a ring begin at its southernmost vertex, the westernmost of several."""
    return np.roll(ring, -int(np.lexsort((ring[:, 0], ring[:, 1]))[0]), axis=0)


def _length(line: NDArray[np.float64], ring: bool) -> float:
    steps = np.diff(np.concatenate([line, line[:1]]) if ring else line, axis=0)
    return float(np.hypot(steps[:, 0], steps[:, 1]).sum())


def _lengths(
    places: NDArray[np.float64], starts: NDArray[np.int64], closed: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Return the length of each of many lines."""
    if len(closed) == 0:
        return np.zeros(0)
    after = np.arange(1, len(places) + 1)
    after[starts[1:] - 1] = np.where(closed, starts[:-1], starts[1:] - 1)
    steps = places[after] - places
    found: NDArray[np.float64] = np.add.reduceat(np.hypot(steps[:, 0], steps[:, 1]), starts[:-1])
    return found

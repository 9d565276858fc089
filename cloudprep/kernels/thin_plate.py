"""Fits a thin plate to the heights in a raster, quickly enough to be done twenty times.

The surface u minimises

    sum w (u - z)^2 + stiffness * sum (dxx^2 + dyy^2 + 2 dxy^2)

over all cells, with plain second differences and nothing said about the edge (the natural boundary: a
tilted plane bends nowhere). The equations are solved by conjugate gradients preconditioned by a multigrid
cycle, in float32, with what is left of them taken anew in float64 every few steps; five to ten steps do.

Where no data are near, the plate would run away: the height of an empty corner is a product of slopes at
its rim and the distance, to any size. Empty cells further than a reach from any data are therefore drawn
towards the nearest value, as gently as a plate that forgets over 30 cells.

References
----------
P. Craven and G. Wahba, Numerische Mathematik 31, 1979 (smoothing with a thin plate); O. Tatebe, "The
multigrid preconditioned conjugate gradient method", NASA CP-3224, 1993.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.kernels import thin_plate_cycle, thin_plate_levels
from cloudprep.kernels.compiling import COMPILED
from cloudprep.kernels.plain import thin_plate as plain
from cloudprep.kernels.thin_plate_coarsest import dense, inverted, times
from cloudprep.kernels.thin_plate_cycle import CHUNK, chebyshev_steps
from cloudprep.kernels.thin_plate_far import Far, far_from
from cloudprep.kernels.thin_plate_narrow import NARROW, solved_narrow
from cloudprep.kernels.thin_plate_operator import PLANES, RIM, Equations, factors

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

# Cells without data, further than this from any, are drawn to the nearest value ...
FREE_REACH = 15.0
# ... so that a plate forgets what happens further away than about this many cells.
_MEMORY = 30.0
# On narrow rasters one or two data leave the plate free to tilt: there all empty cells are drawn, but hardly.
_HARDLY = 1e-4
# The largest eigenvalues of the matrices divided by their diagonals: 3.2 follows for the plate alone from
# its Fourier transform (64 / 20), and data only lower it; on coarse levels up to 4.66 were measured, on nine
# scenes with four stiffnesses.
_HIGHEST = (3.25, 4.7)
_SMOOTHED = 6.0
# A coarse correction is halved where data weigh as much as this many times the stiffness.
_STRENGTH = 20.0
# A level of so few cells is solved directly.
_FEW = 64
# A plate this many times as stiff as its data are heavy, on the mean, is held so softly that float32 can't
# tell; and if it doesn't converge otherwise, float64 is tried as well.
_STIFF = 3e4
_PRECISIONS = (np.float32, np.float64)
# Steps in float32 between looks in float64.
_ROUND = 5
# Cells of a level that are worth being shared out to threads.
_WORTH = 60_000


_cycle = thin_plate_cycle if COMPILED else plain
_levels = thin_plate_levels if COMPILED else plain


class _Level:
    """Arrays of one level."""

    def __init__(self, rows: int, columns: int, dtype: Any, *, finest: bool) -> None:
        self.rows, self.columns = rows, columns
        shape = (rows + 2 * RIM, columns + 2 * RIM)
        nothing = np.zeros((1, 1), dtype)
        self.equations = Equations(
            finest=finest,
            weights=np.zeros(shape, dtype) if finest else nothing,
            stiffness=dtype(0),
            along_x=factors(columns, dtype) if finest else nothing,
            along_y=factors(rows, dtype) if finest else nothing,
            planes=np.zeros((1, 1, 1) if finest else (shape[0], PLANES, shape[1]), dtype),
        )
        self.scale, self.inverse = np.zeros(shape, dtype), np.zeros(shape, dtype)
        self.right, self.out, self.better = (np.zeros(shape, dtype) for _ in range(3))
        self.totals = np.zeros(-(-rows // CHUNK))
        highest = _HIGHEST[0 if finest else 1]
        first, again, second = chebyshev_steps(highest, highest / _SMOOTHED)
        self.steps = (dtype(first), dtype(again), dtype(second))

    @property
    def given(self) -> tuple[Any, ...]:
        """What a sweep is given first."""
        return self.equations, self.steps, self.right, self.inverse, self.scale, self.out


def _added(totals: NDArray[np.float64]) -> float:
    """Return the sum, one after the other."""
    return float(np.cumsum(totals)[-1])


class SurfaceFitter:
    """Fits surfaces to rasters of one shape, and keeps its room between them.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns.
    threads : int
        Threads to use; the result doesn't depend on them.

    Notes
    -----
    The result of a fit doesn't depend on earlier ones. About 90 bytes a cell are kept. Not to be shared
    between threads.
    """

    def __init__(self, shape: tuple[int, int], *, threads: int = 1) -> None:
        self.shape = shape
        self.threads = threads
        self.rounds = 0
        self._pool: ThreadPoolExecutor | None = None
        padded = (shape[0] + 2 * RIM, shape[1] + 2 * RIM)
        self._exact = Equations(
            finest=True,
            weights=np.zeros(padded),
            stiffness=np.float64(0),
            along_x=factors(shape[1], np.float64),
            along_y=factors(shape[0], np.float64),
            planes=np.zeros((1, 1, 1)),
        )
        self._surface, self._data = np.zeros(padded), np.zeros(padded)
        self._last_far: tuple[NDArray[np.bool_], float, Far | None] = np.zeros((0, 0), bool), np.nan, None
        self._allocate(np.float32)

    def _allocate(self, dtype: Any) -> None:
        rows, columns = self.shape
        self._dtype = dtype
        self._set_up_for = np.nan
        self._levels = [_Level(rows, columns, dtype, finest=True)]
        while len(self._levels) == 1 or rows * columns > _FEW:
            rows, columns = rows // 2 + 2, columns // 2 + 2
            self._levels.append(_Level(rows, columns, dtype, finest=False))
        padded = (self.shape[0] + 2 * RIM, self.shape[1] + 2 * RIM)
        self._change, self._direction, self._before, self._product = (
            np.zeros(padded, dtype) for _ in range(4)
        )

    def _in_bands(
        self, work: Callable[[int, int], Any], rows: int, columns: int, unit: int = CHUNK
    ) -> list[Any]:
        """Return what ``work(begin, end)`` gives for bands of rows, side by side if it is worth it."""
        chunks = -(-rows // unit)
        count = min(self.threads, chunks) if self._pool is not None and rows * columns >= _WORTH else 1
        if count == 1 or self._pool is None:
            return [work(0, rows)]
        edges = [min(rows, k * chunks // count * unit) for k in range(count + 1)]
        return list(self._pool.map(work, edges[:-1], edges[1:]))

    def _set_up(self, stiffness: float) -> None:
        """Coarsen the equations level by level."""
        self._set_up_for = stiffness
        finest = self._levels[0]
        finest.equations = finest.equations._replace(stiffness=self._dtype(stiffness))
        strength = _STRENGTH * stiffness
        for level, coarser in zip(self._levels, [*self._levels[1:], None], strict=True):
            if coarser is None:
                self._inverse = inverted(dense(level.equations.planes))
            else:
                given = level.equations, self._dtype(strength), level.scale, level.inverse
                self._in_bands(partial(_levels.scale_and_diagonal, *given), level.rows, level.columns)
                into = level.equations, level.scale, coarser.equations.planes
                self._in_bands(partial(_levels.coarsen, *into), coarser.rows, level.columns, 1)
            strength /= 4

    def _cycle(self) -> float:
        """Go down through all levels and up again; return the residual times its correction."""
        for level, coarser in zip(self._levels, self._levels[1:], strict=False):
            coarser.right.fill(0)
            self._in_bands(partial(_cycle.down, *level.given, coarser.right), level.rows, level.columns)
        coarsest = self._levels[-1]
        inner = np.s_[RIM:-RIM, RIM:-RIM]
        coarsest.better[inner] = times(self._inverse, coarsest.right[inner])
        for level, coarser in zip(self._levels[-2::-1], self._levels[:0:-1], strict=True):
            given = *level.given, coarser.better, level.better, level.totals
            self._in_bands(partial(_cycle.up, *given), level.rows, level.columns)
        return _added(self._levels[0].totals)

    def _iterate(self, tolerance: float, most_rounds: int) -> bool:
        """Improve the surface until it changes no more; return whether that was reached.

        What is left of the equations to begin with is the finest level's right-hand side.
        """
        finest = self._levels[0]
        totals = finest.totals
        self._change.fill(0)
        in_bands = partial(self._in_bands, rows=self.shape[0], columns=self.shape[1])
        self.rounds, largest, last, sound = 0, np.inf, np.inf, True
        while sound and largest > tolerance and self.rounds < most_rounds:
            if self.rounds > 0:  # The first time, it is settled already.
                in_bands(partial(_cycle.add_change, self._change, self._surface))
                in_bands(partial(_cycle.settle, self._exact, self._data, self._surface, finest.right))
            before = 1.0
            for k in range(min(_ROUND, most_rounds - self.rounds)):
                now = self._cycle()
                if now == 0:  # Nothing is left to improve.
                    largest = 0.0
                    break
                by = self._dtype(now / before if k else 0.0)
                before = now
                self._before, self._direction = self._direction, self._before
                given = finest.equations, by, finest.better, self._before, self._direction, self._product
                in_bands(partial(_cycle.turn_and_multiply, *given, totals))
                bent = _added(totals)
                # Both are sums of squares, unless rounding has got the better of the coarse levels.
                sound = 0 < now < np.inf and 0 < bent < np.inf
                if not sound:
                    break
                along = self._dtype(now / bent), self._direction, self._product, self._change, finest.right
                step = max(in_bands(partial(_cycle.advance, *along)))
                self.rounds += 1
                # One short step may be chance; after two the rest is short as well.
                largest, last = max(step, last / 5), step
                # Late in a round float32 may have run out of digits, where it takes rounds at all.
                if k == _ROUND - 1 and self.rounds > _ROUND:
                    largest = np.inf
                if largest <= tolerance:
                    break
        return sound and largest <= tolerance

    def fit(
        self,
        values: NDArray[Any],
        weights: NDArray[Any],
        stiffness: float,
        *,
        start: NDArray[Any] | None = None,
        tolerance: float = 0.002,
        most_rounds: int = 60,
        free_reach: float = FREE_REACH,
    ) -> NDArray[np.float64]:
        """Fit a surface; see :func:`fit_surface`."""
        values, weights = self._checked(values, weights, stiffness)
        held = weights > 0
        if not held.any():
            raise ValueError("no cell has a weight: a surface can't be fitted to nothing")
        if min(self.shape) < NARROW:
            return self._fit_narrow(values, weights, held, stiffness, free_reach)
        with self._threads_at_hand():
            return self._fit_wide(values, weights, held, stiffness, start, tolerance, most_rounds, free_reach)

    def _fit_wide(
        self,
        values: NDArray[np.float64],
        weights: NDArray[np.float64],
        held: NDArray[np.bool_],
        stiffness: float,
        start: NDArray[Any] | None,
        tolerance: float,
        most_rounds: int,
        free_reach: float,
    ) -> NDArray[np.float64]:
        """Fit a surface level by level."""
        far = self._far_from(held, free_reach)
        in_bands = partial(self._in_bands, rows=self.shape[0], columns=self.shape[1])
        totals = np.zeros((2, len(self._levels[0].totals)))
        in_bands(partial(_cycle.weigh, values, weights, totals))
        total, weight = (_added(one) for one in totals)
        # A round number, so that the last bits of a sum don't reach the result.
        middle = float(np.round(total / weight))
        if far is not None:
            pull = stiffness / _MEMORY**4
            values, weights = values.copy(), weights.copy()
            weights[far.far] = pull
            values[far.far] = values[far.row, far.column]
            weight += pull * len(far.row)
        self._exact = self._exact._replace(stiffness=np.float64(stiffness))
        first = np.empty((0, 0)) if start is None else np.ascontiguousarray(start, np.float64)
        for dtype in _PRECISIONS if stiffness <= _STIFF * weight / values.size else _PRECISIONS[1:]:
            if dtype is not self._dtype:
                self._allocate(dtype)
            finest = self._levels[0]
            into = self._exact, self._data, self._surface, finest.equations.weights, finest.right
            changed = sum(in_bands(partial(_cycle.begin_with, values, weights, first, middle, *into)))
            # Fits often come with the weights of the one before.
            if changed or stiffness != self._set_up_for:
                self._set_up(stiffness)
            if self._iterate(tolerance, most_rounds):
                break
        found = np.empty(self.shape)
        in_bands(partial(_cycle.end_with, self._surface, self._change, middle, found))
        return found

    @contextmanager
    def _threads_at_hand(self) -> Iterator[None]:
        """Hold a pool of threads, where there are rows for them."""
        if self.threads <= 1 or not COMPILED or self.shape[0] * self.shape[1] < _WORTH:
            yield
            return
        with ThreadPoolExecutor(self.threads) as pool:
            self._pool = pool
            try:
                yield
            finally:
                self._pool = None

    def _fit_narrow(
        self,
        values: NDArray[np.float64],
        weights: NDArray[np.float64],
        held: NDArray[np.bool_],
        stiffness: float,
        free_reach: float,
    ) -> NDArray[np.float64]:
        """Fit a surface on a raster too narrow for coarser levels."""
        data = np.where(held, values, 0.0)
        middle = float(np.round(np.sum(data * weights) / np.sum(weights)))
        data = np.where(held, data - middle, 0.0)
        empty, far = far_from(held, 0.0), far_from(held, free_reach)
        if empty is not None:
            data[empty.far] = data[empty.row, empty.column]
        pull = np.full(self.shape, stiffness / _MEMORY**4)
        pull[~far.far if far is not None else ...] *= _HARDLY
        self.rounds = 0
        return solved_narrow(data, weights + pull * ~held, stiffness) + middle

    def _far_from(self, held: NDArray[np.bool_], reach: float) -> Far | None:
        """Return :func:`far_from`, which fits often ask for the same cells one after the other."""
        before, known, far = self._last_far
        if reach != known or not np.array_equal(held, before):
            far = far_from(held, reach)
            self._last_far = held, reach, far
        return far

    def _checked(
        self, values: NDArray[Any], weights: NDArray[Any], stiffness: float
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        if values.shape != self.shape or weights.shape != self.shape:
            raise ValueError(f"expected rasters of {self.shape}, got {values.shape} and {weights.shape}")
        if not 0 < stiffness < np.inf:
            raise ValueError(f"the stiffness must be a number greater than 0, got {stiffness}")
        return np.ascontiguousarray(values, np.float64), np.ascontiguousarray(weights, np.float64)


def fit_surface(
    values: NDArray[Any],
    weights: NDArray[Any],
    stiffness: float,
    *,
    start: NDArray[Any] | None = None,
    tolerance: float = 0.002,
    most_rounds: int = 60,
    free_reach: float = FREE_REACH,
) -> NDArray[np.float64]:
    """Return the thin plate that fits weighted heights.

    Parameters
    ----------
    values : ndarray of float, shape (rows, columns)
        Heights (m); whatever stands where the weight is 0 (NaN too) is not looked at.
    weights : ndarray of float, shape (rows, columns)
        Not negative; 0 leaves the cell free.
    stiffness : float
        Factor of the bending energy, greater than 0: the larger, the smoother.
    start : ndarray of float, shape (rows, columns), optional
        A first guess, finite everywhere. It saves steps and doesn't move the result by more than the
        tolerance.
    tolerance : float
        Stop when no cell changes by more (m).
    most_rounds : int
        Stop after so many steps, come what may (in float32; and then, if that wasn't enough, in float64).
    free_reach : float
        Cells without data further than this many cells from any are drawn towards the nearest value, with
        weight stiffness / 30^4; infinity leaves all free.

    Returns
    -------
    ndarray of float64, shape (rows, columns)
        The same bits for the same input.

    Raises
    ------
    ValueError
        If all weights are zero, the rasters differ in shape, or the stiffness isn't greater than 0.

    Examples
    --------
    >>> fit_surface(np.array([[1.0, np.nan, np.nan, 7.0]]), np.array([[1, 0, 0, 1]]), 1.0).round(3)
    array([[1., 3., 5., 7.]])
    """
    fitter = SurfaceFitter((values.shape[0], values.shape[1]))
    return fitter.fit(
        values,
        weights,
        stiffness,
        start=start,
        tolerance=tolerance,
        most_rounds=most_rounds,
        free_reach=free_reach,
    )

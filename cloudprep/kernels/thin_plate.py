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

from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.kernels import thin_plate_cycle, thin_plate_levels
from cloudprep.kernels.compiling import COMPILED
from cloudprep.kernels.plain import thin_plate as plain
from cloudprep.kernels.thin_plate_coarsest import dense, inverted, times
from cloudprep.kernels.thin_plate_cycle import chebyshev_steps
from cloudprep.kernels.thin_plate_far import Far, far_from
from cloudprep.kernels.thin_plate_narrow import NARROW, solved_narrow
from cloudprep.kernels.thin_plate_operator import PLANES, RIM, Equations, factors

if TYPE_CHECKING:
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
        self.right, self.out = np.zeros(shape, dtype), np.zeros(shape, dtype)
        highest = _HIGHEST[0 if finest else 1]
        first, again, second = chebyshev_steps(highest, highest / _SMOOTHED)
        self.steps = (dtype(first), dtype(again), dtype(second))


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
    The result of a fit doesn't depend on earlier ones. About 80 bytes a cell are kept. Not to be shared
    between threads.
    """

    def __init__(self, shape: tuple[int, int], *, threads: int = 1) -> None:
        self.shape = shape
        self.threads = threads
        self.rounds = 0
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
        self._levels = [_Level(rows, columns, dtype, finest=True)]
        while len(self._levels) == 1 or rows * columns > _FEW:
            rows, columns = rows // 2 + 2, columns // 2 + 2
            self._levels.append(_Level(rows, columns, dtype, finest=False))
        padded = (self.shape[0] + 2 * RIM, self.shape[1] + 2 * RIM)
        self._change, self._direction = np.zeros(padded, dtype), np.zeros(padded, dtype)
        self._product = np.zeros(padded, dtype)

    def _set_up(self, weights: NDArray[np.float64], stiffness: float) -> None:
        """Take the weights, and coarsen the equations level by level."""
        inner = np.s_[RIM:-RIM, RIM:-RIM]
        self._exact.weights[inner] = weights
        self._exact = self._exact._replace(stiffness=np.float64(stiffness))
        finest = self._levels[0]
        finest.equations.weights[inner] = weights
        finest.equations = finest.equations._replace(stiffness=self._dtype(stiffness))
        strength = _STRENGTH * stiffness
        for level, coarser in zip(self._levels, [*self._levels[1:], None], strict=True):
            if coarser is None:
                self._inverse = inverted(dense(level.equations.planes))
            else:
                _levels.scale_and_diagonal(level.equations, self._dtype(strength), level.scale, level.inverse)
                coarser.equations.planes.fill(0)
                _levels.coarsen(level.equations, level.scale, coarser.equations.planes)
            strength /= 4

    def _cycle(self) -> float:
        """Go down through all levels and up again; return the residual times its correction."""
        for level, coarser in zip(self._levels, self._levels[1:], strict=False):
            coarser.right.fill(0)
            _cycle.sweep(
                False,
                level.equations,
                level.steps,
                level.right,
                level.inverse,
                level.scale,
                level.out,
                coarser.right,
            )
        coarsest = self._levels[-1]
        inner = np.s_[RIM:-RIM, RIM:-RIM]
        coarsest.out[inner] = times(self._inverse, coarsest.right[inner])
        value = 0.0
        for level, coarser in zip(self._levels[-2::-1], self._levels[:0:-1], strict=True):
            value = _cycle.sweep(
                True,
                level.equations,
                level.steps,
                level.right,
                level.inverse,
                level.scale,
                level.out,
                coarser.out,
            )
        return float(value)

    def _iterate(self, tolerance: float, most_rounds: int) -> bool:
        """Improve the surface until it changes no more; return whether that was reached."""
        finest = self._levels[0]
        self._change.fill(0)
        self._direction.fill(0)
        self.rounds, largest, last, sound = 0, np.inf, np.inf, True
        while sound and largest > tolerance and self.rounds < most_rounds:
            _cycle.settle(self._exact, self._data, self._change, self._surface, finest.right)
            before = 1.0
            for k in range(min(_ROUND, most_rounds - self.rounds)):
                now = self._cycle()
                if now == 0:  # Nothing is left to improve.
                    largest = 0.0
                    break
                by = self._dtype(now / before if k else 0.0)
                before = now
                bent = _cycle.turn_and_multiply(
                    finest.equations, by, finest.out, self._direction, self._product
                )
                # Both are sums of squares, unless rounding has got the better of the coarse levels.
                sound = 0 < now < np.inf and 0 < bent < np.inf
                if not sound:
                    break
                step = _cycle.advance(
                    self._dtype(now / bent), self._direction, self._product, self._change, finest.right
                )
                self.rounds += 1
                # One short step may be chance; after two the rest is short as well.
                largest, last = max(step, last / 5), step
                # Late in a round float32 may have run out of digits, where it takes rounds at all.
                if k == _ROUND - 1 and self.rounds > _ROUND:
                    largest = np.inf
                if largest <= tolerance:
                    break
        self._surface += self._change
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
        data = np.where(held, values, 0.0)
        # A round number, so that the last bits of a sum don't reach the result.
        middle = float(np.round(np.sum(data * weights) / np.sum(weights)))
        if min(self.shape) < NARROW:
            data = np.where(held, data - middle, 0.0)
            empty, far = far_from(held, 0.0), far_from(held, free_reach)
            if empty is not None:
                data[empty.far] = data[empty.row, empty.column]
            pull = np.full(self.shape, stiffness / _MEMORY**4)
            pull[~far.far if far is not None else ...] *= _HARDLY
            self.rounds = 0
            return solved_narrow(data, weights + pull * ~held, stiffness) + middle
        far = self._far_from(held, free_reach)
        inner = np.s_[RIM:-RIM, RIM:-RIM]
        self._data[inner] = np.where(held, data - middle, 0.0)
        if far is not None:
            weights = np.where(far.far, stiffness / _MEMORY**4, weights)
            self._data[inner][far.far] = data[far.row, far.column] - middle
        for dtype in _PRECISIONS if stiffness <= _STIFF * float(np.mean(weights)) else _PRECISIONS[1:]:
            if dtype is not self._dtype:
                self._allocate(dtype)
            self._surface[inner] = 0.0 if start is None else start - middle
            self._set_up(weights, stiffness)
            if self._iterate(tolerance, most_rounds):
                break
        return self._surface[inner] + middle

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
        return np.asarray(values, np.float64), np.asarray(weights, np.float64)


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

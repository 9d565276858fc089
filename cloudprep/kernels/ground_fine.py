"""A finer ground surface where points are dense: below low plants, and no wider than the data's noise."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from scipy import ndimage

from cloudprep.kernels.boxes import box_highest, box_mean
from cloudprep.kernels.compiling import njit
from cloudprep.kernels.ground_heights import (
    BIN,
    Heights,
    lowest_heights,
    sums_between,
    without_low_groups,
)
from cloudprep.kernels.ground_rubble import Rubble, at_the_foot, rubble
from cloudprep.kernels.steepness import steepness
from cloudprep.kernels.strips import in_strips
from cloudprep.kernels.thin_plate import SurfaceFitter

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

# To this step, m, surfaces are solved: half the least tolerance.
_CLOSE_ENOUGH = 0.03


def bending(surface: Floats) -> Floats:
    """Return the norm of the raw second differences of a raster of heights, m."""
    norm = np.empty(surface.shape)
    _bending(np.ascontiguousarray(surface), norm)
    return norm


@njit(nogil=True, cache=True, error_model="numpy")
def _bending(u: Floats, norm: Floats) -> None:
    rows, columns = u.shape
    for r in range(rows):
        for c in range(columns):
            norm[r, c] = 0.0
        for c in range(1, columns - 1):
            across = u[r, c - 1] - 2 * u[r, c] + u[r, c + 1]
            norm[r, c] = across * across
        if 0 < r < rows - 1:
            for c in range(columns):
                along = u[r - 1, c] - 2 * u[r, c] + u[r + 1, c]
                norm[r, c] += along * along
        if r < rows - 1:
            for c in range(columns - 1):
                twist = u[r, c] - u[r, c + 1] - u[r + 1, c] + u[r + 1, c + 1]
                norm[r, c] += 2 * (twist * twist)
        for c in range(columns):
            norm[r, c] = np.sqrt(norm[r, c])


class FineRules(NamedTuple):
    """The numbers behind the finer surface: lengths in metres, slopes as rise over run.

    Parameters
    ----------
    deviations : float
        Tolerance in standard deviations of the measured noise, ...
    least, most : float
        ... at least and at most this.
    presumed : float
        Noise where too few points lie below the surface to measure it.
    slope_share, bending_share : float
        Added to the tolerance: these shares of the slope and of the bending over a cell.
    envelope_rounds : int
        Rounds that draw the surface to the lowest points.
    envelope_height : float
        Height over the surface at which a lowest point weighs half.
    envelope_stiffness, stiffness : float
        Of the surface while it is drawn to the lowest points, and afterwards.
    step : float
        Bending of the coarse surface beyond which a cell holds a step: there the coarse result stands.
    box : float
        Side of the square over which noise is measured.
    plant_band : float
        Plants betray themselves if this band above the tolerance holds ...
    plant_share : float
        ... more than this share of the points within it.
    crowd : float
        The same, for holding the surface at the lower side of the points.
    """

    deviations: float = 3.0
    least: float = 0.06
    most: float = 0.3
    presumed: float = 0.1
    slope_share: float = 0.3
    bending_share: float = 0.5
    envelope_rounds: int = 4
    envelope_height: float = 0.05
    envelope_stiffness: float = 0.2
    stiffness: float = 0.1
    step: float = 0.3
    box: float = 7.0
    plant_band: float = 0.4
    plant_share: float = 0.25
    crowd: float = 0.4


# Where points stand so close that cells of half a metre hold several, the surface follows the ground better:
# what slope and bending add would only let plants in (measured on made-up drone scenes).
CLOSE = FineRules(slope_share=0.05, bending_share=0.25)


def doubting(rules: FineRules) -> FineRules:
    """Return rules for a place that may have no ground.

    Where too few points lie below the surface to measure their noise, a wide tolerance would be filled by
    what stands above: there it is the least one. Under woods whose ground shows in few points the same would
    lose some of these, so it is for places that are in doubt only.
    """
    return rules._replace(presumed=rules.least / rules.deviations)


class FineSurface(NamedTuple):
    """The finer surface.

    Parameters
    ----------
    height : ndarray of float64, shape (rows, columns)
        m.
    tolerance : ndarray of float64, shape (rows, columns)
        How far from it a point may lie, m.
    noise : ndarray of float64, shape (rows, columns)
        Measured standard deviation of the heights, m.
    steps : ndarray of bool, shape (rows, columns)
        Cells where the coarse result stands.
    rock : ndarray of float64, shape (rows, columns)
        How far above the surface broken rock reaches, m; 0 where there is none.
    """

    height: NDArray[np.float64]
    tolerance: NDArray[np.float64]
    noise: NDArray[np.float64]
    steps: NDArray[np.bool_]
    rock: NDArray[np.float64]


@njit(nogil=True, cache=True, error_model="numpy")
def _reach_down(
    height: Floats,
    coarse: Floats,
    slope: Floats,
    bend: Floats,
    reach: Floats,
    rules: FineRules,
    slack: Floats,
    shift: Floats,
    low: Floats,
) -> None:
    """Write the slack, the surface over the coarse one, and how far below it points count.

    ``reach`` without the slack is a raster, or one number for all cells.
    """
    everywhere = reach.size == 1
    for r in range(height.shape[0]):
        for c in range(height.shape[1]):
            slack[r, c] = rules.slope_share * slope[r, c] + rules.bending_share * bend[r, c]
            shift[r, c] = height[r, c] - coarse[r, c]
        if everywhere:
            for c in range(height.shape[1]):
                low[r, c] = shift[r, c] - (reach[0, 0] + slack[r, c])
        else:
            for c in range(height.shape[1]):
                low[r, c] = shift[r, c] - (reach[r, c] + slack[r, c])


@njit(nogil=True, cache=True, error_model="numpy")
def _squares(sums: Floats, shift: Floats, steps: Flags, below: Floats, n: Floats) -> None:
    """Write the sum of squared depths below the surface and the number of points, but for steps."""
    for r in range(shift.shape[0]):
        for c in range(shift.shape[1]):
            count, total, square = sums[0, r, c], sums[1, r, c], sums[2, r, c]
            over = shift[r, c]
            found = square - 2.0 * over * total + count * (over * over)
            below[r, c] = 0.0 if steps[r, c] else found
            n[r, c] = 0.0 if steps[r, c] else count


@njit(nogil=True, cache=True, error_model="numpy")
def _deviations(
    many: Floats, spread: Floats, cells: int, rules: FineRules, noise: Floats, tolerance: Floats
) -> None:
    """Write the noise, from means over squares of so many cells, and the tolerance that follows."""
    for r in range(many.shape[0]):
        for c in range(many.shape[1]):
            found = np.sqrt(max(spread[r, c], 0.0) / max(many[r, c], 1e-9))
            found = rules.presumed if many[r, c] * cells < 8 else found
            noise[r, c] = found
            tolerance[r, c] = min(max(rules.deviations * found, rules.least), rules.most)


@njit(nogil=True, cache=True, error_model="numpy")
def _around(
    height: Floats, coarse: Floats, noise: Floats, slack: Floats, rules: FineRules, low: Floats, high: Floats
) -> None:
    """Write between which heights over the coarse surface points lie within the noise."""
    for r in range(height.shape[0]):
        for c in range(height.shape[1]):
            near = min(max(1.5 * noise[r, c], 0.5 * rules.least), rules.most) + 0.5 * slack[r, c]
            shift = height[r, c] - coarse[r, c]
            low[r, c] = shift - near
            high[r, c] = shift + near


@njit(nogil=True, cache=True, error_model="numpy")
def _means(
    height: Floats, coarse: Floats, sums: Floats, held: Flags, target: Floats, weights: Floats
) -> None:
    """Write the mean of points, or the surface where it is held, and whether there are any."""
    for r in range(height.shape[0]):
        for c in range(height.shape[1]):
            target[r, c] = coarse[r, c] + sums[1, r, c] / max(sums[0, r, c], 1.0)
            weights[r, c] = min(sums[0, r, c], 1.0)
        if len(held):
            for c in range(height.shape[1]):
                target[r, c] = height[r, c] if held[r, c] else target[r, c]


class _Fine:
    def __init__(self, heights: Heights, coarse: Floats, cell: float, rules: FineRules, threads: int) -> None:
        self.coarse, self.cell, self.rules = coarse, cell, rules
        self.threads = threads
        self.shape = coarse.shape[0], coarse.shape[1]
        fitter = SurfaceFitter(self.shape, threads=threads)
        self.fit = partial(fitter.fit, tolerance=_CLOSE_ENOUGH)
        self.box = int(max(3, round(rules.box / cell)))
        # Fewer of the smaller cells hold ground.
        self.stiffer = 1.0 / cell
        self.bend = bending(self.coarse)
        self.heights = self._without_low_groups(heights)
        self.height = coarse.copy()
        self.before: Floats | None = None
        self.steps = ndimage.maximum_filter(self.bend > rules.step, 3)
        self.mean = partial(box_mean, size=self.box, threads=threads)
        self.sums = partial(sums_between, self.heights, threads=threads)

    def _without_low_groups(self, heights: Heights) -> Heights:
        """Leave out heights far below the lowest points around, where groups of false low points may lie."""
        slope = steepness(self.coarse, self.cell, steepest=4.0)
        depth = 0.25 + 0.5 * slope + 0.5 * ndimage.maximum_filter(self.bend, 5)
        return without_low_groups(heights, depth, self.box)

    def _slope(self) -> Floats:
        return steepness(self.height, self.cell, steepest=4.0)

    def envelope(self) -> None:
        """Draw the surface down to the lowest points, from above those under plants."""
        rules = self.rules
        lowest = lowest_heights(self.heights)
        have = ~np.isnan(lowest)
        target = self.coarse + np.where(have, lowest, 0.0)
        for k in range(rules.envelope_rounds):
            weights = have.astype(np.float64)
            if k > 0:
                over = np.maximum(target - self.height, 0.0)
                weights /= 1.0 + (over / (rules.envelope_height + 0.1 * self._slope())) ** 2
            self.height = self.fit(
                target, weights, rules.envelope_stiffness * self.stiffer, start=self.height
            )

    def tolerances(self, before: Floats | None) -> tuple[Floats, Floats, Floats, Flags]:
        """Return noise, tolerance without slack, slack, and which cells' noise was measured."""
        rules = self.rules
        bend = box_highest(bending(self.height), 3, threads=self.threads)
        slope = self._slope()
        slack, below, n = (np.empty(self.shape) for _ in range(3))
        reach = np.full((1, 1), rules.most) if before is None else before

        def measure(part: slice) -> None:
            shift, low = np.empty(slack[part].shape), np.empty(slack[part].shape)
            given = self.height[part], self.coarse[part], slope[part], bend[part]
            _reach_down(*given, reach if before is None else reach[part], rules, slack[part], shift, low)
            some = self.heights._replace(start=self.heights.start[part])
            # At steps the surface misses the points by more than their noise.
            _squares(sums_between(some, low, shift), shift, self.steps[part], below[part], n[part])

        in_strips(measure, self.shape, self.threads)
        many, spread = self.mean(n), self.mean(below)
        noise, tolerance = np.empty(self.shape), np.empty(self.shape)

        def judge(part: slice) -> None:
            _deviations(many[part], spread[part], self.box**2, rules, noise[part], tolerance[part])

        in_strips(judge, self.shape, self.threads)
        return noise, tolerance, slack, n > 0

    def centre(self, times: int, held: Flags | None = None) -> None:
        """Draw the surface to the mean of the points within the noise, but where it is held."""
        rules = self.rules
        before, nowhere = self.before, np.zeros((0, 0), bool)
        for _ in range(times):
            noise, tolerance, slack, _ = self.tolerances(before)
            before = self.before = np.minimum(tolerance * 1.5, rules.most)
            target, weights = np.empty(self.shape), np.empty(self.shape)

            def aim(part: slice, given: tuple[Floats, Floats] = (noise, slack)) -> None:
                low, high = np.empty(target[part].shape), np.empty(target[part].shape)  # noqa: B023
                own = self.height[part], self.coarse[part]
                _around(*own, given[0][part], given[1][part], rules, low, high)
                some = self.heights._replace(start=self.heights.start[part])
                kept = nowhere if held is None else held[part]
                _means(*own, sums_between(some, low, high), kept, target[part], weights[part])  # noqa: B023

            in_strips(aim, self.shape, self.threads)
            if not weights.any():
                return
            self.height = self.fit(target, weights, rules.stiffness * self.stiffer, start=self.height)

    def crowded(self) -> Flags:
        """Return cells above which more points stand close than on them."""
        rules = self.rules
        _, tolerance, slack, _ = self.tolerances(self.before)
        shift, near = self.height - self.coarse, tolerance + slack
        within = self.mean(self.sums(shift - near, shift + near)[0])
        upper = shift + near + BIN / 2
        over = self.mean(self.sums(upper, upper + rules.plant_band)[0])
        return np.asarray(over > rules.crowd * within)

    def result(self) -> FineSurface:
        """Return the surface with the tolerance in each cell."""
        rules = self.rules
        noise, tolerance, slack, measured = self.tolerances(self.before)
        open_ground = ~self.steps
        # Where plants stand close above the ground, the noise measured among them is too large.
        calm = np.percentile(noise[measured], 25) if measured.any() else np.inf
        tight = np.clip(rules.deviations * np.minimum(noise, 1.5 * calm), rules.least, rules.most)
        bend = box_highest(bending(self.height), 3, threads=self.threads)
        tight_slack = rules.slope_share * self._slope() + rules.bending_share * np.maximum(bend - 0.1, 0.0)
        tight += tight_slack
        shift = self.height - self.coarse
        within = np.where(open_ground, self.sums(shift - tight, shift + tight)[0], 0.0)
        upper = shift + tight
        over = np.where(open_ground, self.sums(upper + BIN / 2, upper + rules.plant_band)[0], 0.0)
        plants = self.mean(over) > rules.plant_share * self.mean(within)
        plants &= open_ground
        foot = at_the_foot(self.coarse, self.cell, Rubble(), threads=self.threads)
        rock = rubble(
            self.heights, shift, plants, foot, cell=self.cell, calm=float(calm), threads=self.threads
        )
        tolerance = np.where(plants, tight, tolerance + slack)
        return FineSurface(self.height, tolerance, noise, self.steps, rock)


def fine_surface(
    heights: Heights,
    coarse: NDArray[Any],
    *,
    cell: float,
    rules: FineRules | None = None,
    threads: int = 1,
) -> FineSurface | None:
    """Draw a ground surface through the lower side of dense points.

    Parameters
    ----------
    heights : Heights
        Counts of heights over the coarse surface, of as many rows and columns.
    coarse : ndarray of float64, shape (rows, columns)
        The coarse surface at the cell centres, m.
    cell : float
        Side of a cell, m.
    rules : FineRules, optional
        The numbers behind it.
    threads : int
        Threads to use; the result doesn't depend on them.

    Returns
    -------
    FineSurface or None
        None if no point lies near the coarse surface.
    """
    fine = _Fine(heights, np.asarray(coarse, np.float64), cell, rules or FineRules(), threads)
    if not len(fine.heights.bins):
        return None
    fine.envelope()
    # From the lowest points up to the middle of the noise; below plants there is a way on, so less of it.
    fine.centre(3)
    fine.centre(4, held=fine.crowded())
    return fine.result()

"""A finer ground surface where points are dense: below low plants, and no wider than the data's noise."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numba import njit
from scipy import ndimage

from cloudprep.kernels.steepness import steepness
from cloudprep.kernels.thin_plate import SurfaceFitter

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]
    Counts = NDArray[np.uint16]

# Heights over the coarse surface are counted in bins of 2 cm, from 64 cm below to 96 cm above.
BIN = 0.02
LOWEST = -0.64
BINS = 80
_FULL = np.iinfo(np.uint16).max


@njit(nogil=True, cache=True, error_model="numpy")
def _count(row: NDArray[np.int64], column: NDArray[np.int64], above: Floats, counts: Counts) -> None:
    for i in range(len(above)):
        # Compared as numbers first: what is no number or too large for an index never becomes one.
        place = (above[i] - LOWEST) / BIN
        if 0 <= place < BINS and counts[row[i], column[i], int(place)] < _FULL:
            counts[row[i], column[i], int(place)] += 1


def count_heights(
    row: NDArray[np.int64], column: NDArray[np.int64], above: Floats, shape: tuple[int, int]
) -> NDArray[np.uint16]:
    """Count points by their height over a surface, cell by cell.

    Parameters
    ----------
    row, column : ndarray of int64, shape (n,)
        Cell of each point; it must lie within the raster.
    above : ndarray of float64, shape (n,)
        Height over the surface, m.
    shape : tuple of int
        Rows and columns.

    Returns
    -------
    ndarray of uint16, shape (rows, columns, 80)
        Counts in bins of 2 cm from -0.64 m; what lies beyond isn't counted; full at 65,535.
    """
    counts = np.zeros((*shape, BINS), np.uint16)
    if len(row):
        inside = (row.min() >= 0) & (column.min() >= 0) & (row.max() < shape[0]) & (column.max() < shape[1])
        if not inside:
            raise ValueError("points lie outside the raster")
        _count(row, column, above, counts)
    return counts


@njit(nogil=True, cache=True, error_model="numpy")
def _within(counts: Counts, low: Floats, high: Floats, sums: Floats) -> None:
    rows, columns, bins = counts.shape
    for r in range(rows):
        for c in range(columns):
            first = max(0, int(np.ceil((low[r, c] - LOWEST) / BIN - 0.5)))
            last = min(bins - 1, int(np.floor((high[r, c] - LOWEST) / BIN - 0.5)))
            n = total = square = 0.0
            for k in range(first, last + 1):
                m = counts[r, c, k]
                v = LOWEST + (k + 0.5) * BIN
                n += m
                total += m * v
                square += m * v * v
            sums[0, r, c], sums[1, r, c], sums[2, r, c] = n, total, square


@njit(nogil=True, cache=True, error_model="numpy")
def _empty_below(counts: Counts, limit: Floats) -> None:
    """Empty the bins whose middle lies below a limit, cell by cell."""
    rows, columns, bins = counts.shape
    for r in range(rows):
        for c in range(columns):
            for k in range(bins):
                if LOWEST + (k + 0.5) * BIN >= limit[r, c]:
                    break
                counts[r, c, k] = 0


def _sums(counts: Counts, low: Floats, high: Floats) -> Floats:
    """Return number, sum and sum of squares of the heights between two limits, cell by cell."""
    sums = np.empty((3, *low.shape))
    _within(counts, low, high, sums)
    return sums


def bending(surface: Floats) -> Floats:
    """Return the norm of the raw second differences of a raster of heights, m."""
    k = np.zeros(surface.shape)
    k[:, 1:-1] += (surface[:, :-2] - 2 * surface[:, 1:-1] + surface[:, 2:]) ** 2
    k[1:-1] += (surface[:-2] - 2 * surface[1:-1] + surface[2:]) ** 2
    k[:-1, :-1] += 2 * (surface[:-1, :-1] - surface[:-1, 1:] - surface[1:, :-1] + surface[1:, 1:]) ** 2
    return np.sqrt(k)


class FineRules(NamedTuple):
    """The numbers behind the finer surface: lengths in metres, slopes as rise over run.

    Parameters
    ----------
    deviations : float
        Tolerance in standard deviations of the measured noise, ...
    least, most : float
        ... at least and at most this.
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
    """

    height: NDArray[np.float64]
    tolerance: NDArray[np.float64]
    noise: NDArray[np.float64]
    steps: NDArray[np.bool_]


class _Fine:
    def __init__(self, counts: Counts, coarse: Floats, cell: float, rules: FineRules) -> None:
        self.coarse, self.cell, self.rules = coarse, cell, rules
        self.fit = SurfaceFitter((coarse.shape[0], coarse.shape[1])).fit
        self.box = int(max(3, round(rules.box / cell)))
        # Fewer of the smaller cells hold ground.
        self.stiffer = 1.0 / cell
        self.counts = self._without_low_groups(counts)
        self.height = coarse.copy()
        self.before: Floats | None = None
        self.steps = ndimage.maximum_filter(bending(self.coarse) > rules.step, 3)

    def _without_low_groups(self, counts: Counts) -> Counts:
        """Empty the bins far below the lowest points around, where groups of false low points may lie."""
        lowest, have = _lowest(counts)
        around = ndimage.median_filter(np.where(have, lowest, 0.0), self.box)
        slope = steepness(self.coarse, self.cell, steepest=4.0)
        bend = ndimage.maximum_filter(bending(self.coarse), 5)
        limit = around - 0.25 - 0.5 * slope - 0.5 * bend
        kept = counts.copy()
        _empty_below(kept, limit)
        return kept

    def _slope(self) -> Floats:
        return steepness(self.height, self.cell, steepest=4.0)

    def envelope(self) -> None:
        """Draw the surface down to the lowest points, from above those under plants."""
        rules = self.rules
        lowest, have = _lowest(self.counts)
        target = self.coarse + np.where(have, lowest, 0.0)
        for k in range(rules.envelope_rounds):
            weights = have.astype(np.float64)
            if k > 0:
                over = np.maximum(target - self.height, 0.0)
                weights /= 1.0 + (over / (rules.envelope_height + 0.1 * self._slope())) ** 2
            self.height = self.fit(
                target, weights, rules.envelope_stiffness * self.stiffer, start=self.height, tolerance=0.01
            )

    def tolerances(self, before: Floats | None) -> tuple[Floats, Floats, Floats, Flags]:
        """Return noise, tolerance without slack, slack, and which cells' noise was measured."""
        rules = self.rules
        shift = self.height - self.coarse
        bend = ndimage.maximum_filter(bending(self.height), 3)
        slack = rules.slope_share * self._slope() + rules.bending_share * bend
        reach = (np.full(shift.shape, rules.most) if before is None else before) + slack
        n, total, square = _sums(self.counts, shift - reach, shift)
        # At steps the surface misses the points by more than their noise.
        calm = ~self.steps
        below = np.where(calm, square - 2 * shift * total + n * shift**2, 0.0)
        n = np.asarray(np.where(calm, n, 0.0), np.float64)
        many = ndimage.uniform_filter(n, self.box)
        noise = np.sqrt(np.maximum(ndimage.uniform_filter(below, self.box), 0) / np.maximum(many, 1e-9))
        noise[many * self.box**2 < 8] = rules.most / rules.deviations
        tolerance = np.clip(rules.deviations * noise, rules.least, rules.most)
        return noise, tolerance, slack, n > 0

    def centre(self, times: int, held: Flags | None = None) -> None:
        """Draw the surface to the mean of the points within the noise, but where it is held."""
        rules = self.rules
        before = self.before
        for _ in range(times):
            noise, tolerance, slack, _ = self.tolerances(before)
            before = self.before = np.minimum(tolerance * 1.5, rules.most)
            near = np.clip(1.5 * noise, 0.5 * rules.least, rules.most) + 0.5 * slack
            shift = self.height - self.coarse
            n, total, _ = _sums(self.counts, shift - near, shift + near)
            if not n.any():
                return
            target = self.coarse + total / np.maximum(n, 1)
            if held is not None:
                target = np.where(held, self.height, target)
            self.height = self.fit(
                target, np.minimum(n, 1.0), rules.stiffness * self.stiffer, start=self.height, tolerance=0.01
            )

    def crowded(self) -> Flags:
        """Return cells above which more points stand close than on them."""
        rules = self.rules
        _, tolerance, slack, _ = self.tolerances(self.before)
        shift, near = self.height - self.coarse, tolerance + slack
        within = ndimage.uniform_filter(_sums(self.counts, shift - near, shift + near)[0], self.box)
        upper = shift + near + BIN / 2
        over = ndimage.uniform_filter(_sums(self.counts, upper, upper + rules.plant_band)[0], self.box)
        return np.asarray(over > rules.crowd * within)

    def result(self) -> FineSurface:
        """Return the surface with the tolerance in each cell."""
        rules = self.rules
        noise, tolerance, slack, measured = self.tolerances(self.before)
        open_ground = ~self.steps
        # Where plants stand close above the ground, the noise measured among them is too large.
        calm = np.percentile(noise[measured], 25) if measured.any() else np.inf
        tight = np.clip(rules.deviations * np.minimum(noise, 1.5 * calm), rules.least, rules.most)
        bend = ndimage.maximum_filter(bending(self.height), 3)
        tight_slack = rules.slope_share * self._slope() + rules.bending_share * np.maximum(bend - 0.1, 0.0)
        tight += tight_slack
        shift = self.height - self.coarse
        within = np.where(open_ground, _sums(self.counts, shift - tight, shift + tight)[0], 0.0)
        upper = shift + tight
        over = np.where(open_ground, _sums(self.counts, upper + BIN / 2, upper + rules.plant_band)[0], 0.0)
        plants = ndimage.uniform_filter(over, self.box) > rules.plant_share * ndimage.uniform_filter(
            within, self.box
        )
        tolerance = np.where(plants & open_ground, tight, tolerance + slack)
        return FineSurface(self.height, tolerance, noise, self.steps)


@njit(nogil=True, cache=True, error_model="numpy")
def _lowest_bins(counts: Counts, lowest: Floats) -> None:
    rows, columns, bins = counts.shape
    for r in range(rows):
        for c in range(columns):
            for k in range(bins):
                if counts[r, c, k] > 0:
                    lowest[r, c] = LOWEST + (k + 0.5) * BIN
                    break


def _lowest(counts: Counts) -> tuple[Floats, Flags]:
    """Return the lowest counted height of each cell, m, and which cells have one."""
    lowest = np.full(counts.shape[:2], np.nan)
    _lowest_bins(counts, lowest)
    return lowest, ~np.isnan(lowest)


def fine_surface(
    counts: NDArray[np.uint16], coarse: NDArray[Any], *, cell: float, rules: FineRules | None = None
) -> FineSurface | None:
    """Draw a ground surface through the lower side of dense points.

    Parameters
    ----------
    counts : ndarray of uint16, shape (rows, columns, 80)
        From :func:`count_heights`, over the coarse surface.
    coarse : ndarray of float64, shape (rows, columns)
        The coarse surface at the cell centres, m.
    cell : float
        Side of a cell, m.
    rules : FineRules, optional
        The numbers behind it.

    Returns
    -------
    FineSurface or None
        None if no point lies near the coarse surface.
    """
    fine = _Fine(counts, np.asarray(coarse, np.float64), cell, rules or FineRules())
    if not fine.counts.any():
        return None
    fine.envelope()
    # From the lowest points up to the middle of the noise; below plants there is a way on, so less of it.
    fine.centre(3)
    fine.centre(4, held=fine.crowded())
    return fine.result()

"""How rough the ground is, as chances: even in most places, and here and there a bank, a wall, an edge.

Ground is of ten classes of roughness ``c`` (the variance of the difference in height between two places 1 m
apart); within a class, differences from what surrounding points give are normal, with the variance
``s2 * (1 + weight) + c * gap`` (see :mod:`cloudprep.kernels.height_error`). How much of the ground around is
of each class is told by the points that were left out, by expectation and maximization (Dempster, Laird and
Rubin 1977, "Maximum likelihood from incomplete data via the EM algorithm", J. R. Stat. Soc. B 39:1-38) from a
start that takes most ground for even; after every other turn the path of both is followed further (squared
extrapolation, Varadhan and Roland 2008, "Simple and globally convergent methods for accelerating the
convergence of any EM algorithm", Scand. J. Stat. 35:335-353). These are chances beforehand; which
class a triangle is of is told by its own six or fewer differences, by Bayes' rule. So one wall makes those
triangles unsure that it crosses, and not all ground around it.

The roughest class is made for faces: a step of 10 m somewhere within a triangle. Where the roughest was of
3 m2 / m, all faces were of it, and cells beside them were told to be better than they are.

What is interpolated within the triangle is then off by a mixture of normal distributions. It has longer tails
than a single one, so no number is its standard error for every purpose: that which is right for 68 % is too
small for 95 %. The one returned follows from what 95 % ask for.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.elementary import ERF, ERF_SLOPE, ERF_STEPS, take_exponentials
from cloudprep.kernels.simd import WIDTH, load, over, plus, spread, store, times

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.kernels.facets import Binned

    Floats = NDArray[np.float64]

CLASSES = np.concatenate([[0.0], 10.0 ** (-3.0 + 0.55 * np.arange(9))])
"""Roughness of each class, m2 / m."""

_CLASSES = len(CLASSES)  # an even number, known to the compiler
# Points that are weighed together, and rows of squares whose points are.
_LOT, _ROWS = 256, 8

# The constants below were set on demo scenes of seeds 1 to 3. Chances start from mostly even. Between even
# and hardly rough only many points decide, so that turns stay close to the start there: from 0.98 ground
# between tall grass, rough by half its noise, was taken for even.
_EVEN = 0.85
_TURNS = 24
# The path of two turns is followed so much further at most, and no chance falls to a smaller part by it.
_FARTHEST, _LEAST_LEFT = 20.0, 0.3
# Chances that no turn changes by more are settled.
_SETTLED = 5e-4
_START_POINTS = 2.0
_WIDE = 200
_FEWEST = 8
_UNLIKELY = 1e-3
_ALIKE = 1.02
# A step of the third order that is no larger a part leaves about its cube.
_CLOSE_ENOUGH = 5e-3
_MOST_BENT = 0.5
_STEPS = 40
# Chance differences are taken for a little roughness: without this, errors on even ground are said too large.
_CALIBRATION = 0.94
# Of a normal distribution 95 % lie within 1.96 standard deviations.
_WITHIN, _LIMIT = 0.95, 1.959964


def class_chances(
    points: Binned,
    residuals: tuple[Floats, Floats, Floats, Floats],
    numbers: NDArray[np.int64],
    nodes: tuple[NDArray[np.int64], NDArray[np.int64]],
    size: int,
    farthest: int,
    *,
    threads: int = 1,
) -> Floats:
    """Return how much of the ground around some squares of bins is of each class.

    Parameters
    ----------
    points : Binned
        Ground points.
    residuals : tuple of ndarray of float64, shape (n,)
        Of each point: its difference from what those around it give (m, NaN where they give nothing), the
        weight and gap of that (:class:`cloudprep.kernels.facets.Facets`), the variance of heights there that
        measurement explains (m2, > 0).
    numbers : ndarray of int64, shape (rows + 1, columns + 1)
        Running sums over bins of the points whose difference is known.
    nodes : tuple of ndarray of int64, shapes (r,) and (c,)
        First row and first column of the squares.
    size : int
        Edge of a square, bins.
    farthest : int
        Points count up to this many bins from a square; from as few as hold 200 points.
    threads : int
        Threads to use.

    Returns
    -------
    ndarray of float64, shape (r, c, 10)
        Sums to one; NaN where fewer than 8 points are near.
    """
    rows, columns = nodes
    found = np.full((len(rows), len(columns), len(CLASSES)), np.nan)
    start = np.full(len(CLASSES), (1 - _EVEN) / (len(CLASSES) - 1))
    start[0] = _EVEN

    kept = np.empty((4, int(np.count_nonzero(np.isfinite(residuals[0])))))
    starts = np.empty_like(points.starts)
    off, weight, gap, noise = residuals
    _known(points.starts, off, weight, gap, noise, starts, kept)
    given = starts, points.columns, kept[0], kept[1], kept[2], kept[3], numbers

    def work(k: int) -> None:
        some = slice(k, k + _ROWS)
        _chances(*given, rows[some], columns, size, farthest, CLASSES, start, found[some])

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(work, range(0, len(rows), _ROWS)))
    return found


def mixture_errors(
    chances: Floats,
    rows: NDArray[np.int64],
    columns: NDArray[np.int64],
    seen: tuple[NDArray[np.int32], NDArray[np.float32]],
    measured: Floats,
    gap: NDArray[np.float32],
    bent: Floats,
) -> Floats:
    """Return one standard error for each position.

    Parameters
    ----------
    chances : ndarray of float64, shape (r, c, 10)
        Of the classes, beforehand.
    rows, columns : ndarray of int64, shapes (h,) and (w,)
        Which of them are those of a row or column of positions.
    seen : tuple of ndarray of int32, shape (h, w), and of float32, shape (t, 10)
        Which row of the second is that of each position, -1 for none; how likely what is seen would be of
        each class, as a part of the likeliest.
    measured, gap, bent : ndarray, shape (h, w)
        Variance due to measurement (m2); gap of the triangle; variance due to bends of the terrain (m2).

    Returns
    -------
    ndarray of float64, shape (h, w)
        m: the distance within which 95 % of true heights are expected, divided by 1.96, times 0.94. NaN
        where chances or the triangle are unknown.
    """
    found = np.full(measured.shape, np.nan)
    holder, likely = seen
    # One kind of arrays for the compiler, also where they are parts of wider ones.
    holder, gap = np.ascontiguousarray(holder), np.ascontiguousarray(gap)
    variances = np.ascontiguousarray(measured), gap, np.ascontiguousarray(bent)
    _errors(chances, rows, columns, holder, likely, *variances, CLASSES, ERF, ERF_SLOPE, found)
    return found


@njit(nogil=True, cache=True)
def _known(starts, off, weight, gap, noise, kept_starts, kept):  # type: ignore[no-untyped-def]
    """Take the points whose difference is known, in their order, and where those of each bin begin."""
    n = 0
    for cell in range(len(starts) - 1):
        kept_starts[cell] = n
        for p in range(starts[cell], starts[cell + 1]):
            if np.isfinite(off[p]):
                kept[0, n], kept[1, n], kept[2, n], kept[3, n] = off[p], weight[p], gap[p], noise[p]
                n += 1
    kept_starts[len(starts) - 1] = n


@njit(nogil=True, cache=True, error_model="numpy")
def _weigh(off, weight, gap, noise, classes, likely):  # type: ignore[no-untyped-def]
    """Set how likely each difference is for each class, as a part of the likeliest there can be."""
    square, even, rough = np.ones(_LOT), np.ones(_LOT), np.ones(_LOT)
    peak, least, values, narrow = np.ones(_LOT), np.ones(_LOT), np.ones(_LOT), np.ones(_LOT)
    roughest = classes[len(classes) - 1]
    for start in range(0, len(off), _LOT):
        n = min(len(off) - start, _LOT)
        for i in range(n):
            p = start + i
            square[i], rough[i] = off[p] * off[p], gap[p]
            even[i] = noise[p] * (1 + weight[p])
            # So that nothing vanishes.
            peak[i] = max(even[i], min(square[i], even[i] + roughest * rough[i]))
            least[i] = square[i] / peak[i]
        for k in range(len(classes)):
            rougher = classes[k]
            for i in range(n):
                narrow[i] = 1.0 / (even[i] + rougher * rough[i])
                values[i] = 0.5 * (least[i] - square[i] * narrow[i])
            take_exponentials(values)
            row = likely[k, start : start + n]
            for i in range(n):
                row[i] = np.sqrt(peak[i] * narrow[i]) * values[i]


@njit(nogil=True, cache=True, error_model="numpy")
def _shares(likely, room, n, chance, share, total, lanes):  # type: ignore[no-untyped-def]
    """Add up the parts of ``n`` differences that fall to each class, but for its own chance.

    ``likely`` is flat, ``room`` for each class, a multiple of eight.
    """
    for p in range(0, n, WIDTH):
        whole = times(load(likely, p), spread(chance[0]))
        for k in range(1, _CLASSES):
            whole = plus(whole, times(load(likely, k * room + p), spread(chance[k])))
        store(share, p, over(spread(1.0), whole))
    for p in range(n, WIDTH * ((n + WIDTH - 1) // WIDTH)):
        share[p] = 0.0
    for k in range(0, _CLASSES, 2):
        one = other = spread(0.0)
        for p in range(0, n, WIDTH):
            part = load(share, p)
            one = plus(one, times(load(likely, k * room + p), part))
            other = plus(other, times(load(likely, (k + 1) * room + p), part))
        store(lanes, 0, one)
        store(lanes, WIDTH, other)
        total[k] = total[k + 1] = 0.0
        for lane in range(WIDTH):
            total[k] += lanes[lane]
            total[k + 1] += lanes[WIDTH + lane]


@njit(nogil=True, cache=True, error_model="numpy")
def _follow(before, step, chance, second):  # type: ignore[no-untyped-def]
    """Set chances to where two turns lead, from ``before`` by ``step`` to ``chance`` and on to ``second``."""
    long = bent = 0.0
    for k in range(_CLASSES):
        turn = second[k] - chance[k] - step[k]
        long += step[k] * step[k]
        bent += turn * turn
    far = _FARTHEST
    if long < far * far * bent:
        far = max(math.sqrt(long / bent), 1.0)
    whole = 0.0
    for k in range(_CLASSES):
        turn = second[k] - chance[k] - step[k]
        chance[k] = max(before[k] + far * (2.0 * step[k] + far * turn), _LEAST_LEFT * second[k])
        whole += chance[k]
    for k in range(_CLASSES):
        chance[k] /= whole


@njit(nogil=True, cache=True)
def _windows(numbers, rows, columns, size, farthest, windows):  # type: ignore[no-untyped-def]
    """Set the first and the last row and column from which points count, the last not included."""
    last_row, last_column = numbers.shape[0] - 1, numbers.shape[1] - 1
    for i in range(len(rows)):
        for j in range(len(columns)):
            wide = -1
            n = 0
            r0 = r1 = c0 = c1 = 0
            while wide < farthest and n < _WIDE:
                wide += 1
                r0, r1 = max(rows[i] - wide, 0), min(rows[i] + size + wide, last_row)
                c0, c1 = max(columns[j] - wide, 0), min(columns[j] + size + wide, last_column)
                n = numbers[r1, c1] - numbers[r0, c1] - numbers[r1, c0] + numbers[r0, c0]
            windows[i, j, 0], windows[i, j, 1], windows[i, j, 2], windows[i, j, 3] = r0, r1, c0, c1


@njit(nogil=True, cache=True, error_model="numpy")
def _chances(  # type: ignore[no-untyped-def]
    starts, n_columns, off, weight, gap, noise, numbers, rows, columns, size, farthest, classes, start, found
):
    windows = np.empty((len(rows), len(columns), 4), np.int64)
    _windows(numbers, rows, columns, size, farthest, windows)
    begin = starts[windows[:, :, 0].min() * n_columns]
    end = starts[windows[:, :, 1].max() * n_columns]
    likely = np.empty((_CLASSES, end - begin))
    _weigh(off[begin:end], weight[begin:end], gap[begin:end], noise[begin:end], classes, likely)
    room = 1024
    near, share = np.empty(_CLASSES * room), np.empty(room)
    chance, total, lanes = np.empty(_CLASSES), np.empty(_CLASSES), np.empty(2 * WIDTH)
    before, step = np.empty(_CLASSES), np.empty(_CLASSES)
    for i in range(len(rows)):
        for j in range(len(columns)):
            r0, r1, c0, c1 = windows[i, j, 0], windows[i, j, 1], windows[i, j, 2], windows[i, j, 3]
            n = 0
            for r in range(r0, r1):
                n += starts[r * n_columns + c1] - starts[r * n_columns + c0]
            if n < _FEWEST:
                continue
            filled = WIDTH * ((n + WIDTH - 1) // WIDTH)
            if filled > room:
                room = 2 * filled
                near, share = np.empty(_CLASSES * room), np.empty(room)
            for k in range(_CLASSES):
                m = k * room
                for r in range(r0, r1):
                    for p in range(starts[r * n_columns + c0], starts[r * n_columns + c1]):
                        near[m] = likely[k, p - begin]
                        m += 1
                # What fills up the last lanes.
                for p in range(m, k * room + filled):
                    near[p] = 1.0
            chance[:] = start
            for turn in range(_TURNS):
                _shares(near, room, n, chance, share, total, lanes)
                for k in range(_CLASSES):
                    total[k] = (chance[k] * total[k] + _START_POINTS * start[k]) / (n + _START_POINTS)
                if turn % 2 > 0:
                    _follow(before, step, chance, total)
                    continue
                moved = 0.0
                for k in range(_CLASSES):
                    before[k], step[k] = chance[k], total[k] - chance[k]
                    moved = max(moved, abs(step[k]))
                    chance[k] = total[k]
                if moved < _SETTLED:
                    break
            found[i, j] = chance


@njit(nogil=True, cache=True, error_model="numpy")
def _distance(share, narrow, n, level, first, erf, slope):  # type: ignore[no-untyped-def]
    """Return within which distance a share of a mixture lies; Halley's method.

    ``narrow`` is what makes steps of the table of a distance; between these a cubic has the error function to
    1 part in 10^8. Its second derivative follows from the first. Where the share bends too much for a step of
    the third order, one of the second does: the share is concave in the distance, so tangents never lead
    beyond the solution.
    """
    at = first
    end = len(erf) - 1.5
    left = _STEPS
    while left > 0:  # with one way out: where there are two, who holds the arrays is counted at every call
        left -= 1
        within = rise = bend = 0.0
        for k in range(n):
            place = min(at * narrow[k], end)
            i = int(place)
            t = place - i
            of_first, of_last = slope[i], slope[i + 1]
            up = erf[i + 1] - erf[i]
            bow = of_first + of_last - 2.0 * up
            other = 3.0 * up - 2.0 * of_first - of_last
            within += share[k] * (erf[i] + t * (of_first + t * (other + t * bow)))
            part = share[k] * narrow[k] * (of_first + t * (2.0 * other + 3.0 * t * bow))
            rise += part
            bend += part * place * narrow[k]
        step = (level - within) / rise
        # The second derivative is -2 / steps^2 of that sum.
        bent = step * bend / (rise * ERF_STEPS * ERF_STEPS)
        if bent < _MOST_BENT:
            step /= 1.0 - bent
        at += step
        if abs(step) <= _CLOSE_ENOUGH * at:
            left = 0
    return at


@njit(nogil=True, cache=True, error_model="numpy")
def _errors(  # type: ignore[no-untyped-def]
    chances, rows, columns, holder, likely, measured, gap, bent, classes, erf, slope, found
):
    count = len(classes)
    chance, share, variance, narrow = np.empty(count), np.empty(count), np.empty(count), np.empty(count)
    for r in range(len(rows)):
        for c in range(len(columns)):
            beforehand = chances[rows[r], columns[c]]
            if np.isnan(beforehand[0]) or np.isnan(measured[r, c]):
                continue
            number = holder[r, c]
            whole = 0.0
            for k in range(count):
                chance[k] = beforehand[k] * likely[number, k] if number >= 0 else beforehand[k]
                whole += chance[k]
            n = 0
            kept = 0.0
            for k in range(count):
                if chance[k] >= _UNLIKELY * whole:
                    share[n] = chance[k]
                    variance[n] = measured[r, c] + bent[r, c] + classes[k] * gap[r, c]
                    kept += chance[k]
                    n += 1
            least = math.sqrt(variance[0])
            if variance[n - 1] <= _ALIKE * variance[0]:
                found[r, c] = _CALIBRATION * least
                continue
            for k in range(n):
                share[k] /= kept
                narrow[k] = ERF_STEPS / math.sqrt(2.0 * variance[k])
            far = _distance(share, narrow, n, _WITHIN, _LIMIT * least, erf, slope)
            found[r, c] = _CALIBRATION * far / _LIMIT

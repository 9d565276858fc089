"""What a report says of every cell of a site, gathered in one pass over its points in any order.

Everything is a count, an extreme, a sum of whole numbers or a set of bits, so neither the order of points nor
blocks show in the result. Per cell about 90 bytes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import njit, read_only

if TYPE_CHECKING:
    from numpy.typing import NDArray

HEIGHT_BINS = 240
LEVELS = 64
"""Levels of one metre whose being occupied a cell remembers; heights count round."""
NO_LINE = np.iinfo(np.int64).max
_STEPS = 1e4  # a millimetre's tenth: what places are rounded to before they are hashed
_GROUND, _LOW_NOISE, _HIGH_NOISE = 2, 7, 18


class Cells(NamedTuple):
    """Figures of cells; row 0 is the southernmost. Noise counts in ``noise`` only.

    Parameters
    ----------
    points, ground, noise : ndarray of int32, shape (rows, columns)
        Points that aren't noise, ground points among them, noise points.
    low, high : ndarray of float32, shape (rows, columns)
        Lowest and highest point, m; NaN without points.
    high_code : ndarray of uint8, shape (rows, columns)
        Class of the highest point (of equals, the largest code).
    ground_low, ground_high : ndarray of float32, shape (rows, columns)
        Lowest and highest ground point, m; NaN without ground.
    ground_sum : ndarray of int64, shape (rows, columns)
        Sum of heights of ground points over the zero of heights, whole tenths of a millimetre.
    levels : ndarray of uint64, shape (rows, columns)
        Which levels of one metre hold points, a bit each.
    sure_sum, sure_count : ndarray of int32, shape (rows, columns)
        Sum of ``ground_confidence`` of ground points that have one, per cent, and how many do.
    line : ndarray of int64, shape (rows, columns, 2)
        The two smallest numbers of flight lines with ground points there; ``NO_LINE`` where there are fewer.
    line_count : ndarray of int32, shape (rows, columns, 2)
        Their ground points.
    line_sum : ndarray of int64, shape (rows, columns, 2)
        Sums of their heights as in ``ground_sum``.
    """

    points: NDArray[np.int32]
    ground: NDArray[np.int32]
    noise: NDArray[np.int32]
    low: NDArray[np.float32]
    high: NDArray[np.float32]
    high_code: NDArray[np.uint8]
    ground_low: NDArray[np.float32]
    ground_high: NDArray[np.float32]
    ground_sum: NDArray[np.int64]
    levels: NDArray[np.uint64]
    sure_sum: NDArray[np.int32]
    sure_count: NDArray[np.int32]
    line: NDArray[np.int64]
    line_count: NDArray[np.int32]
    line_sum: NDArray[np.int64]


class Counts(NamedTuple):
    """Histograms of the site.

    Parameters
    ----------
    codes : ndarray of int64, shape (256,)
        Points of each class.
    heights : ndarray of int64, shape (3, HEIGHT_BINS)
        Ground, other points, noise, by height; what lies beyond the range counts at its ends.
    sure : ndarray of int64, shape (2, 101)
        By ``ground_confidence``: ground, other points.
    intensity : ndarray of int64, shape (65536,)
        Points that aren't noise.
    """

    codes: NDArray[np.int64]
    heights: NDArray[np.int64]
    sure: NDArray[np.int64]
    intensity: NDArray[np.int64]


def empty_cells(rows: int, columns: int) -> Cells:
    """Return figures of cells before any point came."""
    shape = rows, columns

    def nothing() -> NDArray[np.float32]:
        return np.full(shape, np.nan, np.float32)

    return Cells(
        np.zeros(shape, np.int32),
        np.zeros(shape, np.int32),
        np.zeros(shape, np.int32),
        nothing(),
        nothing(),
        np.zeros(shape, np.uint8),
        nothing(),
        nothing(),
        np.zeros(shape, np.int64),
        np.zeros(shape, np.uint64),
        np.zeros(shape, np.int32),
        np.zeros(shape, np.int32),
        np.full((*shape, 2), NO_LINE, np.int64),
        np.zeros((*shape, 2), np.int32),
        np.zeros((*shape, 2), np.int64),
    )


def empty_counts() -> Counts:
    """Return histograms before any point came."""
    return Counts(
        np.zeros(256, np.int64),
        np.zeros((3, HEIGHT_BINS), np.int64),
        np.zeros((2, 101), np.int64),
        np.zeros(65_536, np.int64),
    )


@njit(nogil=True, cache=True, error_model="numpy")
def _add_to_line(cells: Cells, r: int, c: int, line: np.int64, height: np.int64) -> None:
    """Add a ground point to its line's sums; lines after the two smallest of a cell are let go."""
    for k in range(2):
        if cells.line[r, c, k] == line:
            cells.line_count[r, c, k] += 1
            cells.line_sum[r, c, k] += height
            return
        if line < cells.line[r, c, k]:
            if k == 0:
                cells.line[r, c, 1] = cells.line[r, c, 0]
                cells.line_count[r, c, 1] = cells.line_count[r, c, 0]
                cells.line_sum[r, c, 1] = cells.line_sum[r, c, 0]
            cells.line[r, c, k] = line
            cells.line_count[r, c, k] = 1
            cells.line_sum[r, c, k] = height
            return


@njit(nogil=True, cache=True, error_model="numpy")
def _add_points(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    z: NDArray[np.float64],
    codes: NDArray[np.uint8],
    sure: NDArray[np.uint8],
    intensity: NDArray[np.uint16],
    line: NDArray[np.int64],
    place: tuple[float, float, float],
    zero: float,
    bin_height: float,
    cells: Cells,
    counts: Counts,
) -> None:
    rows, columns = cells.points.shape
    with_sure, with_intensity, with_line = len(sure) > 0, len(intensity) > 0, len(line) > 0
    left, bottom, cell = place
    for i in range(len(x)):
        code = codes[i]
        counts.codes[code] += 1
        noise = code in (_LOW_NOISE, _HIGH_NOISE)
        ground = code == _GROUND
        which = 2 if noise else (0 if ground else 1)
        at = int(min(max((z[i] - zero) / bin_height, 0.0), HEIGHT_BINS - 1.0))
        counts.heights[which, at] += 1
        if with_intensity and not noise:
            counts.intensity[intensity[i]] += 1
        if with_sure and sure[i] > 0 and not noise:
            counts.sure[which, min(sure[i], 100)] += 1
        across, up = np.floor((x[i] - left) / cell), np.floor((y[i] - bottom) / cell)
        if not (0 <= across < columns and 0 <= up < rows):
            continue
        r, c = int(up), int(across)
        if noise:
            cells.noise[r, c] += 1
            continue
        cells.points[r, c] += 1
        height = np.float32(z[i])
        if not cells.low[r, c] <= height:  # also where the cell is still empty: NaN compares false
            cells.low[r, c] = height
        if not cells.high[r, c] >= height:
            cells.high[r, c] = height
            cells.high_code[r, c] = code
        elif cells.high[r, c] == height and code > cells.high_code[r, c]:
            cells.high_code[r, c] = code
        level = int(np.floor(z[i])) % LEVELS
        cells.levels[r, c] |= np.uint64(1) << np.uint64(level)
        if not ground:
            continue
        cells.ground[r, c] += 1
        if not cells.ground_low[r, c] <= height:
            cells.ground_low[r, c] = height
        if not cells.ground_high[r, c] >= height:
            cells.ground_high[r, c] = height
        whole = np.int64(np.rint((z[i] - zero) * _STEPS))
        cells.ground_sum[r, c] += whole
        if with_sure and sure[i] > 0:
            cells.sure_sum[r, c] += sure[i]
            cells.sure_count[r, c] += 1
        if with_line:
            _add_to_line(cells, r, c, line[i], whole)


@njit(nogil=True, cache=True, error_model="numpy")
def _mixed(value: np.uint64) -> np.uint64:
    """Return a whole number with its bits well mixed (the finaliser of SplitMix64; Steele et al. 2014)."""
    value = (value ^ (value >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    value = (value ^ (value >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return value ^ (value >> np.uint64(31))


@njit(nogil=True, cache=True, error_model="numpy")
def _chosen(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    z: NDArray[np.float64],
    codes: NDArray[np.uint8],
    limits: NDArray[np.float64],
    hashes: NDArray[np.uint64],
    rows: NDArray[np.int64],
) -> int:
    taken = 0
    step = np.uint64(0x9E3779B97F4A7C15)
    for i in range(len(x)):
        mixed = _mixed(np.uint64(np.int64(np.rint(x[i] * _STEPS))) + step)
        mixed = _mixed((mixed ^ np.uint64(np.int64(np.rint(y[i] * _STEPS)))) + step)
        mixed = _mixed((mixed ^ np.uint64(np.int64(np.rint(z[i] * _STEPS)))) + step)
        # 53 bits, which a double holds exactly.
        if float(mixed >> np.uint64(11)) * 2.0**-53 < limits[codes[i]]:
            rows[taken] = i
            hashes[taken] = mixed
            taken += 1
    return taken


def add_points(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    z: NDArray[np.float64],
    codes: NDArray[np.uint8],
    cells: Cells,
    counts: Counts,
    *,
    place: tuple[float, float, float],
    heights: tuple[float, float],
    sure: NDArray[np.uint8] | None = None,
    intensity: NDArray[np.uint16] | None = None,
    line: NDArray[np.int64] | None = None,
) -> None:
    """Add points to the figures of their cells and of the site.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (n,)
        Places, m.
    codes : ndarray of uint8, shape (n,)
        Class codes.
    cells, counts : Cells, Counts
        What they are added to. Points outside all cells count in ``counts`` only.
    place : tuple of float
        Left and lower edge of the first cell, and the side of a cell, m.
    heights : tuple of float
        Range of the histogram of heights, m; the lower one is also the zero of sums.
    sure : ndarray of uint8, shape (n,), optional
        ``ground_confidence``; 0: nothing was said.
    intensity : ndarray of uint16, shape (n,), optional
        Intensities.
    line : ndarray of int64, shape (n,), optional
        Number of each point's flight line, below ``NO_LINE``.
    """
    low, high = heights
    _add_points(
        read_only(x),
        read_only(y),
        read_only(z),
        read_only(codes),
        read_only(np.empty(0, np.uint8) if sure is None else sure),
        read_only(np.empty(0, np.uint16) if intensity is None else intensity),
        read_only(np.empty(0, np.int64) if line is None else line),
        place,
        low,
        max(high - low, 1e-6) / HEIGHT_BINS,
        cells,
        counts,
    )


def chosen_points(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    z: NDArray[np.float64],
    codes: NDArray[np.uint8],
    shares: NDArray[np.float64],
) -> tuple[NDArray[np.int64], NDArray[np.uint64]]:
    """Choose points by a hash of where they lie, each class with its own share.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (n,)
        Places, m; rounded to a tenth of a millimetre first.
    codes : ndarray of uint8, shape (n,)
        Class codes.
    shares : ndarray of float64, shape (256,)
        Which share of each class to take, 0 to 1.

    Returns
    -------
    rows : ndarray of int64, shape (m,)
        Which points, ascending.
    hashes : ndarray of uint64, shape (m,)
        Their hashes: in the order of these, points are the same whatever order they came in.

    Examples
    --------
    >>> x = np.arange(10_000) * 0.37
    >>> rows, _ = chosen_points(x, x, x, np.full(10_000, 2, np.uint8), np.full(256, 0.1))
    >>> 900 < len(rows) < 1100
    True
    """
    hashes = np.empty(len(x), np.uint64)
    rows = np.empty(len(x), np.int64)
    taken = int(_chosen(x, y, z, codes, np.asarray(shares, np.float64), hashes, rows))
    return rows[:taken].copy(), hashes[:taken].copy()

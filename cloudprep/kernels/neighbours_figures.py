"""Figures of a whole cloud's distances that come out the same to the bit however the cloud is cut up.

Sums of floats depend on their order; sums of whole numbers don't. A float is a whole number of the smallest
float there is, so sums are kept as (large) whole numbers and rounded once, at the end.
"""

from __future__ import annotations

import math
from fractions import Fraction
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

# The smallest positive float is 2**-1074.
_UNIT = 1 << 1074
_EXPONENTS = 2047
_MANTISSA = 52
_LOW = 26
# A histogram bin holds values whose leading bits agree: bins are narrower than 2**-14 of their value.
_BIN_SHIFT = _MANTISSA - 14
# A wider range of bins is sorted instead of counted (2**14 bins hold a factor of 2).
_MOST_BINS = 1 << 21


class Sums(NamedTuple):
    """Number, sum and sum of squares of values, exact; the sums in units of the smallest float.

    The sums of a whole are the sums of its shares added up: ``a + b``.
    """

    size: int
    total: int
    squares: int

    def __add__(self, other: Sums) -> Sums:  # type: ignore[override]
        return Sums(self.size + other.size, self.total + other.total, self.squares + other.squares)


def exact_sums(values: Floats) -> Sums:
    """Return the exact sums of values.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
        Finite values >= 0 (squares below 1e-290 lose digits).

    Examples
    --------
    >>> import numpy as np
    >>> mean_and_deviation(exact_sums(np.array([1.0, 2.0, 3.0])))
    (2.0, 1.0)
    """
    squares = values * values
    return Sums(len(values), _exact_sum(values), _exact_sum(squares) + _exact_sum(_lost_in(values, squares)))


def exact_total(values: Floats) -> Sums:
    """Return number and exact sum of finite values; no squares, for a mean alone.

    Examples
    --------
    >>> import numpy as np
    >>> mean_of(exact_total(np.array([-1.0, 2.0])))
    0.5
    """
    return Sums(len(values), _exact_sum(values), 0)


def mean_of(sums: Sums) -> float:
    """Return the mean of at least one value, correctly rounded."""
    return float(Fraction(sums.total, sums.size * _UNIT))


def mean_and_deviation(sums: Sums) -> tuple[float, float]:
    """Return the mean and the sample standard deviation (divided by n - 1), correctly rounded.

    Parameters
    ----------
    sums : Sums
        Of at least one value; of a single one the deviation is 0.
    """
    mean = Fraction(sums.total, sums.size * _UNIT)
    if sums.size < 2:
        return float(mean), 0.0
    variance = (Fraction(sums.squares, _UNIT) - sums.size * mean * mean) / (sums.size - 1)
    return float(mean), math.sqrt(variance)


def _lost_in(values: Floats, squares: Floats) -> Floats:
    """Return what rounding took from each square, exactly.

    T. J. Dekker, "A floating-point technique for extending the available precision", Numerische Mathematik 18
    (1971).
    """
    scaled = values * 134217729.0
    high = scaled - (scaled - values)
    low = values - high
    return ((high * high - squares) + 2.0 * high * low) + low * low


def _exact_sum(values: Floats) -> int:
    """Return the sum of finite values in units of the smallest float."""
    low = np.zeros(_EXPONENTS, np.int64)
    high = np.zeros(_EXPONENTS, np.int64)
    _add_mantissas(np.ascontiguousarray(values).view(np.int64), low, high)
    used = np.flatnonzero((low != 0) | (high != 0))
    # Exponent 0 (subnormal) counts the same unit as exponent 1.
    return sum(((int(high[e]) << _LOW) + int(low[e])) << max(int(e) - 1, 0) for e in used)


@njit(nogil=True, cache=True)
def _add_mantissas(bits: Integers, low: Integers, high: Integers) -> None:
    """Add up mantissas by exponent, in two halves that can't overflow below 2**35 values."""
    for i in range(bits.shape[0]):
        exponent = (bits[i] >> _MANTISSA) & 0x7FF
        mantissa = bits[i] & ((1 << _MANTISSA) - 1)
        if exponent != 0:
            mantissa |= 1 << _MANTISSA
        if bits[i] >= 0:
            low[exponent] += mantissa & ((1 << _LOW) - 1)
            high[exponent] += mantissa >> _LOW
        else:
            low[exponent] -= mantissa & ((1 << _LOW) - 1)
            high[exponent] -= mantissa >> _LOW


class Histogram(NamedTuple):
    """How many values share their leading bits: bins in ascending order, and the count of each."""

    bins: Integers
    counts: Integers


def histogram_of(values: Floats) -> Histogram:
    """Return the histogram of values.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
        Finite values >= 0.
    """
    bits = np.ascontiguousarray(values).view(np.int64)
    lowest, highest = _range_above_zero(bits)
    if highest - lowest >= _MOST_BINS:
        bins, counts = np.unique(bits >> _BIN_SHIFT, return_counts=True)
        return Histogram(bins, counts.astype(np.int64))
    # The first count is that of the bin of 0, which lies far from all others.
    counts = np.zeros(highest - lowest + 2, np.int64)
    _count(bits, lowest, counts)
    used = np.flatnonzero(counts)
    return Histogram(np.where(used == 0, 0, used - 1 + lowest), counts[used])


@njit(nogil=True, cache=True)
def _range_above_zero(bits: Integers) -> tuple[int, int]:
    """Return the lowest and the highest bin of values above 0; nothing like a range without any."""
    lowest, highest = np.int64(1 << 62), np.int64(0)
    for i in range(bits.shape[0]):
        b = bits[i] >> _BIN_SHIFT
        lowest = min(lowest, b if b > 0 else lowest)
        highest = max(highest, b)
    return (int(lowest), int(highest)) if highest > 0 else (1, 0)


@njit(nogil=True, cache=True)
def _count(bits: Integers, lowest: int, counts: Integers) -> None:
    for i in range(bits.shape[0]):
        b = bits[i] >> _BIN_SHIFT
        counts[b - lowest + 1 if b > 0 else 0] += 1


def joined(parts: Iterable[Histogram]) -> Histogram:
    """Return the histogram of all values of several histograms."""
    shares = list(parts)
    bins, inverse = np.unique(np.concatenate([p.bins for p in shares]), return_inverse=True)
    counts = np.zeros(len(bins), np.int64)
    np.add.at(counts, inverse, np.concatenate([p.counts for p in shares]))
    return Histogram(bins, counts)


def median_and_spread(histogram: Histogram) -> tuple[float, float]:
    """Return the median and the median absolute deviation from it, to 1 part in 16,000 of the median's size.

    Parameters
    ----------
    histogram : Histogram
        Of at least one value.
    """
    values = _values_of(histogram)
    median = _weighted_median(values, histogram.counts)
    deviations = np.abs(values - median)
    order = np.argsort(deviations, kind="stable")
    return median, _weighted_median(deviations[order], histogram.counts[order])


def quantile_of(histogram: Histogram, share: float) -> float:
    """Return the value that a share of all values lies at or below, to 1 part in 16,000 of its size.

    Parameters
    ----------
    histogram : Histogram
        Of at least one value.
    share : float
        Above 0, at most 1.

    Examples
    --------
    >>> import numpy as np
    >>> round(quantile_of(histogram_of(np.array([1.0, 2.0, 3.0, 4.0])), 0.5), 3)
    2.0
    """
    up_to = np.cumsum(histogram.counts)
    at = int(np.searchsorted(up_to, share * up_to[-1]))
    return float(_values_of(histogram)[min(at, len(up_to) - 1)])


def _values_of(histogram: Histogram) -> Floats:
    """Return the middle of each bin."""
    middles = (histogram.bins << _BIN_SHIFT) + (1 << (_BIN_SHIFT - 1))
    values: Floats = np.where(histogram.bins == 0, 0.0, middles.view(np.float64))
    return values


def _weighted_median(values: Floats, counts: Integers) -> float:
    """Return the median of ascending values that occur so many times each."""
    up_to = np.cumsum(counts)
    total = int(up_to[-1])
    lower, upper = np.searchsorted(up_to, [(total - 1) // 2, total // 2], side="right")
    return float(0.5 * (values[lower] + values[upper]))

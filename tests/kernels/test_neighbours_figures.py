"""Figures of distances are exact until they are rounded once, however the cloud is cut.

Outside answers: Python's math.fsum (correctly rounded sums) and fractions, NumPy's std and median, scipy's
median_abs_deviation (their documentation).
"""

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy.stats import median_abs_deviation

from cloudprep.kernels.neighbours_figures import (
    exact_sums,
    exact_total,
    histogram_of,
    joined,
    mean_and_deviation,
    mean_of,
    median_and_spread,
)

distances = hnp.arrays(np.float64, st.integers(1, 60), elements=st.floats(0, 1e7, allow_subnormal=False))


@settings(max_examples=100, deadline=None)
@given(distances)
def test_figures_mean_and_deviation_are_correctly_rounded(values):
    mean, deviation = mean_and_deviation(exact_sums(values))
    exact = [Fraction(v) for v in values.tolist()]
    middle = sum(exact) / len(exact)
    assert mean == float(middle)
    if len(values) > 1:
        variance = sum((v - middle) ** 2 for v in exact) / (len(exact) - 1)
        # Squares below 1e-290 may lose digits.
        assert deviation == pytest.approx(math.sqrt(variance), rel=1e-15, abs=1e-140)
    else:
        assert deviation == 0.0


def test_figures_equal_fsum_and_numpy_on_many_values():
    values = np.random.default_rng(1).lognormal(0, 2, 200_000)
    mean, deviation = mean_and_deviation(exact_sums(values))
    assert mean == math.fsum(values) / len(values)
    assert deviation == pytest.approx(values.std(ddof=1), rel=1e-12)


def test_figures_survive_cancellation():
    values = 1e6 + np.array([0.0, 1e-9, 2e-9, 3e-9])
    steps = (values - 1e6).std(ddof=1)  # the differences are exact
    assert mean_and_deviation(exact_sums(values))[1] == pytest.approx(steps, rel=1e-12)


@settings(max_examples=50, deadline=None)
@given(distances, st.randoms(use_true_random=False))
def test_figures_do_not_depend_on_cuts_or_order(values, random):
    order = list(range(len(values)))
    random.shuffle(order)
    cut = random.randint(0, len(values))
    parts = values[order[:cut]], values[order[cut:]]
    assert exact_sums(parts[0]) + exact_sums(parts[1]) == exact_sums(values)
    whole = histogram_of(values)
    shares = joined([histogram_of(parts[1]), histogram_of(parts[0])])
    assert np.array_equal(shares.bins, whole.bins)
    assert np.array_equal(shares.counts, whole.counts)


def test_figures_sum_heights_below_zero():
    heights = np.array([-3.5, 2.25, -0.125])
    assert mean_and_deviation(exact_sums(heights)) == pytest.approx((heights.mean(), heights.std(ddof=1)))


@pytest.mark.parametrize("count", [1, 2, 3, 1000, 1001])
def test_figures_median_and_spread_equal_scipy(count):
    values = np.random.default_rng(count).gamma(4, 0.2, count)
    median, spread = median_and_spread(histogram_of(values))
    step = median * 2.0**-14
    assert median == pytest.approx(np.median(values), abs=step)
    assert spread == pytest.approx(median_abs_deviation(values), abs=2 * step)


def test_figures_median_of_zeros_is_zero():
    assert median_and_spread(histogram_of(np.zeros(5))) == (0.0, 0.0)


@pytest.mark.parametrize(
    "values",
    [[], [0.0, 0.0], [5e-324, 1e-310, 0.0], [0.0, 1e-300, 7.0, 7.0], np.random.default_rng(0).random(500)],
)
def test_figures_histogram_equals_sorted_bins(values):
    values = np.asarray(values, np.float64)
    # numpy.unique is the check: a bin is what the leading 14 bits of the mantissa tell apart.
    bins, counts = np.unique(values.view(np.int64) >> 38, return_counts=True)
    histogram = histogram_of(values)
    assert histogram.bins.tolist() == bins.tolist()
    assert histogram.counts.tolist() == counts.tolist()


def test_figures_mean_alone_is_that_with_squares():
    values = np.random.default_rng(2).normal(0, 1e3, 400)
    assert (
        mean_of(exact_total(values)) == mean_and_deviation(exact_sums(values))[0] == math.fsum(values) / 400
    )

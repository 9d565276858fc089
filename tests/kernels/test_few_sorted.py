"""Sorting and medians of a few numbers: against NumPy's, to the bit."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cloudprep.kernels.few_sorted import median_of, sort_few

NUMBERS = st.lists(st.one_of(st.integers(-3, 3), st.floats(-1e9, 1e9)), min_size=1, max_size=70)


@given(NUMBERS, st.integers(0, 4))
def test_medians_are_those_of_numpy(numbers, beyond):
    values = np.array([*numbers, *[1e12] * beyond], np.float64)
    expected = np.median(values[: len(numbers)])
    assert median_of(values, len(numbers)) == expected
    assert sorted(values[: len(numbers)]) == sorted(numbers)
    assert (values[len(numbers) :] == 1e12).all()


@given(NUMBERS, st.integers(0, 4))
def test_the_first_are_sorted_and_the_others_left(numbers, beyond):
    values = np.array([*numbers, *[-1e12] * beyond], np.float64)
    sort_few(values, len(numbers))
    np.testing.assert_array_equal(values[: len(numbers)], np.sort(np.array(numbers, np.float64)))
    assert (values[len(numbers) :] == -1e12).all()


@pytest.mark.parametrize("count", [0, 1, 2, 3, 1000])
def test_keys_are_sorted_the_same(count):
    keys = np.random.default_rng(count).integers(0, 1 << 60, count)
    expected = np.sort(keys)
    sort_few(keys, count)
    np.testing.assert_array_equal(keys, expected)

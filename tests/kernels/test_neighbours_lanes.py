"""The compiled eight-lane functions do what their NumPy versions say."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numba import njit

from cloudprep.kernels import simd

lanes = hnp.arrays(np.float64, 8, elements=st.floats(-1e6, 1e6, allow_subnormal=False).map(lambda v: v + 0.0))


@njit
def compiled(a, b, masks):
    u, v = simd.load(a, 0), simd.load(b, 0)
    out = np.empty((9, 8))
    simd.store(out, 0, simd.minus(u, v))
    simd.store(out, 8, simd.plus(u, v))
    simd.store(out, 16, simd.squared(u))
    simd.store(out, 24, simd.root(simd.squared(v)))
    simd.store(out, 32, simd.smaller(u, v))
    simd.store(out, 40, simd.larger(u, v))
    simd.store(out, 48, simd.spread(simd.largest(u)))
    simd.store(out, 56, simd.over(u, simd.plus(simd.squared(v), simd.spread(1.0))))
    simd.store(out, 64, simd.pick_below(u, v, u, simd.squared(v)))
    masks[0] = simd.below(u, v)
    masks[1] = simd.lowest_bit(masks[0] | 128)
    return out


@settings(max_examples=60, deadline=None)
@given(lanes, lanes)
def test_lanes_equal_numpy_to_the_bit(a, b):
    masks = np.zeros(2, np.int64)
    got = compiled(a, b, masks)
    meant = [
        simd.minus(a, b),
        simd.plus(a, b),
        simd.squared(a),
        simd.root(simd.squared(b)),
        simd.smaller(a, b),
        simd.larger(a, b),
        simd.spread(simd.largest(a)),
        simd.over(a, simd.plus(simd.squared(b), simd.spread(1.0))),
        simd.pick_below(a, b, a, simd.squared(b)),
    ]
    assert np.array_equal(got, np.array(meant))
    assert masks[0] == simd.below(a, b) == sum(1 << i for i in range(8) if a[i] < b[i])
    assert masks[1] == simd.lowest_bit(int(masks[0]) | 128)


@pytest.mark.parametrize(("mask", "bit"), [(1, 0), (8, 3), (0b1010_0000, 5)])
def test_lanes_lowest_bit(mask, bit):
    assert simd.lowest_bit(mask) == bit


def test_lanes_load_and_store_anywhere_in_an_array():
    values = np.arange(24.0).reshape(3, 8)
    simd.store(values, 5, simd.load(values, 16))
    assert values.ravel()[5:13].tolist() == list(range(16, 24))


def test_four_values_are_exchanged_with_four_others_or_with_themselves():
    @njit
    def exchanged(values, a, b):
        simd.exchange_four(values, a, b)

    for a, b in ((0, 8), (4, 4), (8, 4)):
        got, meant = np.arange(12.0).reshape(3, 4), np.arange(12.0).reshape(3, 4)
        exchanged(got, a, b)
        simd.exchange_four(meant, a, b)
        order = np.arange(12)
        order[a : a + 4], order[b : b + 4] = np.arange(b, b + 4), np.arange(a, a + 4)
        assert got.ravel().tolist() == meant.ravel().tolist() == order.tolist()

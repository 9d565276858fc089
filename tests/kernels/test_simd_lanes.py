"""Lanes mean the same in compiled code and in plain NumPy."""

from __future__ import annotations

import numpy as np
import pytest

from cloudprep.kernels.compiling import COMPILED, njit
from cloudprep.kernels.simd import bits_set, load, load_single, pick_set, store

pytestmark = pytest.mark.skipif(not COMPILED, reason="there is plain code only")


@njit()
def _picked(mask, value, other, at, out):
    store(out, 0, pick_set(mask, load_single(value, at), load(other, at)))
    return bits_set(mask)


@pytest.mark.parametrize("mask", [0, 1, 0b10110010, 255])
def test_picking_by_bits_and_counting_them(mask):
    rng = np.random.default_rng(3)
    value, other = rng.normal(size=20).astype(np.float32), rng.normal(size=20)
    compiled, plain = np.empty(8), np.empty(8)
    assert _picked(mask, value, other, 7, compiled) == _picked.py_func(mask, value, other, 7, plain)
    assert np.array_equal(compiled, plain)
    bits = np.array([mask >> lane & 1 for lane in range(8)], np.bool_)
    assert np.array_equal(compiled, np.where(bits, value[7:15].astype(np.float64), other[7:15]))
    assert bits_set(mask) == bits.sum()

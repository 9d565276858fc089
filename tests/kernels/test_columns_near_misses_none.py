"""The cheap test for what lies near a few places misses none, and spares most of the others."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from cloudprep.kernels.columns_near import near_and_no_lower, near_any


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0.01, 50), st.floats(1, 1e5))
def test_near_any_misses_none(seed, distance, extent):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(-extent, extent, (2, 300))
    few = rng.uniform(-extent, extent, (2, 5))
    # scipy's tree says which are really near.
    away, _ = cKDTree(few.T).query(np.stack([x, y], axis=1))
    assert not (~near_any(x, y, *few, distance) & (away <= distance)).any()


def test_near_any_spares_most():
    rng = np.random.default_rng(0)
    x, y = rng.uniform(0, 1000, (2, 20_000))
    few = rng.uniform(0, 1000, (2, 10))
    found = near_any(x, y, *few, 5.0)
    assert 0 < found.sum() <= 20_000 * 10 * 15**2 / 1000**2 * 1.5


def test_near_any_of_none_is_none():
    assert not near_any(np.zeros(4), np.zeros(4), np.empty(0), np.empty(0), 1.0).any()


@pytest.mark.parametrize("seed", range(4))
def test_near_and_no_lower_misses_none_and_spares_what_is_deep(seed):
    rng = np.random.default_rng(seed)
    x, y, z = rng.uniform(-40, 40, (3, 4000))
    few = rng.uniform(-40, 40, (3, 12))
    found = near_and_no_lower(x, y, z, *few, 5.0, 2.0)
    away = np.hypot(x[:, None] - few[0], y[:, None] - few[1])
    wanted = (away <= 5.0) & (z[:, None] - few[2] >= -2.0)
    assert not (wanted.any(axis=1) & ~found).any()
    assert not found[z < few[2].min() - 2.0].any()
    assert not near_and_no_lower(x, y, z, *np.empty((3, 0)), 5.0, 2.0).any()

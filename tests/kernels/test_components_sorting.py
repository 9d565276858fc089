"""The digit sort equals NumPy's stable sort."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from cloudprep.kernels.sorting import sorted_order


@settings(max_examples=80, deadline=None)
@given(
    st.sampled_from([0, 5, 2047, 2048, 2**33, 2**62]).flatmap(
        lambda top: hnp.arrays(np.int64, st.integers(0, 300), elements=st.integers(0, top))
    )
)
def test_sorting_equals_numpy_stable_order(keys):
    assert np.array_equal(sorted_order(keys), np.argsort(keys, kind="stable"))


def test_sorting_leaves_the_keys_alone():
    keys = np.random.default_rng(0).integers(0, 2**40, 1000)
    before = keys.copy()
    keys.flags.writeable = False
    sorted_order(keys)
    assert np.array_equal(keys, before)


def test_sorting_refuses_negative_keys():
    with pytest.raises(ValueError, match="must not be negative, got -3"):
        sorted_order(np.array([1, -3]))

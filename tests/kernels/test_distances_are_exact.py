"""Distances to the nearest marked cell: those of an independent library, to the bit."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from cloudprep.kernels.distances import distance_to


@settings(max_examples=150, deadline=None)
@given(
    seed=st.integers(0, 100_000),
    rows=st.integers(1, 40),
    columns=st.integers(1, 40),
    share=st.sampled_from([0.002, 0.02, 0.3, 0.9]),
    threads=st.integers(1, 4),
)
def test_distances_are_those_of_scipy_for_any_threads(seed, rows, columns, share, threads):
    those = np.random.default_rng(seed).random((rows, columns)) < share
    if not those.any():
        those[0, columns // 2] = True
    # Source: scipy.ndimage.distance_transform_edt, an exact transform of its own.
    np.testing.assert_array_equal(distance_to(those, threads=threads), ndimage.distance_transform_edt(~those))


@pytest.mark.parametrize("shape", [(1, 700), (700, 1), (300, 500)])
def test_one_cell_far_away_is_as_far_as_pythagoras_says(shape):
    those = np.zeros(shape, bool)
    those[-1, 0] = True
    row, column = np.indices(shape)
    np.testing.assert_array_equal(distance_to(those), np.sqrt((shape[0] - 1 - row) ** 2 + column**2))


def test_without_any_marked_cell_all_are_infinitely_far():
    assert np.isinf(distance_to(np.zeros((3, 4), bool))).all()

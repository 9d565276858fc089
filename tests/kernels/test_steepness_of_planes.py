"""Slopes by hand, and against numpy's own differences (numpy.gradient)."""

import numpy as np
import pytest

from cloudprep.kernels.steepness import steepness


@pytest.mark.parametrize("shape", [(2, 2), (7, 5), (1, 6), (6, 1), (1, 1)])
def test_slopes_are_those_of_numpys_differences(shape):
    surface = np.random.default_rng(3).normal(0, 2, shape)
    squares = np.zeros(shape)
    for axis in (0, 1):
        if shape[axis] > 1:
            squares += np.gradient(surface, 0.5, axis=axis) ** 2
    np.testing.assert_allclose(steepness(surface, 0.5), np.sqrt(squares), rtol=1e-12)


def test_a_plane_is_as_steep_everywhere_and_no_steeper_than_asked():
    y, x = np.mgrid[:6, :9]
    plane = 3.0 * x + 4.0 * y
    np.testing.assert_allclose(steepness(plane, 2.0), 2.5)
    np.testing.assert_array_equal(steepness(plane, 2.0, steepest=1.5), 1.5)

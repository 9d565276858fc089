"""Which points belong to a surface and how they draw it: by hand on a tilted plane."""

import numpy as np
import pytest

from cloudprep.kernels.ground_pull import Nearness, accept, pull

NEAR = Nearness(height=0.3, slope_share=1.0, plant_height=0.2, plant_slope=0.2)
ROWS, COLUMNS = 4, 5
SURFACE = 0.1 * (np.arange(COLUMNS) + 0.5) + np.zeros((ROWS, 1))
SLOPE = np.full((ROWS, COLUMNS), 0.1)


def test_points_within_height_and_slope_belong_to_it():
    """At 2.0 cells the plane is 0.2 m high; 0.3 + 0.1 m to either side of that still belong."""
    z = 0.2 + np.array([0.0, 0.39, 0.41, -0.39, -0.41, np.nan])
    above, accepted = accept(SURFACE, SLOPE, np.full(6, 2.0), np.full(6, 1.7), z, NEAR)
    np.testing.assert_allclose(above, [0.0, 0.39, 0.41, -0.39, -0.41, np.nan], atol=1e-12)
    assert accepted.tolist() == [True, True, False, True, False, False]


@pytest.mark.parametrize(("crest", "weight"), [(True, 1.0), (False, 1 / (1 + (0.3 / 0.22) ** 2))])
def test_what_may_be_a_plant_weighs_less(crest, weight):
    """0.3 m above, where 0.2 m and 0.2 of a slope of 0.1 weigh half; what lies below weighs all."""
    z = np.array([0.2 + 0.3, 0.3 - 0.2, 9.0])
    cells = np.array([1, 1, 2]), np.array([1, 2, 3])
    across, up = np.array([2.0, 3.0, 3.5]), np.array([1.7, 1.2, 2.5])
    values, weights = pull(SURFACE, SLOPE, across, up, z, cells, np.full(SURFACE.shape, crest), NEAR)
    expected = np.zeros(SURFACE.shape)
    expected[1, 1], expected[1, 2] = weight, 1.0
    np.testing.assert_allclose(weights, expected)
    # The heights over the surface, at the cells' centres.
    np.testing.assert_allclose(values[1, 1:3], SURFACE[1, 1:3] + [0.3, -0.2])


def test_without_any_point_near_there_is_nothing_to_fit():
    z, at = np.array([50.0]), (np.array([0]), np.array([0]))
    one = np.array([0.5])
    assert pull(SURFACE, SLOPE, one, one, z, at, np.ones(SURFACE.shape, bool), NEAR) is None

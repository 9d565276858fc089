"""Distance and angles of the TIN densification, against numbers worked out by hand and scipy.

Source: P. Axelsson, "DEM generation from laser scanner data using adaptive TIN models", IAPRS 33(B4), 2000;
the rule is from memory and as quoted in later works.
"""

import math

import numpy as np
import pytest
from scipy.interpolate import LinearNDInterpolator

from cloudprep.kernels.ground_cells import LowestPoints
from cloudprep.kernels.tin_densification import Limits, densified
from cloudprep.kernels.tin_facets import fits_facet, height_above

# A facet in a plane that rises by 3 in 4 to the east.
PLANE = ((0.0, 0.0, 0.0), (8.0, 0.0, 6.0), (0.0, 10.0, 0.0))


@pytest.mark.parametrize("above", [0.5, -0.5])
def test_tin_densification_distance_is_square_to_the_facet(above):
    # (2, 3) lies 1.5 m up on the plane; 0.5 m above it are 0.5 * 4/5 = 0.4 m square to it.
    point = (2.0, 3.0, 1.5 + above)
    corners = [v for corner in PLANE for v in corner]
    assert fits_facet(*point, *corners, 0.401, 1.0)
    assert not fits_facet(*point, *corners, 0.399, 1.0)


def test_tin_densification_angle_is_the_largest_of_the_three_corners():
    # Over a level facet, 0.3 m above and 3, 4 and 5 m from its corners in plan: atan(0.3 / 3) = 5.71 degrees.
    corners = (-3.0, 0.0, 0.0, 0.0, -4.0, 0.0, 3.0, 4.0, 0.0)
    largest = math.degrees(math.atan(0.3 / 3))
    assert fits_facet(0.0, 0.0, 0.3, *corners, 1.0, math.sin(math.radians(largest + 0.01)))
    assert not fits_facet(0.0, 0.0, 0.3, *corners, 1.0, math.sin(math.radians(largest - 0.01)))


def test_tin_densification_height_above_a_facet_is_over_scipys_linear_interpolation():
    rng = np.random.default_rng(3)
    for _ in range(20):
        x, y, z = rng.uniform(0, 100, (3, 4))
        x[3], y[3] = x[:3].mean(), y[:3].mean()
        expected = z[3] - float(LinearNDInterpolator(np.c_[x[:3], y[:3]], z[:3])(x[3], y[3]))
        assert height_above(x, y, z, 0, 1, 2, 3) == pytest.approx(expected, abs=1e-9)


def test_tin_densification_network_holds_an_inclined_plane_and_no_block_on_it():
    row, column = np.mgrid[0:40, 0:50].astype(float)
    plane = 0.2 * (column + 0.5) + 0.1 * (row + 0.5)
    z = plane.copy()
    z[10:18, 20:30] += 4.0
    cells = LowestPoints(0, 0, column + 0.5, row + 0.5, z)
    found = densified(cells, cell=1.0, seed_cells=20, limits=Limits(1.0, 15.0), resolution=0.01)
    np.testing.assert_allclose(found, plane, atol=0.02)

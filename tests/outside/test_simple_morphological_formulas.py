"""The steps of the simple morphological filter, against scipy and against numbers worked out by hand.

Source: T. J. Pingel, K. C. Clarke, W. A. McBride, "An improved simple morphological filter for the terrain
classification of airborne LIDAR data", ISPRS Journal 77, 21-30, 2013: steps from memory and as quoted in
later works.
"""

import numpy as np
import pytest
from scipy import ndimage

from cloudprep.kernels.simple_morphological import cut_by_disks, low_cells, terrain_surface
from cloudprep.kernels.steepness import steepness


def disk(radius):
    across, up = np.mgrid[-radius : radius + 1, -radius : radius + 1]
    return across**2 + up**2 <= radius**2


def scipys_objects(surface, cell, slope, radii):
    """Open with scipy's grey morphology; its rim is kept out of play by infinities."""
    objects = np.zeros(surface.shape, bool)
    for r in radii:
        lowered = ndimage.grey_erosion(surface, footprint=disk(r), mode="constant", cval=np.inf)
        opened = ndimage.grey_dilation(lowered, footprint=disk(r), mode="constant", cval=-np.inf)
        objects |= surface - opened > slope * r * cell
        surface = opened
    return objects


@pytest.mark.parametrize(("cell", "radius", "last"), [(1.0, 6.0, 6), (2.0, 5.0, 3), (0.5, 0.2, 1)])
def test_simple_morphological_objects_equal_scipys(cell, radius, last):
    surface = np.random.default_rng(last).normal(0, 1.5, (41, 37)).astype(np.float32)
    found = cut_by_disks(surface, cell=cell, slope=0.4, radius=radius)
    assert 0.01 < found.mean() < 0.99
    np.testing.assert_array_equal(found, scipys_objects(surface, cell, np.float32(0.4), range(1, last + 1)))


def test_simple_morphological_threshold_is_slope_times_radius():
    # A block of 5 x 5 cells holds a disk of radius 2 and none of radius 3: it falls at 3, where an object
    # must be higher than 0.15 * 3 = 0.45 m. Its corners fall at radius 1 and 2, where 0.15 and 0.3 m do.
    surface = np.zeros((21, 21), np.float32)
    surface[8:13, 8:13] = 0.44
    middle = cut_by_disks(surface, cell=1.0, slope=0.15, radius=8.0)
    assert not middle[9:12, 9:12].any()
    assert middle[8, 8]
    surface[8:13, 8:13] = 0.46
    assert cut_by_disks(surface, cell=1.0, slope=0.15, radius=8.0)[8:13, 8:13].all()
    assert not cut_by_disks(surface, cell=1.0, slope=0.15, radius=2.0)[9:12, 9:12].any()


def test_simple_morphological_keeps_an_evenly_inclined_plane_below_the_slope():
    # An opening by a disk of radius r lowers a plane only at its upper rim, by its slope times r at most.
    rows, columns = np.mgrid[0:40, 0:50]
    plane = (0.1 * columns + 0.05 * rows).astype(np.float32)
    assert not cut_by_disks(plane, cell=1.0, slope=0.15, radius=18.0).any()


def test_simple_morphological_low_cells_are_objects_of_the_inverted_surface():
    surface = np.random.default_rng(4).normal(0, 4, (30, 33)).astype(np.float32)
    found = low_cells(surface, cell=1.0, slope=5.0)
    assert 0.01 < found.mean() < 0.9
    np.testing.assert_array_equal(found, scipys_objects(-surface, 1.0, 5.0, [1]))


def test_simple_morphological_terrain_is_harmonic_below_an_object():
    # A membrane across a hole in an inclined plane is that plane.
    rows, columns = np.mgrid[0:30, 0:30]
    plane = (0.1 * columns - 0.05 * rows).astype(np.float32)
    lowest = plane.copy()
    lowest[10:18, 11:17] += 5
    lowest[3, 4] -= 9
    terrain = terrain_surface(lowest, cell=1.0, gap=2, slope=0.15, radius=9.0, low_slope=5.0)
    np.testing.assert_allclose(terrain.height, plane, atol=0.005)
    np.testing.assert_allclose(terrain.slope, np.hypot(0.1, 0.05), atol=0.005)


def test_simple_morphological_slope_is_the_length_of_the_gradient():
    rows, columns = np.mgrid[0:5, 0:7].astype(float)
    np.testing.assert_allclose(steepness(3 * columns * 2 - 4 * rows * 2, 2.0), 5.0)
    assert steepness(np.array([[3.0]]), 1.0).tolist() == [[0.0]]

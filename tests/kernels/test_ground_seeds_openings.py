"""The first ground surface: footprints against scipy, slopes of planes, objects and low points by hand.

Sources: scipy.ndimage.binary_closing and binary_fill_holes (scipy's documentation); plane geometry.
"""

import numpy as np
import pytest
from scipy import ndimage

from cloudprep.kernels.ground_cells import LowestPoints
from cloudprep.kernels.ground_seeds import _bare, footprint, seeds, steepness


def cells_of(z):
    row, column = np.mgrid[0 : z.shape[0], 0 : z.shape[1]]
    empty = np.isnan(z)
    x, y = (np.where(empty, np.nan, a + 0.5) for a in (column, row))
    return LowestPoints(0, 0, x, y, z)


def found(z, spacing=1.0, window=8.0):
    return seeds(cells_of(z), cell=1.0, spacing=spacing, window=window)


@pytest.mark.parametrize("gap", [1.0, 2.0, 3.5])
@pytest.mark.parametrize("share", [0.02, 0.1, 0.4])
def test_footprints_are_closings_by_a_disk_without_holes(gap, share):
    have = np.random.default_rng([int(2 * gap), int(100 * share)]).random((40, 50)) < share
    have[20, 20] = True
    reach = np.arange(-4, 5)
    disk = np.add.outer(reach**2, reach**2) <= gap**2
    closed = ndimage.binary_closing(np.pad(have, 20), disk)
    expected = ndimage.binary_fill_holes(closed)[20:-20, 20:-20]
    np.testing.assert_array_equal(footprint(have, gap), expected)
    assert (expected >= have).all()


def test_footprints_of_rings_are_whole_and_bays_stay_open():
    """By hand: a ring of any width is filled; a bay wider than the disk isn't covered."""
    have = np.zeros((40, 40), bool)
    have[5:35, 5:35] = True
    have[10:30, 10:30] = False
    assert footprint(have, 2.0)[5:35, 5:35].all()
    assert np.count_nonzero(footprint(have, 2.0)) == 900
    have[10:30, 30:35] = False  # now it is a bay
    assert not footprint(have, 2.0)[20, 20]


@pytest.mark.parametrize("cell", [0.5, 2.0])
@pytest.mark.parametrize("gradient", [(0.0, 0.0), (0.3, -0.4), (-2.0, 1.5)])
def test_steepness_of_a_plane_is_its_gradient_everywhere(gradient, cell):
    row, column = np.mgrid[0:7, 0:9] * cell
    z = 5 + gradient[0] * column + gradient[1] * row
    np.testing.assert_allclose(steepness(z, cell), np.hypot(*gradient), atol=1e-12)


def test_steepness_by_hand():
    """By hand: central differences of 0, 0, 3 are 0, 1.5 and (odd reflection) 3 a cell of 1 m."""
    z = np.tile([0.0, 0.0, 3.0], (3, 1))
    np.testing.assert_allclose(steepness(z, 1.0), np.tile([0.0, 1.5, 3.0], (3, 1)))
    np.testing.assert_allclose(steepness(np.array([[1.0, 9.0]]), 1.0), 8.0)


@pytest.mark.parametrize("tilt", [(0.0, 0.0), (0.1, 0.05), (0.5, -0.3)])
def test_planes_are_their_own_first_surface(tilt):
    row, column = np.mgrid[0:30, 0:34]
    plane = 12 + tilt[0] * column + tilt[1] * row
    gaps = np.random.default_rng(2).random(plane.shape) < 0.3
    first = found(np.where(gaps, np.nan, plane))
    # A plane bends nowhere, so a thin plate through any of its points is the plane.
    np.testing.assert_allclose(first.surface, plane, atol=2e-3)
    assert not first.low.any()
    # Gaps filled from beside are stairs on a slope, but none sticks out in half of the directions.
    assert first.plants.max() < 4
    assert first.objects.max() < 4


def test_a_house_is_no_ground_and_sticks_out_in_all_directions():
    z = np.zeros((40, 40))
    z[15:25, 14:26] = 6.0
    first = found(z)
    # 10 x 12 cells vanish in a disk of 8 cells' radius; the surface goes on below them.
    np.testing.assert_allclose(first.surface, 0.0, atol=1e-3)
    assert (first.objects[15:25, 14:26] == 8).all()
    assert not first.objects[z == 0].any()
    # A disk of 3 m is too small for it: the house stays.
    assert found(z, window=3.0).surface[20, 20] == pytest.approx(6.0, abs=0.05)


def test_a_long_wall_sticks_out_in_all_directions_but_its_own():
    z = np.zeros((60, 130))
    z[30, :] = 2.0
    first = found(z)
    assert (first.objects[30, 10:-10] == 7).all()
    assert (first.plants[30, 10:-10] == 7).all()
    np.testing.assert_allclose(first.surface, 0.0, atol=1e-3)


def test_single_low_points_carry_no_surface():
    """By hand: a cell 6 m below its neighbours exceeds the five cell sides of 1 m, one 4 m below doesn't."""
    z = np.zeros((30, 30))
    z[10, 10], z[20, 20] = -6.0, -4.0
    first = found(z)
    assert np.argwhere(first.low).tolist() == [[10, 10]]
    assert first.surface[10, 10] == pytest.approx(0.0, abs=1e-2)
    assert first.surface[20, 20] < -3.5


def test_first_surfaces_rise_with_the_land():
    rng = np.random.default_rng(5)
    z = rng.normal(0, 0.1, (25, 28))
    z[8:14, 9:15] += 5.0
    here, higher = found(z), found(z + 64.0)
    np.testing.assert_allclose(higher.surface - 64.0, here.surface, atol=1e-3)
    np.testing.assert_array_equal(higher.objects, here.objects)
    over = found(z[:, ::-1].copy())
    np.testing.assert_allclose(over.surface[:, ::-1], here.surface, atol=1e-3)
    np.testing.assert_array_equal(over.plants[:, ::-1], here.plants)


# -- small clouds --------------------------------------------------------------------------------------------


def test_bare_cells_are_known_and_no_objects_or_the_lowest_ones():
    z = np.array([[1.0, 2.0, 0.0, 1.0]])
    known = np.array([[True, True, False, True]])
    some, every = np.array([[True, False, False, False]]), np.ones((1, 4), bool)
    assert _bare(z, known, some).tolist() == [[False, True, False, True]]
    assert _bare(z, known, every).tolist() == [[True, False, False, True]]


def lonely():
    """Give small clouds, by name: the gaps between their points may be all that the openings leave."""
    nan = np.nan
    yield "one", np.array([[3.0]])
    yield "two far apart", np.array([[0.0, nan, nan, nan, nan, 80.0]])
    yield "a row of steps", np.arange(9.0)[None] * 7
    spikes = np.full((9, 9), nan)
    spikes[::4, ::4] = [[50.0, 0.0, 60.0], [0.0, 70.0, 1.0], [40.0, 2.0, 55.0]]
    yield "spikes", spikes
    yield "all alike", np.full((3, 3), 2.5)


@pytest.mark.parametrize("name", ["one", "two far apart", "a row of steps", "spikes", "all alike"])
@pytest.mark.parametrize("spacing", [0.2, 1.0, 5.0])
def test_small_clouds_get_a_first_surface_too(name, spacing):
    z = dict(lonely())[name]
    first = found(z, spacing=spacing, window=18.0)
    assert np.isfinite(first.surface).all()
    lowest, highest = np.nanmin(z), np.nanmax(z)
    assert first.surface.min() >= lowest - 0.5 * (highest - lowest) - 1.0


def scattered(rng, least, most):
    """Return a raster of a random shape with one to five points on it."""
    z = np.full(rng.integers(least, most, 2, endpoint=True), np.nan)
    z.flat[rng.integers(0, z.size, rng.integers(1, 6))] = 1.0
    return z * rng.uniform(0, 100, z.shape)


def test_scattered_points_get_a_first_surface_too():
    rng = np.random.default_rng(1)
    for _ in range(200):
        assert np.isfinite(found(scattered(rng, 4, 9), spacing=rng.uniform(0.1, 5)).surface).all()


def test_scattered_points_on_narrow_rasters_get_a_first_surface_too():
    rng = np.random.default_rng(1)
    for _ in range(200):
        z = scattered(rng, 1, 3)
        surface = found(z, spacing=rng.uniform(0.1, 5)).surface
        # Three cells away from two heights that differ by 100 m a plane is off by 600 m at most.
        assert np.abs(surface).max() < 1000

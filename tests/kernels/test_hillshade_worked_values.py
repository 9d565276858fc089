"""Slopes and relief against worked numbers.

Three grids circulate in teaching material (inputs from memory; their answers reproduce from the formulas of
Horn 1981). The lecture grid is from course notes of Masaryk University, which print no answers; those beside
it were computed by separate plain code.
"""

import math

import numpy as np
import pytest

from cloudprep.kernels.hillshade import hillshade, horn_slopes


def north_up(text):
    """Read a grid written north to south."""
    return np.array([row.split() for row in text.split("/")], float)[::-1]


def slope_and_aspect(grid, cell):
    east, north = (values[1, 1] for values in horn_slopes(grid, cell))
    aspect = math.degrees(math.atan2(-east, -north)) % 360
    return math.degrees(math.atan(math.hypot(east, north))), aspect


STEEP = north_up("50 45 50 / 30 30 30 / 8 10 10")
EAST_FALL = north_up("101 92 85 / 101 92 85 / 101 91 84")
WEST_FALL = north_up("2450 2461 2483 / 2452 2461 2483 / 2447 2455 2477")
LECTURE = north_up("80 74 63 / 69 67 56 / 60 52 48")


@pytest.mark.parametrize(
    ("grid", "cell", "slope", "aspect"),
    [
        (STEEP, 5, 75.2577, 180.754),
        (WEST_FALL, 5, 72.4855, 260.463),
        (LECTURE, 30, 21.8549, 145.154),
        (LECTURE, 10, 50.2706, 145.154),
    ],
)
def test_hillshade_slope_and_aspect(grid, cell, slope, aspect):
    found = slope_and_aspect(grid, cell)
    assert found == (pytest.approx(slope, abs=5e-5), pytest.approx(aspect, abs=5e-4))


def test_hillshade_aspect_without_a_cell_size():
    assert slope_and_aspect(EAST_FALL, 1)[1] == pytest.approx(92.6425, abs=5e-5)


@pytest.mark.parametrize(("grid", "cell", "light"), [(WEST_FALL, 5, 154.03), (LECTURE, 30, 101.28)])
def test_hillshade_brightness(grid, cell, light):
    assert hillshade(grid, cell, azimuth=315, altitude=45)[1, 1] == pytest.approx(light, abs=0.005)


@pytest.mark.parametrize("azimuth", [0, 77, 315])
@pytest.mark.parametrize("altitude", [10, 45, 90])
def test_hillshade_equals_the_formula_with_angles(azimuth, altitude):
    rng = np.random.default_rng(0)
    heights = rng.normal(0, 3, (9, 8))
    east, north = horn_slopes(heights, 2.0)
    slope = np.arctan(np.hypot(east, north))
    aspect = np.arctan2(-east, -north)
    zenith = math.radians(90 - altitude)
    expected = 255 * (
        math.cos(zenith) * np.cos(slope)
        + math.sin(zenith) * np.sin(slope) * np.cos(math.radians(azimuth) - aspect)
    )
    found = hillshade(heights, 2.0, azimuth=azimuth, altitude=altitude)
    np.testing.assert_allclose(found, np.maximum(expected, 0), atol=1e-10)


def test_hillshade_of_a_plane_is_the_same_to_the_rim():
    row, column = np.mgrid[:6, :7].astype(float)
    light = hillshade(3 * column + 2 * row, 10.0)
    assert np.ptp(light[1:-1, 1:-1]) < 1e-10


def test_hillshade_of_flat_ground_is_the_light_s_height():
    assert hillshade(np.full((3, 3), 8.0), 1.0, altitude=30) == pytest.approx(255 * 0.5)


def test_hillshade_has_gaps_where_heights_have_and_none_beside_them():
    heights = np.add.outer(np.arange(5.0), np.arange(5.0))
    heights[2, 2] = np.nan
    assert np.array_equal(np.isnan(hillshade(heights, 1.0)), np.isnan(heights))


def test_hillshade_exaggeration_is_a_factor_on_heights():
    heights = np.random.default_rng(1).normal(0, 1, (5, 5))
    np.testing.assert_allclose(
        hillshade(heights, 1.0, exaggeration=3.0), hillshade(3 * heights, 1.0), rtol=1e-12
    )

"""Slopes and relief against worked numbers.

Three grids circulate in teaching material (inputs from memory; their answers reproduce from the formulas of
Horn 1981). The lecture grid is from course notes of Masaryk University, which print no answers; those beside
it were computed by separate plain code.
"""

import math

import numpy as np
import pytest

from cloudprep.kernels.plain import relief as plain
from cloudprep.kernels.relief import aspects, light_of, shades, slopes


def hillshade(heights, cell, azimuth=315.0, altitude=45.0, exaggeration=1.0):
    return shades(heights, cell, [light_of(azimuth, altitude)], exaggeration=exaggeration)


def north_up(text):
    """Read a grid written north to south."""
    return np.array([row.split() for row in text.split("/")], float)[::-1]


def slope_and_aspect(grid, cell):
    return slopes(grid, cell)[1, 1], aspects(grid, cell)[1, 1]


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
def test_relief_slope_and_aspect(grid, cell, slope, aspect):
    found = slope_and_aspect(grid, cell)
    assert found == (pytest.approx(slope, abs=5e-5), pytest.approx(aspect, abs=5e-4))


def test_relief_aspect_without_a_cell_size():
    assert slope_and_aspect(EAST_FALL, 1)[1] == pytest.approx(92.6425, abs=5e-5)


@pytest.mark.parametrize(("grid", "cell", "light"), [(WEST_FALL, 5, 154.03), (LECTURE, 30, 101.28)])
def test_relief_brightness(grid, cell, light):
    assert hillshade(grid, cell, azimuth=315, altitude=45)[1, 1] == pytest.approx(light, abs=0.005)


@pytest.mark.parametrize("azimuth", [0, 77, 315])
@pytest.mark.parametrize("altitude", [10, 45, 90])
def test_relief_equals_the_formula_with_angles(azimuth, altitude):
    rng = np.random.default_rng(0)
    heights = rng.normal(0, 3, (9, 8))
    slope, aspect = np.radians(slopes(heights, 2.0)), np.radians(aspects(heights, 2.0))
    zenith = math.radians(90 - altitude)
    expected = 255 * (
        math.cos(zenith) * np.cos(slope)
        + math.sin(zenith) * np.sin(slope) * np.cos(math.radians(azimuth) - aspect)
    )
    found = hillshade(heights, 2.0, azimuth=azimuth, altitude=altitude)
    np.testing.assert_allclose(found, np.maximum(expected, 0), atol=2e-4)


def test_relief_of_a_plane_is_the_same_to_the_rim():
    row, column = np.mgrid[:6, :7].astype(float)
    light = hillshade(3 * column + 2 * row, 10.0)
    assert np.ptp(light) < 1e-4


def test_relief_of_flat_ground_is_the_light_s_height():
    assert hillshade(np.full((3, 3), 8.0), 1.0, altitude=30) == pytest.approx(255 * 0.5)


def test_relief_has_gaps_where_heights_have_and_none_beside_them():
    heights = np.add.outer(np.arange(5.0), np.arange(5.0))
    heights[2, 2] = np.nan
    assert np.array_equal(np.isnan(hillshade(heights, 1.0)), np.isnan(heights))


def test_relief_exaggeration_is_a_factor_on_heights():
    heights = np.random.default_rng(1).normal(0, 1, (5, 5))
    np.testing.assert_allclose(
        hillshade(heights, 1.0, exaggeration=3.0), hillshade(3 * heights, 1.0), rtol=1e-6
    )


def test_relief_percent_is_rise_over_run():
    row, column = np.mgrid[:6, :7].astype(float)
    np.testing.assert_allclose(slopes(0.3 * column + 0.4 * row, 1.0, percent=True), 50.0, rtol=1e-6)


def test_relief_of_planes_is_exact_beside_holes_and_at_the_rim():
    row, column = np.mgrid[:9, :8].astype(float)
    plane = 0.3 * column - 0.4 * row
    plane[4, 4] = plane[0, 2] = plane[6, 6:] = np.nan
    there = ~np.isnan(plane)
    np.testing.assert_allclose(slopes(plane, 1.0)[there], np.degrees(np.arctan(0.5)), rtol=1e-6)
    # It rises to the east and falls to the north: downslope is west of north.
    expected = np.degrees(np.arctan2(-0.3, 0.4)) % 360
    np.testing.assert_allclose(aspects(plane, 1.0)[there], expected, rtol=1e-6)


def test_relief_flat_cells_have_no_aspect():
    assert np.isnan(aspects(np.full((4, 4), 7.0), 1.0)).all()


@pytest.mark.parametrize("aspect", range(0, 360, 45))
def test_relief_from_many_lights_shows_every_slope_from_the_side(aspect):
    """The weights of Mark 1992 (from memory): with four lights half a quadrant apart they add up to two."""
    row, column = np.mgrid[:5, :5].astype(float)
    turned = np.radians(aspect)
    plane = -0.5 * (np.sin(turned) * column + np.cos(turned) * row)
    azimuths = (225, 270, 315, 360)
    light = shades(plane, 1.0, [light_of(a, 30) for a in azimuths], oblique=True)[2, 2]
    weights = np.sin(np.radians(aspect - np.array(azimuths))) ** 2
    assert weights.sum() == pytest.approx(2.0)
    each = [hillshade(plane, 1.0, azimuth=a, altitude=30)[2, 2] for a in azimuths]
    assert light == pytest.approx(np.dot(weights, each) / 2, rel=1e-5)


def test_relief_compiled_and_plain_agree():
    heights = np.random.default_rng(3).normal(0, 2, (40, 31)).astype(np.float32)
    heights[np.random.default_rng(4).random(heights.shape) < 0.2] = np.nan
    lights = [light_of(a, 30) for a in (225, 270, 315, 360)]
    for ours, theirs in (
        (slopes(heights, 2.0), plain.slopes(heights, 2.0, percent=False)),
        (aspects(heights, 2.0), plain.aspects(heights, 2.0, flat=1e-6)),
        (
            shades(heights, 2.0, lights, oblique=True),
            plain.shades(heights, 2.0, lights, oblique=True, exaggeration=1.0),
        ),
    ):
        np.testing.assert_allclose(ours, theirs, rtol=1e-5, atol=1e-3)


def test_relief_threads_change_nothing():
    heights = np.random.default_rng(3).normal(0, 2, (700, 31))
    assert np.array_equal(slopes(heights, 2.0), slopes(heights, 2.0, threads=2))

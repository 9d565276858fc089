"""Volumes that others printed, through the whole path: raster, areas, base.

1. A printed table of cones at 37 degrees (constructionwork.com): diameter and height in feet, cubic yards.
2. A calculator's page: a cone 10 m wide and 4 m high holds 104.72 m3, at 1.6 t/m3 167.55 t.
3. A field calculator's guide: corners 75.4, 77.5, 74.6, 80.5 ft of 2,000 ft2, to be brought to 83 ft: their
   mean is 77.0, which makes 444.444 cubic yards (computed).
4. Homework: areas 12.5, 16.0, 18.4, 21.0, 19.5, 17.0 m2 at 10 m: 896.5 m3 by trapezia (computed).
5. Anderson 2019, the second of its author's notebooks: 47.272713, 9812.609557, 11311.09 (its printed total is
   that of another case; the root of the sum of squares is 14974.3213).
6. Weights 1-2-4 of a grid's corners (a civil engineering course note) against the sum over all cells.
"""

import math

import numpy as np
import pytest
import shapely
from measured_bodies import FOOT, cone, surface, write_areas, write_raster

from cloudprep.kernels.earthwork import average_end_areas
from cloudprep.kernels.volume_error import anderson_error
from cloudprep.measuring.volumes import CUBIC_YARD, measure_volumes

CONES = [
    (26.50, 10, 68), (39.83, 15, 230), (53.00, 20, 545), (66.30, 25, 1065), (79.50, 30, 1845),
    (92.83, 35, 2930), (106.00, 40, 4370), (132.66, 50, 8540), (159.16, 60, 14755), (186.00, 70, 23375),
    (212.16, 80, 34970), (238.83, 90, 49795), (265.30, 100, 68300),
]  # fmt: skip


def measured(folder, height, shape, side, cell, base="level:0", **attributes):
    raster = write_raster(folder / "dtm.tif", surface(height, side, cell), cell)
    areas = write_areas(folder / "areas.gpkg", [shape], **(attributes or {"name": ["a"]}))
    return measure_volumes(raster, areas, base=base).volumes[0]


def test_volumes_of_all_cones_of_a_printed_table(tmp_path):
    for diameter, height, yards in CONES:
        radius = diameter / 2 * FOOT
        side = 2.2 * radius
        body = cone(radius, height * FOOT, (side / 2, side / 2))
        found = measured(tmp_path, body, shapely.box(0, 0, side, side), side, side / 200)
        assert found.cut / CUBIC_YARD == pytest.approx(yards, rel=6e-3), (diameter, height)
        assert found.cut == pytest.approx(math.pi / 3 * radius**2 * height * FOOT, rel=1e-3)


def test_weight_of_a_printed_cone(tmp_path):
    found = measured(
        tmp_path, cone(5, 4, (6, 6)), shapely.box(0, 0, 12, 12), 12.0, 0.05, name=["a"], density=[1.6]
    )
    assert found.net == pytest.approx(104.72, abs=0.02)
    assert found.tonnes == pytest.approx(167.55, abs=0.03)


def test_volume_of_four_corners_of_a_guide(tmp_path):
    side = math.sqrt(2000) * FOOT
    a, b, c, d = 75.4, 77.5, 74.6, 80.5

    def between(x, y):
        u, v = x / side, y / side
        return FOOT * (a + (b - a) * u + (c - a) * v + (a - b - c + d) * u * v)

    found = measured(
        tmp_path, between, shapely.box(0, 0, side, side), side, side / 64, base=f"level:{83 * FOOT}"
    )
    assert found.fill / CUBIC_YARD == pytest.approx(444.444, abs=0.01)


def test_trapezia_of_six_areas():
    areas = np.array([12.5, 16.0, 18.4, 21.0, 19.5, 17.0])
    assert average_end_areas(10.0 * np.arange(6), areas).sum() == pytest.approx(896.5)


def test_anderson_s_second_notebook():
    found = anderson_error(161_587, 1.0, random=1.96 * 0.06, sill=1.96**2 * 0.86, reach=17.0, systematic=0.07)
    assert found.random == pytest.approx(47.272713, abs=1e-5)
    assert found.correlated == pytest.approx(9812.609557, abs=1e-3)
    assert found.systematic == pytest.approx(11311.09, abs=1e-6)
    assert found.total == pytest.approx(14974.3213, abs=1e-3)


def test_weights_of_corners_are_the_sum_over_cells(tmp_path):
    """On a raster whose cells' centres are the corners: the area between the outermost centres."""
    rng = np.random.default_rng(6)
    z = 100 + np.cumsum(rng.normal(0, 1, (24, 31)), axis=1)
    raster = write_raster(tmp_path / "dtm.tif", z, 10.0)
    weights = np.full(z.shape, 4.0)
    weights[[0, -1]] /= 2
    weights[:, [0, -1]] /= 2
    shape = shapely.box(5, 5, 305, 235)
    areas = write_areas(tmp_path / "a.gpkg", [shape], name=["a"])
    found = measure_volumes(raster, areas, base="level:0").volumes[0]
    by_corners = 100.0 / 4 * (weights * z).sum()
    # Cells cut in halves count by the height at the middle of their half, corners by their own height.
    assert found.net == pytest.approx(by_corners, rel=2e-4)

"""Volumes of bodies whose formulas everybody knows.

Cone, frustum, pyramid and hemisphere: any handbook of mathematics. Windrow (a long pile of triangular section
with half a cone at either end): width x height x length / 2 plus one cone (common practice). Corner values
of a borrow pit, and their 199 cubic yards: a printed solution of an engineering examination; the stockpile
table of a cone at 37 degrees: printed by a trade page. Both as in collections of worked examples.
"""

import json
import math

import numpy as np
import pytest
import shapely
from measured_bodies import EAST, FOOT, NORTH, cone, surface, write_areas, write_raster
from typer.testing import CliRunner

from cloudprep.cli.main import app
from cloudprep.errors import BadInputError, CrsError, UsageError
from cloudprep.kernels.polygon_cover import polygon_cover
from cloudprep.kernels.volume_error import HeightErrors, anderson_error, correlated_error
from cloudprep.measuring.volumes import CUBIC_FOOT, CUBIC_YARD, measure_volumes


def measured(tmp_path, height, shape, *, cell, side=40.0, base="level:0", **more):
    raster = write_raster(tmp_path / "dtm.tif", surface(height, side, cell), cell)
    areas = write_areas(tmp_path / "areas.gpkg", [shape])
    return measure_volumes(raster, areas, base=base, **more).volumes[0]


def frustum(x, y):
    return np.clip((12 - np.hypot(x - 20, y - 20)) / 2, 0, 4)


def pyramid(x, y):
    return np.maximum(9 * (1 - np.maximum(abs(x - 20.3), abs(y - 20.1)) / 15), 0)


def windrow(x, y):
    along = np.clip(x, 12, 28)
    return np.maximum(5 * (1 - np.hypot(x - along, y - 20) / 8), 0)


def hemisphere(x, y):
    return np.sqrt(np.maximum(100 - (x - 20.1) ** 2 - (y - 19.9) ** 2, 0))


BODIES = {
    "cone": (cone(15, 6), math.pi * 15**2 * 6 / 3),
    "frustum": (frustum, math.pi * 4 / 3 * (12**2 + 12 * 4 + 4**2)),
    "pyramid": (pyramid, 30**2 * 9 / 3),
    "windrow": (windrow, 16 * 5 * 16 / 2 + math.pi * 8**2 * 5 / 3),
    "hemisphere": (hemisphere, 2 / 3 * math.pi * 10**3),
}
WHOLE = shapely.box(0.7, 0.4, 39.2, 39.6)


@pytest.mark.parametrize("body", BODIES)
def test_volume_of_a_body_to_a_thousandth(tmp_path, body):
    height, exact = BODIES[body]
    found = measured(tmp_path, height, WHOLE, cell=0.1)
    assert found.cut == pytest.approx(exact, rel=1e-3)
    assert found.fill == 0


@pytest.mark.parametrize("body", ["cone", "frustum", "pyramid", "windrow"])
def test_volume_errors_shrink_with_the_square_of_the_cell(tmp_path, body):
    height, exact = BODIES[body]
    errors = [
        abs(measured(tmp_path, height, WHOLE, cell=cell).cut / exact - 1) for cell in (2.0, 1.0, 0.5, 0.25)
    ]
    # Two orders over three halvings, with room for luck in single ones.
    assert errors[-1] < errors[0] / 4**3 * 4
    assert errors[-1] < 4e-4


def test_volume_of_a_plane_is_exact_over_any_polygon(tmp_path):
    star = shapely.Polygon([(3.1, 2.2), (30.7, 9.3), (37.9, 33.1), (18.2, 21.4), (7.7, 38.3)])
    with_hole = star.difference(shapely.Point(15, 14).buffer(3.3))
    both = shapely.MultiPolygon([with_hole, shapely.box(30.2, 1.1, 36.6, 5.5)])

    def plane(x, y):
        return 7 + 0.31 * x - 0.17 * y

    exact = sum(p.area * plane(p.centroid.x, p.centroid.y) for p in both.geoms)
    found = measured(tmp_path, plane, both, cell=1.0)
    assert found.net == pytest.approx(exact, rel=1e-9)
    assert found.area == pytest.approx(both.area, rel=1e-9)
    assert found.measured == pytest.approx(both.area, rel=1e-9)
    # From the plane that its own edge makes nothing is left, and from the surface it spans neither.
    assert measured(tmp_path, plane, both, cell=1.0, base="edge-plane").net == pytest.approx(0, abs=1e-9)
    assert measured(tmp_path, plane, star, cell=1.0, base="edge-surface").net == pytest.approx(
        0, abs=1e-4
    )  # micrometres


def test_cover_of_cells_agrees_with_shapely():
    """Outside check: shapely (GEOS) cuts the polygon with every cell."""
    rng = np.random.default_rng(4)
    for _ in range(8):
        turned = np.sort(rng.uniform(0, 2 * np.pi, 9))
        far = rng.uniform(1, 6, 9)
        ring = np.c_[4 + far * np.cos(turned), 3 + far * np.sin(turned)]
        whole = shapely.Polygon(ring)
        if not whole.is_valid:
            continue
        cover = polygon_cover([np.concatenate([ring, ring[:1]])], 7, 9)
        for r in range(7):
            for c in range(9):
                part = whole.intersection(shapely.box(c, r, c + 1, r + 1))
                middle = part.centroid if part.area else shapely.Point(c + 0.5, r + 0.5)
                assert cover.area[r, c] == pytest.approx(part.area, abs=1e-13)
                assert cover.x[r, c] == pytest.approx(part.area * (middle.x - c - 0.5), abs=1e-13)
                assert cover.y[r, c] == pytest.approx(part.area * (middle.y - r - 0.5), abs=1e-13)


def test_volume_of_a_borrow_pit(tmp_path):
    """Corners 87.6, 87.6, 87.6, 88.6 ft of a square of 50 ft, to be brought to 90.0 ft: printed 199 yd3."""
    side = 50 * FOOT

    def pit(x, y):
        return (87.6 + (x / side) * (y / side)) * FOOT

    square = shapely.box(0, 0, side, side)
    found = measured(tmp_path, pit, square, cell=side / 64, side=side, base=f"level:{90 * FOOT}")
    assert found.fill / CUBIC_YARD == pytest.approx(199, abs=0.5)
    assert found.fill / CUBIC_FOOT == pytest.approx(5375, rel=1e-6)
    assert found.cut == 0


@pytest.mark.parametrize(("diameter", "height", "yards"), [(26.5, 10, 68), (53, 20, 545), (106, 40, 4370)])
def test_volume_of_cones_in_a_printed_table(tmp_path, diameter, height, yards):
    """A printed table of cones at 37 degrees: feet and cubic yards, rounded."""
    radius, top = diameter / 2 * FOOT, height * FOOT
    side = 2.2 * radius
    found = measured(
        tmp_path,
        cone(radius, top, (side / 2, side / 2)),
        shapely.box(0, 0, side, side),
        cell=side / 256,
        side=side,
    )
    assert found.cut / CUBIC_YARD == pytest.approx(yards, rel=5e-3)


def test_volume_in_feet_is_that_in_metres(tmp_path):
    """EPSG:2225 is in US survey feet; heights without a system of their own are taken to be in them too."""
    us = 1200 / 3937
    z = surface(cone(15, 6), cell=0.5)
    raster = write_raster(tmp_path / "feet.tif", z / us, 0.5 / us, "EPSG:2225", (6e6, 2e6))
    shape = shapely.transform(WHOLE, lambda c: c / us)
    areas = write_areas(tmp_path / "areas.gpkg", [shape], "EPSG:2225", (6e6, 2e6))
    feet = measure_volumes(raster, areas, base="level:0").volumes[0]
    metres = measured(tmp_path, cone(15, 6), WHOLE, cell=0.5)
    assert feet.cut == pytest.approx(metres.cut, rel=1e-9)
    assert feet.area == pytest.approx(metres.area, rel=1e-9)


def test_cut_and_fill_are_told_apart(tmp_path):
    def wave(x, y):
        return np.sin(2 * np.pi * x / 20) + 0 * y

    found = measured(tmp_path, wave, shapely.box(0, 0, 40, 40), cell=0.1)
    one_sign = 2 / np.pi * 20 * 40
    assert found.cut == pytest.approx(one_sign, rel=1e-3)
    assert found.fill == pytest.approx(one_sign, rel=1e-3)
    assert found.net == pytest.approx(0, abs=0.01)


def test_bases_from_the_edge(tmp_path):
    def pile(x, y):
        return 100 + 0.05 * x + cone(12, 5)(x, y)

    around = shapely.Point(20, 20).buffer(15)
    lowest = measured(tmp_path, pile, around, cell=0.25, base="lowest-edge")
    assert "100.25" in lowest.base
    for base in ("edge-plane", "edge-surface"):
        found = measured(tmp_path, pile, around, cell=0.25, base=base)
        assert found.net == pytest.approx(math.pi * 12**2 * 5 / 3, rel=2e-3)


def test_another_terrain_as_a_base_also_where_its_cells_lie_otherwise(tmp_path):
    def ground(x, y):
        return 50 + 0.1 * x - 0.2 * y

    def pile(x, y):
        return ground(x, y) + cone(12, 5)(x, y)

    exact = math.pi * 12**2 * 5 / 3
    shape = shapely.Point(20, 20).buffer(15)
    for cell, corner in ((0.5, (EAST, NORTH)), (1.7, (EAST - 2.3, NORTH - 4.1))):
        n = 40 if cell > 1 else 80
        x, y = np.meshgrid(*(corner[i] - (EAST, NORTH)[i] + (np.arange(n) + 0.5) * cell for i in (0, 1)))
        other = write_raster(tmp_path / "before.tif", ground(x, y), cell, corner=corner)
        found = measured(tmp_path, pile, shape, cell=0.5, base=str(other))
        assert found.net == pytest.approx(exact, rel=2e-3)
        assert found.missing == pytest.approx(0, abs=1e-6)


def test_gaps_are_told_and_left_out(tmp_path):
    z = surface(lambda x, y: 2 + 0 * x)
    z[10:12, 10:14] = np.nan
    raster = write_raster(tmp_path / "dtm.tif", z)
    areas = write_areas(tmp_path / "a.gpkg", [shapely.box(0, 0, 40, 40)])
    report = measure_volumes(raster, areas, base="level:0")
    assert report.volumes[0].missing == pytest.approx(8)
    assert report.volumes[0].cut == pytest.approx(2 * (1600 - 8))
    assert "8.0 m2 (0.5%) has no height" in report.warnings[0]


def test_names_and_densities_come_from_the_layer(tmp_path):
    raster = write_raster(tmp_path / "dtm.tif", surface(lambda x, y: 2 + 0 * x))
    shapes = [shapely.box(0, 0, 10, 10), shapely.box(20, 20, 30, 30)]
    areas = write_areas(tmp_path / "a.gpkg", shapes, Name=["sand", "grit"], density=[1.6, 1.8])
    report = measure_volumes(raster, areas, base="level:0")
    assert [v.name for v in report.volumes] == ["sand", "grit"]
    assert report.volumes[0].tonnes == pytest.approx(320)


# -- errors
# ---------------------------------------------------------------------------------------------------


def test_anderson_2019_published_case():
    """Anderson 2019, as coded in public notebooks of its author; 95 % for the first two."""
    found = anderson_error(
        682_640,
        0.25,
        random=1.96 * 0.11584754,
        sill=1.96**2 * 0.0071469,
        reach=2.3546,
        systematic=0.104254974,
    )
    assert found.random == pytest.approx(11.725160, abs=1e-6)
    assert found.correlated == pytest.approx(63.664162, abs=5e-4)
    assert found.systematic == pytest.approx(4448.038466, abs=1e-4)
    assert found.total == pytest.approx(4448.509503, abs=1e-4)


def test_correlated_errors_of_large_areas_are_anderson_s():
    x, y = np.meshgrid(np.arange(0.5, 100), np.arange(0.5, 100))
    reach = 14.0
    found = correlated_error(x.ravel(), y.ravel(), 100.0**2, 0.1, reach)  # 51 squares of the reach: summed up
    closed = anderson_error(10_000, 1.0, random=0, sill=0.01, reach=reach, systematic=0).correlated
    assert found == pytest.approx(closed, rel=0.1)  # the edge takes some
    tiny = correlated_error(x.ravel() / 1000, y.ravel() / 1000, 0.01, 0.1, reach)
    assert tiny == pytest.approx(0.01 * 0.1, rel=0.02)  # all of it shares one error


def test_errors_given_make_an_interval(tmp_path):
    errors = HeightErrors(random=0.05, correlated=0.02, reach=5.0, systematic=0.01)
    found = measured(tmp_path, cone(15, 6), shapely.box(0, 0, 40, 40), cell=0.5, errors=errors)
    assert found.error.random == pytest.approx(0.05 * math.sqrt(6400) * 0.25)
    assert found.error.systematic == pytest.approx(16.0)
    assert found.error.interval_95 > 1.96 * 16


def test_errors_come_from_the_raster_beside_the_terrain(tmp_path):
    raster = write_raster(tmp_path / "dtm.tif", surface(lambda x, y: 2 + 0 * x))
    write_raster(tmp_path / "dtm_standard_error.tif", surface(lambda x, y: 0.1 + 0 * x))
    areas = write_areas(tmp_path / "a.gpkg", [shapely.box(0, 0, 10, 10)])
    report = measure_volumes(raster, areas, base="level:0")
    assert report.volumes[0].error.random == pytest.approx(0.1 * 10)
    assert "dtm_standard_error.tif" in report.errors
    write_raster(tmp_path / "dtm_standard_error.tif", surface(lambda x, y: 0.1 + 0 * x, side=30))
    with pytest.raises(BadInputError, match="cells of dtm"):
        measure_volumes(raster, areas, base="level:0")


# -- bad input
# --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("shape", "error", "words"),
    [
        (shapely.box(500, 500, 600, 600), BadInputError, "touches"),
        (shapely.Polygon([(1, 1), (9, 9), (9, 1), (1, 9)]), BadInputError, "cross"),
        (shapely.LineString([(1, 1), (9, 9)]), BadInputError, "polygon"),
    ],
)
def test_areas_that_cannot_be_measured(tmp_path, shape, error, words):
    with pytest.raises(error, match=words):
        measured(tmp_path, cone(15, 6), shape, cell=1.0)


@pytest.mark.parametrize("base", ["level:high", "level:", "no_such_base", "level:nan"])
def test_bases_that_are_none(tmp_path, base):
    with pytest.raises(UsageError, match="--base"):
        measured(tmp_path, cone(15, 6), WHOLE, cell=1.0, base=base)


def test_terrains_in_other_systems_are_refused(tmp_path):
    other = write_raster(tmp_path / "other.tif", surface(cone(15, 6)), crs="EPSG:25833")
    with pytest.raises(CrsError, match="bring them together"):
        measured(tmp_path, cone(15, 6), WHOLE, cell=1.0, base=str(other))


def test_an_edge_off_the_heights_gives_no_base(tmp_path):
    with pytest.raises(UsageError, match="edge lies on heights"):
        measured(tmp_path, cone(15, 6), shapely.box(-100, -100, 30, 30), cell=1.0, base="edge-plane")


def test_volume_command(tmp_path):
    raster = write_raster(tmp_path / "dtm.tif", surface(cone(15, 6), cell=0.25), 0.25)
    areas = write_areas(tmp_path / "a.gpkg", [WHOLE, shapely.box(1, 1, 2, 2)], name=["heap", "nothing"])
    arguments = ["volume", str(raster), "--over", str(areas), "--base", "level:0", "--random-error", "0.05"]
    shown = CliRunner().invoke(app, arguments)
    assert shown.exit_code == 0
    assert "heap" in shown.stdout
    assert "licensed" in shown.stdout
    machine = json.loads(CliRunner().invoke(app, [*arguments, "--json"]).stdout)
    assert machine["volumes"][0]["cut"] == pytest.approx(math.pi * 15**2 * 2, rel=1e-3)
    assert machine["volumes"][0]["interval_95"] > 0
    wrong = CliRunner().invoke(app, [*arguments, "--shared-error", "0.1"])
    assert wrong.exit_code == 2

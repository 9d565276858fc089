"""A terrain against designs whose truth is known."""

import csv
import json
import math
import sys

import ezdxf
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from design_surfaces import strip_faces, turned, write_landxml
from ezdxf.render import MeshBuilder
from measured_bodies import EAST, FOOT, NORTH, surface, write_areas, write_raster
from PIL import Image
from rio_cogeo import cog_validate
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import Delaunay
from typer.testing import CliRunner

from cloudprep.cli.main import app

START, ANGLE = (30.3, 25.7), math.radians(33)
UTM = '<CoordinateSystem epsgCode="25832"/>'


def run(*arguments):
    return CliRunner().invoke(app, ["design", *map(str, arguments)])


def machine(*arguments):
    found = run(*arguments, "--json")
    assert found.exit_code == 0, found.output
    return json.loads(found.stdout)


def table(path):
    with path.open() as file:
        return list(csv.DictReader(file))


def write_axis(path, places, crs="EPSG:25832", corner=(EAST, NORTH)):
    line = shapely.LineString(np.add(places, corner))
    pyogrio.raw.write(
        path, shapely.to_wkb(np.array([line], object)), field_data=[np.array(["centre"])], fields=["name"],
        crs=crs, geometry_type="LineString", driver="GPKG",
    )  # fmt: skip
    return path


def ground(x, y):
    """A slope, so that nothing is level by chance."""
    return 100 + 0.03 * x - 0.02 * y


def on_ground(along, left, height):
    """A place this high over the ground, from station and distance to the left."""
    x, y, _ = turned(along, left, 0, START, ANGLE)
    return x, y, ground(x, y) + height


def axis_to(length):
    return [START, turned(length, 0, 0, START, ANGLE)[:2]]


@pytest.fixture
def flat(tmp_path):
    """Heights of the sloping ground, to either side of the design."""
    return write_raster(tmp_path / "dtm.tif", surface(ground, 240, 1.5), 1.5)


@pytest.fixture
def out(tmp_path):
    return tmp_path / "todo"


# -- published earthwork, through the whole path -------------------------------------------------------------


def railroad(heights, step=50.0, base=20.0, slope=1.5):
    """A bank on the ground: crown and slopes, as wide as its height asks for."""
    rows = []
    for i, h in enumerate(heights):
        half = base / 2
        across = [(half + slope * h, 0), (half, h), (-half, h), (-half - slope * h, 0)]
        rows.append([on_ground(step * i, left, up) for left, up in across])
    return strip_faces(rows)


def test_design_vose_bank_is_reckoned_as_published(flat, tmp_path, out):
    """Vose, "Handbook of Railroad Construction", art. 108: end areas 0, 137.5, 350, 637.5, 0 at 50 apart.

    Printed with rounded areas 56,200, exact ones give 56,250; prismoidal 52,500, which is the body itself.
    (In feet there; here the same figures in metres.)
    """
    design = write_landxml(tmp_path / "bank.xml", *railroad([0, 5, 10, 15, 0]), system=UTM)
    axis = write_axis(tmp_path / "axis.gpkg", axis_to(200))
    report = machine(flat, design, "--out", out, "--axis", axis, "--station-step", 50, "--corridor-width", 70)
    found = report["axes"][0]
    assert found["fill_areas"] == pytest.approx([0, 137.5, 350, 637.5, 0], abs=1e-5)
    assert found["end_areas"]["fill"] == pytest.approx(56_250, rel=1e-7)
    # Pyramids where an area is 0: computed from the formula.
    ends = (137.5 + 637.5) * 50 / 3 + (137.5 + 350) * 25 + (350 + 637.5) * 25
    assert found["pyramids"]["fill"] == pytest.approx(ends, rel=1e-7)
    assert found["prismoidal"]["fill"] == pytest.approx(52_500, rel=1e-7)
    assert found["surface"]["fill"] == pytest.approx(52_500, rel=1e-7)
    assert report["areas"][0]["fill"] == pytest.approx(52_500, rel=1e-7)
    assert report["areas"][0]["cut"] == pytest.approx(0, abs=1e-5)
    rows = table(out / "stations.csv")
    assert [float(r["station_m"]) for r in rows] == [0, 50, 100, 150, 200]
    assert sum(float(r["fill_end_areas_m3"] or 0) for r in rows) == pytest.approx(56_250, abs=0.01)
    assert float(rows[2]["easting_m"]) == pytest.approx(EAST + START[0] + 100 * math.cos(ANGLE), abs=1e-3)


STATIONS = np.array([0, 50, 75, 100, 115, 150.0])
FILL = np.array([60, 50, 25, 5, 0, 0.0])
CUT = np.array([0, 0, 0, 10, 15, 30.0])


def wikibooks():
    """Triangular ridges of these areas left of the axis, ditches right of it."""
    rows = []
    for s, f, c in zip(STATIONS, FILL, CUT, strict=True):
        across = [(10, 0), (5, f / 5), (0, 0), (-5, -c / 5), (-10, 0)]
        rows.append([on_ground(s, left, up) for left, up in across])
    return strip_faces(rows)


def test_design_wikibooks_stations_are_reckoned_as_published(flat, tmp_path, out):
    """Wikibooks, "Fundamentals of Transportation", Earthwork: fill 4087.5, cut 1058.3, net 3029.2 m3."""
    vertices, faces = wikibooks()
    design = write_landxml(tmp_path / "ditch.xml", vertices, faces)
    axis = write_axis(tmp_path / "axis.gpkg", axis_to(150))
    report = machine(
        flat,
        design,
        "--out",
        out,
        "--axis",
        axis,
        "--stations",
        "0,50,75,100,115,150",
        "--corridor-width",
        24,
    )
    found = report["axes"][0]
    assert found["fill_areas"] == pytest.approx(FILL, abs=1e-5)
    assert found["cut_areas"] == pytest.approx(CUT, abs=1e-5)
    assert found["pyramids"]["fill"] == pytest.approx(4087.5, abs=1e-3)
    assert found["pyramids"]["cut"] == pytest.approx(1058.3, abs=0.05)
    assert found["pyramids"]["net"] == pytest.approx(-3029.2, abs=0.05)  # to cut less to fill
    # All corners lie at stations, so the body is a prismatoid and Simpson's rule exact: the sum of the
    # triangles' prisms is the check from outside this path.
    a, b, c = (vertices[k] for k in faces.T)
    plan = ((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]) / 2
    above = np.mean([v[:, 2] - ground(v[:, 0], v[:, 1]) for v in (a, b, c)], axis=0)
    net = -(np.abs(plan) * above).sum()
    assert found["prismoidal"]["net"] == pytest.approx(net, abs=1e-4)
    assert found["surface"]["net"] == pytest.approx(net, abs=1e-4)
    # Along the axis cells hold both: they count as their difference.
    assert found["surface"]["fill"] == pytest.approx(found["prismoidal"]["fill"], rel=2e-3)


def test_design_in_feet_on_a_terrain_in_feet(tmp_path, out):
    """The same bank of 52,500 in US survey feet, heights too, told in m3."""
    foot = 1200 / 3937
    corner = (980_000.0, 210_000.0)  # feet, EPSG:2263
    z = surface(ground, 240, 2.0)
    dtm = write_raster(tmp_path / "dtm.tif", z, 2.0, crs="EPSG:2263+6360", corner=corner)
    unit = '<Imperial linearUnit="USSurveyFoot" elevationUnit="feet"/>'
    design = write_landxml(
        tmp_path / "bank.xml", *railroad([0, 5, 10, 15, 0]), unit=unit, corner=corner,
        system='<CoordinateSystem epsgCode="2263" verticalDatum="NAVD88"/>',
    )  # fmt: skip
    report = machine(dtm, design, "--out", out)
    assert report["areas"][0]["fill"] == pytest.approx(52_500 * foot**3, rel=1e-6)
    row = table(out / "staking.csv")[0]
    assert set(row) >= {"easting_ftUS", "design_ftUS", "fill_ftUS"}
    assert float(row["fill_ftUS"]) == pytest.approx(15, abs=1.0)


def test_design_sections_on_a_bend_keep_to_pappus(tmp_path, out):
    """Round a bend a ditch beside the axis is longer or shorter than the axis: the surface integral knows it.

    Pappus' second theorem: the volume is the section times the way of its centroid.
    """
    radius, side = 60.0, 20.0
    angles = np.linspace(0, np.pi / 2, 91)

    def at(r, a, z):
        return 20 + r * np.sin(a), 90 - r * np.cos(a), z

    rows = [[at(r, a, 100 + up) for r, up in ((50, 0), (52, 1), (54, 0))] for a in angles]
    design = write_landxml(tmp_path / "ring.xml", *strip_faces(rows))
    dtm = write_raster(tmp_path / "dtm.tif", np.full((240, 240), 100.0), 0.5)
    axis = write_axis(tmp_path / "axis.gpkg", [at(radius, a, 0)[:2] for a in angles[3:-3]])
    found = machine(dtm, design, "--out", out, "--axis", axis, "--station-step", 2, "--corridor-width", side)
    axis = found["axes"][0]
    turn = math.radians(84)
    assert axis["end_areas"]["fill"] == pytest.approx(2 * radius * turn, rel=1e-3)
    # The corridor ends square to the chords of a degree, which 8 m beside the axis is a little farther on.
    way = 52 * turn + 2 * 8 * math.tan(math.radians(0.5))
    assert axis["surface"]["fill"] == pytest.approx(2 * way, rel=1e-4)


# -- cells, outlines, tolerance ------------------------------------------------------------------------------


def plane(x, y):
    return 101 + 0.05 * x + 0.04 * y


def test_design_of_planes_is_exact_over_any_outline(flat, tmp_path, out):
    """Net between two planes: the area times the difference at the centroid (shapely's, from outside)."""
    ring = [(40.2, 33.1), (150.7, 20.9), (171.3, 120.4), (90.6, 161.8)]
    vertices = np.array([(x, y, plane(x, y)) for x, y in ring])
    design = write_landxml(tmp_path / "p.xml", vertices, [(0, 1, 2), (2, 0, 3)])  # one of them clockwise
    shape = shapely.Polygon(ring)

    def net(of):
        x, y = of.centroid.x, of.centroid.y
        return of.area * (ground(x, y) - plane(x, y))

    found = machine(flat, design, "--out", out)["areas"][0]
    assert found["area"] == pytest.approx(shape.area, rel=1e-9)
    assert found["measured"] == pytest.approx(shape.area, rel=1e-9)
    assert found["net"] == pytest.approx(net(shape), rel=1e-8)
    circle, square = shapely.Point(95, 70).buffer(23.3), shapely.box(140, 60, 190.3, 101.7)
    areas = write_areas(tmp_path / "areas.gpkg", [circle, square], name=["circle", "square"])
    report = machine(flat, design, "--out", out, "--boundary", areas)
    assert report["areas"][0]["net"] == pytest.approx(net(circle), rel=1e-8)
    cut = shapely.intersection(square, shape)
    assert report["areas"][1]["area"] == pytest.approx(cut.area, rel=1e-9)
    assert report["areas"][1]["net"] == pytest.approx(net(cut), rel=1e-8)
    assert any("area 'square'" in w and "beside the design" in w for w in report["warnings"])


def test_design_of_any_triangles_agrees_with_scipy(tmp_path, out):
    """Cut and fill against SciPy's interpolation between the same places, ten times as fine."""
    rng = np.random.default_rng(8)
    places = rng.uniform(15, 105, (70, 2))
    triangles = Delaunay(places)
    heights = 100 + rng.normal(0, 1.5, 70)

    def hills(x, y):
        return 100 + 1.5 * np.sin(x / 12) + np.cos(y / 9)

    dtm = write_raster(tmp_path / "dtm.tif", surface(hills, 120, 0.5), 0.5)
    design = write_landxml(tmp_path / "d.xml", np.c_[places, heights], triangles.simplices)
    found = machine(dtm, design, "--out", out, "--tolerance", 0.5)["areas"][0]
    c = np.arange(0.025, 120, 0.05)
    x, y = np.meshgrid(c, c)
    off = hills(x, y) - LinearNDInterpolator(triangles, heights)(x, y)
    off = off[~np.isnan(off)]
    assert found["area"] == pytest.approx(shapely.MultiPoint(places).convex_hull.area, rel=1e-9)
    assert found["cut"] == pytest.approx(np.maximum(off, 0).sum() * 0.05**2, rel=1e-3)
    assert found["fill"] == pytest.approx(np.maximum(-off, 0).sum() * 0.05**2, rel=1e-3)
    assert found["within"] == pytest.approx((np.abs(off) <= 0.5).sum() * 0.05**2, rel=1e-2)


def test_design_tolerance_rasters_and_areas(tmp_path, out):
    """Steps of 0.2, 0.04, -0.04 and -0.2 m, each 10 m wide, against a level: quarters of the area."""
    steps = np.repeat([100.2, 100.04, 99.96, 99.8], 10)
    dtm = write_raster(tmp_path / "dtm.tif", np.tile(steps, (20, 1)))
    level = np.array([(0, 0, 100), (40, 0, 100), (40, 20, 100), (0, 20, 100.0)])
    design = write_landxml(tmp_path / "level.xml", level, [(0, 1, 2), (0, 2, 3)])
    found = machine(dtm, design, "--out", out, "--tolerance", 0.05, "--random-error", 0.03)
    area = found["areas"][0]
    assert (area["above"], area["within"], area["below"]) == pytest.approx((200, 400, 200))
    assert area["cut"] == pytest.approx(200 * 0.2 + 200 * 0.04)
    assert area["fill"] == pytest.approx(200 * 0.2 + 200 * 0.04)
    # Anderson 2019: sqrt(n) L^2 s.
    assert area["interval_95"] == pytest.approx(1.96 * math.sqrt(800) * 0.03)
    assert any("can't be told for sure" in w for w in found["warnings"])
    assert sorted(p.name for p in out.iterdir()) == [
        "design.csv", "design.png", "difference.tif", "staking.csv", "tolerance.tif",
    ]  # fmt: skip
    for name in ("difference.tif", "tolerance.tif"):
        assert cog_validate(out / name)[0]
    with rasterio.open(out / "tolerance.tif") as file:
        assert np.unique(file.read(1)[:, ::10]).tolist() == [1, 2, 3]
        assert file.read(1)[0, [0, 15, 25, 35]].tolist() == [3, 2, 2, 1]
        assert file.tags(1)["CODE_3"] == "too high"
    with rasterio.open(out / "difference.tif") as file:
        assert file.read(1)[3, 5] == pytest.approx(0.2, abs=1e-5)
        assert file.bounds == (EAST, NORTH, EAST + 40, NORTH + 20)
    assert table(out / "design.csv")[0]["cut_m3"] == "48.0000"
    with Image.open(out / "design.png") as picture:
        pixels = np.asarray(picture.convert("RGB"))
    for colour in ((0, 114, 178), (213, 94, 0), (242, 242, 242)):
        assert (pixels == colour).all(axis=-1).sum() > 1000


def test_design_staking_points_are_the_worst_and_apart(tmp_path, out):
    rng = np.random.default_rng(4)
    z = 100 + rng.normal(0, 0.1, (60, 80))
    z[40, 33] = 103.0
    dtm = write_raster(tmp_path / "dtm.tif", z)
    level = np.array([(0, 0, 100), (80, 0, 100), (80, 60, 100), (0, 60, 100.0)])
    design = write_landxml(tmp_path / "level.xml", level, [(0, 1, 2), (0, 2, 3)])
    machine(dtm, design, "--out", out, "--tolerance", 0.1, "--staking-step", 8)
    rows = table(out / "staking.csv")
    assert float(rows[0]["easting_m"]) == EAST + 33.5
    assert float(rows[0]["northing_m"]) == NORTH + 40.5
    assert rows[0]["cut_m"] == "3.000"
    assert rows[0]["fill_m"] == ""
    off = [abs(float(r["terrain_m"]) - float(r["design_m"])) for r in rows]
    assert off == sorted(off, reverse=True)
    assert min(off) > 0.1
    places = np.array([(float(r["easting_m"]), float(r["northing_m"])) for r in rows])
    apart = np.hypot(*(places[:, None] - places).transpose(2, 0, 1))
    assert apart[~np.eye(len(places), dtype=bool)].min() >= 8
    assert len(rows) > 25  # 75 squares of 8 m
    axis = write_axis(tmp_path / "axis.gpkg", [(0, 30), (80, 30)])
    machine(dtm, design, "--out", out, "--tolerance", 0.1, "--staking-step", 8, "--axis", axis)
    rows = table(out / "staking.csv")
    along = [float(r["station_m"]) for r in rows]
    assert along == sorted(along)
    worst = next(r for r in rows if r["cut_m"] == "3.000")
    assert (worst["axis"], worst["station_m"], worst["left_m"]) == ("centre", "33.500", "10.500")


def test_design_as_a_raster_on_other_cells(flat, tmp_path, out):
    corner = (EAST + 20.4, NORTH + 31.3)
    c = np.arange(80) + 0.5
    x, y = np.meshgrid(c + 20.4, c + 31.3)
    design = write_raster(tmp_path / "design.tif", plane(x, y), corner=corner)
    square = shapely.box(40, 50, 80, 90)
    areas = write_areas(tmp_path / "areas.gpkg", [square], name=["a"])
    found = machine(flat, design, "--out", out, "--boundary", areas)["areas"][0]
    assert found["net"] == pytest.approx(1600 * (ground(60, 70) - plane(60, 70)), rel=1e-6)
    axis = write_axis(tmp_path / "axis.gpkg", [(40, 70), (80, 70)])
    cut = machine(flat, design, "--out", out, "--axis", axis, "--corridor-width", 20)["axes"][0]
    assert cut["fill_areas"][1] == pytest.approx(20 * (plane(60, 70) - ground(60, 70)), rel=1e-6)
    assert cut["prismoidal"]["net"] == pytest.approx(cut["surface"]["net"], rel=1e-6)


def test_design_faces_over_each_other_and_upright_ones_are_told(flat, tmp_path, out):
    square = [(50, 50, 105), (60, 50, 105), (60, 60, 105), (50, 60, 105.0)]
    wall = [(60, 50, 100), (60, 60, 100.0)]
    vertices = np.array(square + wall + [(x, y, 107) for x, y, _ in square])
    faces = [(0, 1, 2), (0, 2, 3), (1, 2, 5), (1, 5, 4), (6, 7, 8)]
    design = write_landxml(tmp_path / "d.xml", vertices, faces)
    report = machine(flat, design, "--out", out)
    assert any("2 of 5 faces stand upright" in w for w in report["warnings"])
    assert any("lie over each other on 50.00 m2" in w for w in report["warnings"])
    assert report["areas"][0]["area"] == pytest.approx(100)
    # Half of it at 105, half at the mean of both: 106.
    middle = ground(55, 55)
    assert report["areas"][0]["fill"] == pytest.approx(50 * (105 - middle) + 50 * (106 - middle), rel=5e-3)


def test_design_beyond_the_terrain_is_told(flat, tmp_path, out):
    vertices = np.array([(-20, 10, 100), (40, 10, 100), (40, 40, 100), (-20, 40, 100.0)])
    design = write_landxml(tmp_path / "d.xml", vertices, [(0, 1, 2), (0, 2, 3)])
    report = machine(flat, design, "--out", out)
    assert report["areas"][0]["measured"] == pytest.approx(1200)
    assert any("600.0 m2 (33.3%)" in w for w in report["warnings"])


def test_design_where_the_terrain_has_a_gap(tmp_path, out):
    z = surface(ground, 120, 1.0)
    z[50:60, 40:60] = np.nan
    dtm = write_raster(tmp_path / "dtm.tif", z)
    ring = np.array([(20, 20), (100, 20), (100, 100), (20, 100.0)])
    design = write_landxml(tmp_path / "d.xml", np.c_[ring, ground(*ring.T) + 2], HALVES)
    axis = write_axis(tmp_path / "axis.gpkg", [(25, 55), (95, 55)])
    report = machine(dtm, design, "--out", out, "--axis", axis, "--station-step", 5, "--corridor-width", 40)
    area = report["areas"][0]
    assert (area["area"], area["missing"]) == pytest.approx((6400, 200))
    assert area["fill"] == pytest.approx(2 * 6200, rel=1e-9)
    assert any("200.0 m2 (3.1%) of the design has no height" in w for w in report["warnings"])
    assert any("axis 'centre'" in w and "aren't in their areas" in w for w in report["warnings"])
    found = report["axes"][0]
    assert found["fill_areas"][0] == pytest.approx(80, rel=1e-6)
    assert found["fill_areas"][5] == pytest.approx(60, abs=2.1)  # within the gap, read to half a cell
    assert found["surface"]["fill"] == pytest.approx(2 * (70 * 40 - 200), rel=1e-9)


# -- drawings ------------------------------------------------------------------------------------------------

ROOF = [(50, 50, 104), (70, 50, 104), (70, 60, 108), (50, 60, 108), (70, 70, 104), (50, 70, 104)]
RIDGE = [(0, 1, 2, 3), (3, 2, 4, 5)]
# The ground's mean below the roof is that at its middle.
ROOF_FILL = 400 * (106 - ground(60, 60))


def drawn(path, kind, unit=6, vertices=ROOF):
    document = ezdxf.new("R2010", units=unit)
    space = document.modelspace()
    moved = [(x + EAST, y + NORTH, z) for x, y, z in vertices]
    style = {"layer": "FINAL"}
    if kind == "3dface":
        for face in RIDGE:
            space.add_3dface([moved[i] for i in face], dxfattribs=style)
    elif kind == "triangles":
        for a, b, c, d in RIDGE:
            space.add_3dface([moved[a], moved[b], moved[c]], dxfattribs=style)
            space.add_3dface([moved[a], moved[c], moved[d]], dxfattribs=style)
    else:
        mesh = MeshBuilder()
        mesh.add_mesh(vertices=moved, faces=RIDGE)
        if kind == "mesh":
            mesh.render_mesh(space, dxfattribs=style)
        else:
            mesh.render_polyface(space, dxfattribs=style)
    document.saveas(path)
    return path


@pytest.mark.parametrize("kind", ["3dface", "triangles", "mesh", "polyface"])
def test_design_drawings_of_every_kind_of_face(flat, tmp_path, out, kind):
    found = run(flat, drawn(tmp_path / "roof.dxf", kind), "--out", out, "--json")
    assert found.exit_code == 0, found.output
    area = json.loads(found.stdout)["areas"][0]
    assert area["area"] == pytest.approx(400)
    assert area["fill"] == pytest.approx(ROOF_FILL, rel=1e-9)
    assert "names no reference system: ASSUMED" in found.stderr


def test_design_drawing_without_a_unit_is_in_that_of_the_terrain_or_as_said(flat, tmp_path, out):
    bare = run(flat, drawn(tmp_path / "a.dxf", "mesh", unit=0), "--out", out)
    assert "names no unit: ASSUMED" in bare.stderr
    # In feet, and said so: the same roof.
    scaled = [((x + EAST) / FOOT - EAST, (y + NORTH) / FOOT - NORTH, z / FOOT) for x, y, z in ROOF]
    feet = drawn(tmp_path / "b.dxf", "mesh", unit=0, vertices=scaled)
    area = machine(flat, feet, "--out", out, "--design-unit", "foot")["areas"][0]
    assert area["fill"] == pytest.approx(ROOF_FILL, rel=1e-6)


def test_design_drawing_with_faces_on_several_layers(flat, tmp_path, out):
    document = ezdxf.readfile(drawn(tmp_path / "a.dxf", "3dface"))
    corner = (EAST + 50, NORTH + 50, 90), (EAST + 60, NORTH + 50, 90), (EAST + 60, NORTH + 60, 90)
    document.modelspace().add_3dface(corner, dxfattribs={"layer": "EXISTING"})
    document.saveas(tmp_path / "b.dxf")
    found = run(flat, tmp_path / "b.dxf", "--out", out)
    assert found.exit_code == 1
    assert "several layers ('FINAL', 'EXISTING')" in found.stderr
    area = machine(flat, tmp_path / "b.dxf", "--out", out, "--surface", "final")["areas"][0]
    assert area["fill"] == pytest.approx(ROOF_FILL, rel=1e-9)


def test_design_own_drawings_and_surfaces_come_back(flat, tmp_path, out):
    """A terrain's own triangles against it: nothing to do."""
    from cloudprep.io.landxml import write_landxml as write_own
    from cloudprep.io.raster_reading import open_heights
    from cloudprep.model.layer import TinSurface

    ring = [(30, 30), (130, 35), (120, 140), (40, 120)]
    vertices = np.array([(x, y, ground(x, y)) for x, y in ring])
    own = TinSurface("own", vertices, np.array([(0, 1, 2), (0, 2, 3)]))
    write_own(own, tmp_path / "own.xml", open_heights(flat).crs, (EAST, NORTH))
    report = machine(flat, tmp_path / "own.xml", "--out", out)
    area = report["areas"][0]
    assert area["within"] == pytest.approx(area["area"])
    # The file has millimetres: half of one at most.
    assert max(area["highest"], -area["lowest"]) <= 0.0006
    assert not report["warnings"]


# -- bad input -----------------------------------------------------------------------------------------------


def refused(words, *arguments, code=(1, 2)):
    found = run(*arguments)
    assert found.exit_code in code, found.output
    assert words in found.stderr
    assert "Traceback" not in found.stderr
    lines = [w for w in found.stderr.splitlines() if w.strip()]
    assert len(lines) == 1, lines


SQUARE = np.array([(50, 50, 105), (60, 50, 105), (60, 60, 105), (50, 60, 105.0)])
HALVES = [(0, 1, 2), (0, 2, 3)]


def test_design_beside_the_terrain_gets_a_hint(flat, tmp_path, out):
    far = write_landxml(tmp_path / "far.xml", SQUARE, HALVES, corner=(EAST + 9000, NORTH))
    refused("doesn't overlap dtm.tif", flat, far, "--out", out)
    swapped = write_landxml(tmp_path / "swapped.xml", SQUARE[:, [1, 0, 2]], HALVES, corner=(NORTH, EAST))
    refused("with its axes swapped (--swap-axes)", flat, swapped, "--out", out)
    area = machine(flat, swapped, "--out", out, "--swap-axes")["areas"][0]
    assert area["area"] == pytest.approx(100)
    feet = write_landxml(tmp_path / "feet.xml", SQUARE, HALVES, scale=FOOT)
    refused("0.3048 times as large: look at its unit (--design-unit)", flat, feet, "--out", out)
    assert not (out / "nothing").exists()


def test_design_in_another_system_unit_or_datum_is_refused(flat, tmp_path, out):
    zone = write_landxml(tmp_path / "z.xml", SQUARE, HALVES, system='<CoordinateSystem epsgCode="25833"/>')
    refused("bring them together", flat, zone, "--out", out)
    plain = write_landxml(tmp_path / "p.xml", SQUARE, HALVES)
    refused("bring them together", flat, plain, "--out", out, "--design-crs", "EPSG:25833")
    said = machine(flat, zone, "--out", out, "--design-crs", "EPSG:25832")
    assert any("z.xml: says EPSG:25833; taken to be" in note for note in said["assumed"])
    refused("isn't of the form EPSG:n", flat, plain, "--out", out, "--design-crs", "here")
    refused("give metre, foot, us_survey_foot", flat, plain, "--out", out, "--design-unit", "ell")
    foot = write_landxml(
        tmp_path / "f.xml", SQUARE, HALVES, unit='<Imperial linearUnit="foot"/>', scale=FOOT, up=FOOT
    )
    refused("is in international foot in plan", flat, foot, "--out", out)
    assert machine(flat, foot, "--out", out, "--design-unit", "foot")["areas"][0]["area"] == pytest.approx(
        100
    )
    high = write_raster(tmp_path / "high.tif", surface(ground, 240, 1.5), 1.5, crs="EPSG:25832+7837")
    other = write_landxml(
        tmp_path / "o.xml", SQUARE, HALVES,
        system='<CoordinateSystem epsgCode="25832" verticalCoordinateSystemName="EGM96 height"/>',
    )  # fmt: skip
    refused("heights of o.xml are on EGM96 height", high, other, "--out", out)
    named = write_landxml(
        tmp_path / "n.xml", SQUARE, HALVES,
        system='<CoordinateSystem epsgCode="25832" verticalDatum="DHHN2016"/>',
    )  # fmt: skip
    assert machine(high, named, "--out", out)["areas"][0]["area"] == pytest.approx(100)
    said = machine(high, plain, "--out", out, "--design-crs", "EPSG:25832+7837")
    assert not any("ASSUMED" in note for note in said["assumed"])
    raster = write_raster(tmp_path / "r.tif", np.full((9, 9), 100.0), crs="EPSG:25833")
    refused("bring them together", flat, raster, "--out", out)
    refused("a raster tells them itself", flat, flat, "--out", out, "--design-unit", "metre")


def test_design_file_with_several_surfaces(flat, tmp_path, out):
    path = write_landxml(tmp_path / "two.xml", SQUARE, HALVES, name="base")
    text = path.read_text()
    one = text[text.index("<Surface ") : text.index("</Surfaces>")]
    path.write_text(text.replace(one, one + one.replace('"base"', '"top"').replace("105.0", "107.0")))
    refused("has several surfaces ('base', 'top'): say which", flat, path, "--out", out)
    refused("no surface called 'roof'", flat, path, "--out", out, "--surface", "roof")
    area = machine(flat, path, "--out", out, "--surface", "top")["areas"][0]
    assert area["fill"] == pytest.approx(100 * (107 - ground(55, 55)), rel=1e-9)


def test_design_files_that_can_t_be_used(flat, tmp_path, out):
    refused("no such file", flat, tmp_path / "none.xml", "--out", out)
    refused("no such file", flat, tmp_path / "none.dxf", "--out", out)
    refused("has no faces", flat, write_landxml(tmp_path / "a.xml", SQUARE, []), "--out", out)
    wall = write_landxml(tmp_path / "w.xml", SQUARE * (1, 0, 1) + (0, 50, 0), HALVES)
    refused("stand upright", flat, wall, "--out", out)
    broken = SQUARE.copy()
    broken[2, 2] = np.nan
    refused("isn't finite", flat, write_landxml(tmp_path / "n.xml", broken, HALVES), "--out", out)
    far = SQUARE.copy()
    far[2, 0] = 1e200
    refused("no place on Earth", flat, write_landxml(tmp_path / "far.xml", far, HALVES), "--out", out)
    bomb = tmp_path / "bomb.xml"
    bomb.write_text('<!DOCTYPE b [<!ENTITY a "aaaa"><!ENTITY c "&a;&a;&a;">]><LandXML>&c;</LandXML>')
    refused("declares a document type", flat, bomb, "--out", out)
    text = tmp_path / "text.dxf"
    text.write_text("no drawing at all\n")
    refused("can't be read as DXF", flat, text, "--out", out)
    nan = [(x, y, math.nan if i == 2 else z) for i, (x, y, z) in enumerate(ROOF)]
    refused("isn't finite", flat, drawn(tmp_path / "nan.dxf", "3dface", vertices=nan), "--out", out)
    assert not out.exists()


def test_design_drawing_whose_blocks_would_swell_is_left_closed(flat, tmp_path, out):
    """Ten blocks, each ten times the next: ten thousand million faces if they were followed."""
    document = ezdxf.new("R2010", units=6)
    document.blocks.new("B0").add_3dface([(EAST, NORTH, 1), (EAST + 1, NORTH, 1), (EAST, NORTH + 1, 1)])
    for level in range(1, 11):
        block = document.blocks.new(f"B{level}")
        for k in range(10):
            block.add_blockref(f"B{level - 1}", (k, 0))
    document.modelspace().add_blockref("B10", (0, 0))
    document.saveas(tmp_path / "blocks.dxf")
    refused("it has 1 references to blocks: explode them", flat, tmp_path / "blocks.dxf", "--out", out)


def test_design_drawing_needs_its_library(flat, tmp_path, out, monkeypatch):
    path = drawn(tmp_path / "a.dxf", "mesh")
    monkeypatch.setitem(sys.modules, "ezdxf", None)
    refused("pip install 'cloudprep[dxf]'", flat, path, "--out", out)


def test_design_never_writes_over_its_inputs(flat, tmp_path, out):
    """Nor over the axis, which a link in the folder of results leads to."""
    design = write_landxml(tmp_path / "d.xml", SQUARE, HALVES)
    axis = write_axis(tmp_path / "axis.gpkg", [(0, 55), (100, 55)])
    areas = write_areas(tmp_path / "areas.gpkg", [shapely.box(10, 10, 90, 90)], name=["a"])
    before = [path.read_bytes() for path in (design, axis, areas)]
    out.mkdir()
    for name, path in (("stations.csv", axis), ("design.csv", areas), ("design.png", design)):
        (out / name).hardlink_to(path)
        more = ("--axis", axis, "--boundary", areas)
        refused(f"{name}: is an input; inputs are never changed", flat, design, "--out", out, *more)
        assert [one.name for one in out.iterdir()] == [name]
        (out / name).unlink()
    assert [path.read_bytes() for path in (design, axis, areas)] == before


def test_design_axes_that_can_t_be_used(flat, tmp_path, out):
    design = write_landxml(tmp_path / "d.xml", SQUARE, HALVES)
    axis = write_axis(tmp_path / "far.gpkg", [(150, 150), (160, 150)])
    refused(
        "none of its 1 lines crosses d.xml", flat, design, "--out", out, "--axis", axis, "--corridor-width", 9
    )
    axis = write_axis(tmp_path / "axis.gpkg", [(50, 55), (60, 55)])
    refused(
        "must name two or more within it", flat, design, "--out", out, "--axis", axis, "--stations", "0,11"
    )
    refused("give metres with commas", flat, design, "--out", out, "--axis", axis, "--stations", "0;5")
    refused("--stations are along --axis", flat, design, "--out", out, "--stations", "0,5")
    long = write_axis(tmp_path / "long.gpkg", [(0, 55), (100, 55)])
    refused("larger --station-step", flat, design, "--out", out, "--axis", long, "--station-step", "0.001")
    areas = write_areas(tmp_path / "far_areas.gpkg", [shapely.box(100, 100, 120, 120)], name=["a"])
    refused("none of its areas touches d.xml", flat, design, "--out", out, "--boundary", areas)

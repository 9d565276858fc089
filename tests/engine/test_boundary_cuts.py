"""A run with a boundary: what is inside is as it would be without, what is outside is not delivered."""

import contextlib

import laspy
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from pyproj import Transformer

from cloudprep.engine.area import Region
from cloudprep.engine.clipping import clipped_layer
from cloudprep.errors import UsageError
from cloudprep.model.layer import Layer

EAST, NORTH = 412_000.0, 5_654_000.0
# A slanted pentagon with a hole, so that no edge runs along cells.
SHAPE = shapely.Polygon(
    [(12.3, 10.1), (47.7, 14.9), (50.2, 40.3), (30.4, 51.8), (9.9, 36.6)],
    [[(25.1, 25.2), (31.3, 26.1), (28.4, 32.7)]],
)
PIPELINE = """
cloudprep: 1
stages:
  - stage: terrain_grid
    cell: 1.0
"""


@pytest.fixture
def site(tmp_path):
    """Write a polygon (metres from the south-western corner of the clouds) and return the file."""

    def write(shape=SHAPE, name="site.gpkg", epsg=32632, layer="site"):
        moved = shapely.transform(shape, lambda xy: xy + np.array([EAST, NORTH]))
        if epsg not in (None, 32632):
            change = Transformer.from_crs(32632, epsg, always_xy=True)
            moved = shapely.transform(moved, lambda xy: np.column_stack(change.transform(*xy.T)))
        pyogrio.raw.write(
            tmp_path / name,
            shapely.to_wkb(np.array([moved], object)),
            [],
            np.array([], object),
            layer=layer,
            driver="GPKG",
            geometry_type=moved.geom_type,
            crs=None if epsg is None else f"EPSG:{epsg}",
        )
        return tmp_path / name

    return write


@pytest.fixture
def cut(run, pipeline_file, site):
    """Run with a boundary section; returns outcome and folder."""

    def go(*inputs, out="out", boundary="", file=None, more="", **options):
        where = file or site()
        text = f"{PIPELINE}{more}\nboundary: {{file: {where.name}{boundary}}}\n"
        return run(*inputs, pipeline=pipeline_file(text), out=out, **options)

    return go


def raster(folder, name="dtm"):
    with rasterio.open(folder / "terrain" / f"{name}.tif") as file:
        return file.read(1), file.transform, file.nodata


def inside(x, y):
    return shapely.intersects_xy(SHAPE, x - EAST, y - NORTH)


def on_sites_cells(values, transform, nothing):
    """Return a raster on 70 x 70 cells of 1 m from 5 m south-west of the clouds, north up."""
    whole = np.full((70, 70), nothing, values.dtype)
    column, row = round(transform.c - EAST) + 5, 65 - round(transform.f - NORTH)
    whole[row : row + values.shape[0], column : column + values.shape[1]] = values
    return whole


@pytest.mark.parametrize("name", ["dtm", "dtm_source"])
def test_rasters_hold_nothing_outside_and_the_same_inside(clouds, run, cut, pipeline_file, name):
    flight = clouds.write()
    _, plain = run(flight, pipeline=pipeline_file(PIPELINE), out="plain")
    _, out = cut(flight)
    before, after = (on_sites_cells(*raster(folder, name)) for folder in (plain, out))
    x, y = np.meshgrid(EAST - 5 + np.arange(70) + 0.5, NORTH + 65 - np.arange(70) - 0.5)
    held = inside(x, y)
    assert 700 < held.sum() < 1500
    assert np.array_equal(after[held], before[held])
    assert (after[~held] == raster(out, name)[2]).all()
    assert (before[~held] != raster(out, name)[2]).sum() > 1000
    # No margin of nothing is delivered.
    assert raster(out, name)[0].shape == (42, 42)


def test_clouds_come_without_the_points_outside_and_sources_stay(clouds, cut, record_of):
    flight = clouds.write()
    before = flight.read_bytes()
    outcome, out = cut(flight)
    assert flight.read_bytes() == before
    source, made = laspy.read(flight), laspy.read(out / "clouds/flight.laz")
    held = inside(np.asarray(source.x), np.asarray(source.y))
    assert np.array_equal(made.points.array, source.points.array[held])
    record = record_of(out)
    number = int((~held).sum())
    assert record["boundary"]["outside_points"] == record["inputs"][0]["outside_points"] == number
    assert record["outputs"][0]["points"] == held.sum()
    words = f"{number:,} points outside the boundary are left out of the clouds; the inputs still have them"
    assert words in outcome.lines
    assert np.allclose(made.header.mins, [made.x.min(), made.y.min(), made.z.min()], atol=1e-9)


def test_clouds_may_be_delivered_whole(clouds, cut, record_of):
    flight = clouds.write()
    outcome, out = cut(flight, boundary=", clouds: whole, buffer: 2")
    assert np.array_equal(laspy.read(out / "clouds/flight.laz").points.array, laspy.read(flight).points.array)
    assert record_of(out)["boundary"]["outside_points"] == 0
    assert not any("outside the boundary" in line for line in outcome.lines)


def test_noise_and_points_outside_are_counted_apart(clouds, run, cut, pipeline_file, record_of):
    columns = clouds.columns()
    columns["classification"][::10] = 7
    flight = clouds.write(columns=columns)
    outcome, out = cut(flight, more="output: {drop_noise: true}")
    held = inside(columns["x"] + EAST, columns["y"] + NORTH)
    noise = int((held & (columns["classification"] == 7)).sum())
    assert record_of(out)["inputs"][0]["outside_points"] == (~held).sum()
    assert any(line.startswith(f"{noise:,} noise points are left out") for line in outcome.lines)


def test_points_beyond_the_buffer_are_used_for_nothing(clouds, cut, record_of):
    columns = clouds.columns()
    far = shapely.distance(SHAPE, shapely.points(columns["x"], columns["y"])) > 4.01
    _, first = cut(clouds.write(columns=columns), boundary=", buffer: 4", out="first")
    other = {name: values.copy() for name, values in columns.items()}
    other["z"][far] += 25
    other["classification"][far] = 2
    _, second = cut(clouds.write(columns=other), boundary=", buffer: 4", out="second")
    for name in ("dtm", "dtm_source"):
        one, two = ((f / "terrain" / f"{name}.tif").read_bytes() for f in (first, second))
        assert one == two
    record = record_of(second)
    unused = record["boundary"]["unused_points"]
    assert far.sum() <= unused <= far.sum() + 30  # a circle of 64 corners leaves a sliver of the buffer out
    assert record["inputs"][0]["unused_points"] == unused
    assert record["site"]["points"] == len(far) - unused


def test_points_beyond_keep_their_labels_in_whole_clouds(clouds, run, site, pipeline_file, labels_of):
    columns = clouds.columns()
    flight = clouds.write(columns=columns)
    text = "cloudprep: 1\nstages:\n- stage: progressive_ground\n"
    text += "boundary: {file: site.gpkg, buffer: 3, clouds: whole}\n"
    site()
    _, out = run(flight, pipeline=pipeline_file(text))
    found = labels_of(out / "clouds/flight.laz")
    far = shapely.distance(SHAPE, shapely.points(columns["x"], columns["y"])) > 3.01
    assert np.array_equal(found[far], columns["classification"][far])
    assert (found[~far] != columns["classification"][~far]).sum() > 500


@pytest.mark.parametrize("boundary", ["", ", buffer: 4", ", buffer: 0, clouds: whole"])
def test_a_site_in_files_gives_the_same_bytes(clouds, cut, site, boundary, record_of):
    columns = clouds.columns()
    columns["x"][5] += 90_000.0  # a stray point
    flights = [
        clouds.write("a.laz", columns, rows=slice(0, 2000)),
        clouds.write("b.laz", columns, rows=slice(2000, None)),
    ]
    told, file = [], site()
    for out, options in (("memory", {}), ("files", {"block_points": 400})):
        _, folder = cut(*flights, boundary=boundary, out=out, file=file, **options)
        record = record_of(folder)
        told.append([(o["path"], o["sha256"]) for o in record["outputs"] if o["kind"] != "report"])
        told.append([record["boundary"], record["figures"], record["site"], record["stages"][0]["classes"]])
    assert told[0] == told[2]
    assert told[1] == told[3]


def test_points_beyond_carry_no_extra_labels_wherever_points_are_held(clouds, run, site, pipeline_file):
    columns = clouds.columns()
    columns["classification"][:] = 2
    flight = clouds.write(columns=columns)
    site()
    text = f"{PIPELINE}  - stage: height_above_ground\n"
    text += "boundary: {file: site.gpkg, buffer: 3, clouds: whole}\n"
    found = []
    for out, options in (("memory", {}), ("files", {"block_points": 400})):
        _, folder = run(flight, pipeline=pipeline_file(text), out=out, **options)
        found.append(np.asarray(laspy.read(folder / "clouds/flight.laz")["height_above_ground"]))
    far = shapely.distance(SHAPE, shapely.points(columns["x"], columns["y"])) > 3.01
    assert np.array_equal(found[0], found[1], equal_nan=True)
    assert (found[0][far] == -9999).all()
    assert len(np.unique(found[0][~far])) > 100


def test_a_boundary_in_degrees_is_brought_to_the_clouds(clouds, cut, site):
    flight = clouds.write()
    _, out = cut(flight)
    _, other = cut(flight, file=site(name="degrees.gpkg", epsg=4326), out="other")
    assert np.array_equal(raster(out)[0], raster(other)[0])


def test_a_boundary_named_on_the_command_wins(clouds, run, site, pipeline_file, record_of):
    path = site()
    text = f"{PIPELINE}\nboundary: {{file: nowhere.gpkg, buffer: 7}}\n"
    _, out = run(clouds.write(), pipeline=pipeline_file(text), boundary=path)
    record = record_of(out)
    assert record["boundary"]["file"] == str(path)
    assert record["pipeline"]["boundary"]["file"] == str(path)
    assert record["boundary"]["buffer_m"] == 7
    assert record["boundary"]["area_m2"] == pytest.approx(SHAPE.area, rel=1e-9)


def test_a_flight_outside_is_not_delivered_and_said_so(clouds, cut, record_of):
    far = clouds.columns()
    far["x"] = far["x"] + 300
    near, away = clouds.write("near.laz"), clouds.write("away.laz", far)
    outcome, out = cut(near, away)
    assert outcome.exit_code == 0
    assert [p.name for p in (out / "clouds").iterdir()] == ["near.laz"]
    record = record_of(out)
    assert [i["outside_points"] for i in record["inputs"]][1] == len(far["x"])
    assert any("away.laz: no point lies within the boundary" in w for w in record["warnings"])
    assert not any("noise points are left out" in line for line in outcome.lines)


BOW_TIE = shapely.Polygon([(10, 10), (50, 50), (50, 10), (10, 50)])


@pytest.mark.parametrize(
    ("written", "words"),
    [
        ({"epsg": None}, "states no reference system"),
        ({"shape": BOW_TIE}, "crosses itself"),
        ({"shape": shapely.box(9000, 9000, 9100, 9100)}, "lies outside the clouds"),
        ({"shape": shapely.LineString([(0, 0), (50, 50)])}, "polygons are wanted"),
        (None, "no such file"),
    ],
    ids=["no system", "self-crossing", "elsewhere", "line", "missing"],
)
def test_a_boundary_that_is_no_good_is_one_line_and_nothing_is_written(
    clouds, cut, site, tmp_path, written, words
):
    bare = written == {"epsg": None}
    with pytest.warns(UserWarning, match="crs") if bare else contextlib.nullcontext():
        file = tmp_path / "missing.gpkg" if written is None else site(**written)
    with pytest.raises(UsageError, match=words) as caught:
        cut(clouds.write(), file=file)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith("boundary: ")
    assert not (tmp_path / "out").exists()


def test_a_layer_must_be_named_where_there_are_several(clouds, cut, site):
    file = site()
    site(layer="other")
    with pytest.raises(UsageError, match="has 2 layers"):
        cut(clouds.write(), file=file)
    _, out = cut(clouds.write(), file=file, boundary=", layer: other")
    assert raster(out)[0].shape == (42, 42)


def test_a_finished_run_is_not_emptied_by_a_boundary_elsewhere(clouds, cut, site):
    _, out = cut(clouds.write())
    before = sorted(p.name for p in out.rglob("*"))
    with pytest.raises(UsageError, match="outside the clouds"):
        cut(
            clouds.write(),
            file=site(shapely.box(9000, 9000, 9100, 9100), name="far.gpkg"),
            overwrite=True,
        )
    assert sorted(p.name for p in out.rglob("*")) == before


def test_layers_are_cut_and_their_measures_follow():
    region = Region(shapely.box(100, 100, 110, 110))
    origin = (90.0, 90.0)

    def layer(kind, shapes, **attributes):
        found = np.empty(len(shapes), object)
        found[:] = shapes
        return Layer("x", kind, found, {n: np.asarray(v) for n, v in attributes.items()})

    squares = layer(
        "polygon",
        [
            shapely.box(12, 12, 14, 14),
            shapely.box(18, 12, 24, 14),
            shapely.box(30, 30, 31, 31),
            shapely.box(20, 10, 22, 12),
        ],
        area_m2=[4.0, 12.0, 1.0, 4.0],
        number=[1, 2, 3, 4],
    )
    found = clipped_layer(squares, region, origin)
    assert list(found.attributes["number"]) == [1, 2]  # the last one only touches
    assert list(found.attributes["area_m2"]) == [4.0, 4.0]
    lines = layer("line", [shapely.LineString([(5, 15, 0), (25, 15, 20)])], height=[3.0])
    cut = clipped_layer(lines, region, origin)
    assert shapely.get_coordinates(cut.geometries[0], include_z=True).tolist() == [[10, 15, 5], [20, 15, 15]]
    points = layer("point", [shapely.Point(15, 15, 7), shapely.Point(25, 15, 7)], height=[1.0, 2.0])
    assert list(clipped_layer(points, region, origin).attributes["height"]) == [1.0]


def test_regions_agree_with_a_general_library():
    # shapely's own predicate is the judge; places on corners and edges count as inside.
    rng = np.random.default_rng(3)
    angles = np.sort(rng.random(60)) * 2 * np.pi
    star = shapely.Polygon(
        np.c_[np.cos(angles), np.sin(angles)] * rng.uniform(30, 80, (60, 1)) + (EAST, NORTH)
    )
    shape = shapely.union_all([star.buffer(0), shapely.box(EAST + 100, NORTH, EAST + 120, NORTH + 1)])
    x, y = rng.uniform(-150, 150, (2, 200_000)) + np.array([[EAST], [NORTH]])
    corners = shapely.get_coordinates(shape)
    x, y = np.r_[x, corners[:, 0], 1e300, -1e300, EAST], np.r_[y, corners[:, 1], NORTH, NORTH, np.nan]
    found = Region(shape).holds(x, y)
    assert np.array_equal(found, shapely.intersects_xy(shape, x, y))
    assert 10_000 < found.sum() < 150_000
    assert found[200_000:-3].all()


def test_workers_of_a_cluster_give_the_same_bytes(clouds, cut, site, told, cluster):
    flight, file = clouds.write(), site()
    boundary = ", buffer: 4"
    _, plain = cut(flight, boundary=boundary, file=file, out="plain")
    options = {"engine": "dask", "scheduler": cluster(2, 1), "block_points": 400}
    _, out = cut(flight, boundary=boundary, file=file, out="cluster", **options)
    assert told(out) == told(plain)


def test_the_plan_counts_rasters_about_the_boundary_only(clouds, run, pipeline_file, site):
    # 20 km of flight, a cell of 5 cm: the whole would be refused as too many cells.
    columns = clouds.columns()
    columns["x"] = columns["x"] * 400
    plan = """
cloudprep: 1
stages:
  - stage: terrain_grid
    cell: 0.05
boundary: {file: %s, buffer: 30}
"""
    small = site(shapely.box(10, 10, 50, 50), name="small.gpkg")
    flight = clouds.write(columns=columns)
    site(shapely.box(0, 0, 24_000, 60), name="all.gpkg")
    with pytest.raises(UsageError, match="million cells"):
        run(flight, pipeline=pipeline_file(plan % "all.gpkg"), out="all")
    outcome, out = run(flight, pipeline=pipeline_file(plan % small.name))
    assert outcome.exit_code == 0
    rows, columns = raster(out)[0].shape  # few points lie there, and none on the northern edge
    assert columns == 800
    assert 400 < rows <= 800


def test_clouds_in_feet_are_cut_by_a_boundary_in_degrees(clouds, run, tmp_path, pipeline_file, record_of):
    # California zone 6, US survey feet; a square of 100 by 80 feet of the plan, written in degrees.
    foot = 1200 / 3937
    east, north = 6_200_000, 1_800_000
    flight = clouds.write(epsg=2230, unit=foot, east=east * foot, north=north * foot)
    change = Transformer.from_crs(2230, 4326, always_xy=True)
    square = shapely.segmentize(shapely.box(east + 20, north + 30, east + 120, north + 110), 1.0)
    degrees = shapely.transform(square, lambda xy: np.column_stack(change.transform(*xy.T)))
    pyogrio.raw.write(
        tmp_path / "square.gpkg",
        shapely.to_wkb(np.array([degrees], object)),
        [],
        np.array([], object),
        driver="GPKG",
        geometry_type="Polygon",
        crs="EPSG:4326",
    )
    text = f"{PIPELINE}output: {{tile_index: true}}\nboundary: {{file: square.gpkg, buffer: 5}}\n"
    _, out = run(flight, pipeline=pipeline_file(text))
    source, made = laspy.read(flight), laspy.read(out / "clouds/flight.laz")
    x, y = np.asarray(source.x) - east, np.asarray(source.y) - north
    margin = np.minimum.reduce([x - 20, 120 - x, y - 30, 110 - y])
    sure = np.abs(margin) > 0.01  # a hundredth of a foot, for the way to degrees and back
    assert len(made.points) == pytest.approx((margin > 0).sum(), abs=int((~sure).sum()))
    assert record_of(out)["boundary"]["area_m2"] == pytest.approx(8000 * foot**2, rel=1e-5)
    values, place, nothing = raster(out)
    rows, columns = np.nonzero(values != nothing)
    x, y = place.c - east + (columns + 0.5) * place.a, place.f - north + (rows + 0.5) * place.e
    assert x.min() > 20 - 0.01
    assert x.max() < 120 + 0.01
    assert y.min() > 30 - 0.01
    assert y.max() < 110 + 0.01
    assert len(rows) == pytest.approx(8000 * foot**2, rel=0.1)
    _, _, wkb, _ = pyogrio.raw.read(out / "terrain/index.gpkg", layer="clouds")
    assert shapely.from_wkb(wkb[0]).bounds == pytest.approx(
        (made.x.min(), made.y.min(), made.x.max(), made.y.max()), abs=1e-3
    )


@pytest.mark.parametrize("name", ["layers.gpkg", "index.gpkg"])
def test_a_boundary_that_the_run_would_write_over_is_refused(
    clouds, run, site, pipeline_file, tmp_path, name
):
    (tmp_path / "out" / "terrain").mkdir(parents=True)
    path = site().rename(tmp_path / "out" / "terrain" / name)
    before = path.read_bytes()
    with pytest.raises(UsageError, match="inputs are never changed"):
        run(clouds.write(), pipeline=pipeline_file(PIPELINE), boundary=path)
    assert path.read_bytes() == before

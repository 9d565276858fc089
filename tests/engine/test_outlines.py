"""The outline of a flight holds its points and little else, and nothing but the points decides it."""

import numpy as np
import pytest
import shapely
from pyproj import CRS

from cloudprep.engine.outline import Outline, outline_text
from cloudprep.model.bounds import NOWHERE, Bounds

FOOT = 0.3048


def tilted(seed=3, count=40_000, length=900.0, width=250.0, turn=25.0):
    """Points of a flight that crosses the lattice at an angle, and the rectangle they fill."""
    draw = np.random.default_rng(seed)
    along, across = draw.uniform(0, length, count), draw.uniform(0, width, count)
    c, s = np.cos(np.deg2rad(turn)), np.sin(np.deg2rad(turn))
    corners = [(0, 0), (length, 0), (length, width), (0, width)]
    rectangle = shapely.Polygon([(412e3 + a * c - b * s, 5654e3 + a * s + b * c) for a, b in corners])
    return 412e3 + along * c - across * s, 5654e3 + along * s + across * c, rectangle


def bounds(x, y):
    return Bounds(x.min(), y.min(), x.max(), y.max())


def outline_of(x, y, pieces=1):
    outline = Outline()
    for a, b in zip(np.array_split(x, pieces), np.array_split(y, pieces), strict=True):
        outline.add(a, b)
    return outline


def test_it_holds_every_point_and_the_rectangle_flown_within_a_cell():
    x, y, rectangle = tilted()
    found = outline_of(x, y).polygon(bounds(x, y))
    assert shapely.covers(found, shapely.points(x, y)).all()
    # 40,000 points on 22.5 ha: cells of 8 m (6,000 at most, four points in each).
    assert found.within(rectangle.buffer(8 * np.sqrt(2) + 0.01))
    assert rectangle.buffer(-4).within(found)
    assert len(found.geoms) == 1
    assert not found.geoms[0].interiors


def test_order_and_pieces_change_nothing():
    x, y, _ = tilted(count=200_000, length=30_000.0)
    box = bounds(x, y)
    whole = outline_text(outline_of(x, y), box, 1.0)
    shuffled = np.random.default_rng(0).permutation(len(x))
    assert outline_text(outline_of(x[shuffled], y[shuffled], pieces=17), box, 1.0) == whole
    assert len(whole) < 20_000


def test_what_lies_apart_is_a_part_and_what_is_far_out_of_the_extent_is_none():
    x, y, _ = tilted()
    other = x + 50_000.0
    box = bounds(np.r_[x, other], y)
    found = outline_of(np.r_[x, other], np.r_[y, y]).polygon(box)
    assert len(found.geoms) == 2
    stray = outline_of(np.r_[x, 9e8, -2e12], np.r_[y, 1e9, 3e12]).polygon(bounds(x, y))
    assert stray.equals(outline_of(x, y).polygon(bounds(x, y)))


def test_a_lake_stays_open():
    x, y, _ = tilted(count=400_000)
    middle = shapely.Point(x.mean(), y.mean())
    dry = np.hypot(x - middle.x, y - middle.y) > 60
    found = outline_of(x[dry], y[dry]).polygon(bounds(x, y))
    assert not found.contains(middle)


@pytest.mark.parametrize("count", [1, 2, 3])
def test_a_few_points_have_an_outline_with_an_area(count):
    x, y = np.full(count, 412_001.5), 5_654_001.5 + 10.0 * np.arange(count)
    found = outline_of(x, y).polygon(bounds(x, y))
    assert found.is_valid
    assert found.area > 0


def test_no_point_no_outline():
    assert outline_of(np.array([1.0]), np.array([1.0])).polygon(NOWHERE).is_empty
    assert outline_text(Outline(), Bounds(0, 0, 1, 1), 1.0) == ""


def test_a_run_records_it_in_the_unit_of_the_cloud_with_its_reference_system(clouds, run, record_of):
    flight = clouds.write("foot.laz", unit=FOOT, epsg="EPSG:32632+5773")
    _, out = run(flight)
    record = record_of(out)
    (one,) = record["inputs"]
    found = shapely.from_wkt(one["outline"])
    west, south, east, north = record["site"]["bounds"]
    assert found.bounds == pytest.approx((west, south, east, north), abs=0.002)
    assert west > 412_000 - 1
    text = record["reference_systems"][one["reference_system"]]
    assert CRS.from_wkt(text).sub_crs_list[0].to_epsg() == 32632


def test_points_on_disk_have_the_same(clouds, run, record_of):
    flights = [clouds.write("a.laz"), clouds.write("b.laz", east=412_060.0)]
    outlines = []
    for name, options in (("memory", {}), ("disk", {"block_points": 2_000})):
        _, out = run(*flights, out=name, **options)
        outlines.append([i["outline"] for i in record_of(out)["inputs"]])
    assert outlines[0] == outlines[1]
    assert all(outlines[0])


def test_a_flight_that_fails_has_none(clouds, run, record_of):
    good, bad = clouds.write("good.laz"), clouds.write("bad.laz", east=412_060.0)
    data = bytearray(bad.read_bytes())
    data[:4] = b"LASX"
    bad.write_bytes(data)
    _, out = run(good, bad)
    by_name = {i["status"]: i["outline"] for i in record_of(out)["inputs"]}
    assert by_name["failed"] == ""
    assert by_name["done"]

"""Contours against exact geometry, against another library's, and on real terrain.

Planes, cones and hemispheres have contours that anyone can write down: straight lines, circles of radius
``(top - level) / slope`` and ``sqrt(R^2 - level^2)``. contourpy (BSD-3-Clause) traces contours of its own.
"""

import laspy
import numpy as np
import pytest
import shapely
from contourpy import contour_generator

from cloudprep.model.bounds import Bounds
from cloudprep.model.grid import Grid
from cloudprep.model.site import SiteFacts
from cloudprep.stages.lines.contours import Contours, ContoursParams
from cloudprep.stages.lines.terrain_tin import TerrainTin, TerrainTinParams
from cloudprep.stages.surface.terrain_grid import TerrainGrid, TerrainGridParams
from cloudprep.testing import facts_of, run_stage

SIDE = 120.0


def drawn(height, cell=0.5, **parameters):
    """Return the layer of contours of ``height(x, y)`` over a square about the origin."""
    bounds = Bounds(0.0, 0.0, SIDE, SIDE)
    site = SiteFacts(1, bounds, 0.0, 50.0, cell / 1.4, True, cell=cell)
    window = site.lattice(cell).window(bounds)
    along = (np.arange(window.columns) + 0.5) * cell
    x, y = np.meshgrid(along, along)
    return traced(Grid("dtm", height(x - SIDE / 2, y - SIDE / 2), window, ""), site, **parameters)


def traced(grid, site, **parameters):
    stage = Contours(ContoursParams(**parameters)).resolved(site)
    stage.rasters = {"dtm": grid}
    return stage.from_rasters(site).layers[0]


def about_the_middle(line):
    return shapely.get_coordinates(line) - SIDE / 2


@pytest.mark.parametrize("smoothing", [None, 0.0])
def test_contours_of_a_plane_are_straight_and_where_they_should_be(smoothing):
    layer = drawn(lambda x, y: 20 + 0.2 * x - 0.1 * y, interval=1.0, smoothing=smoothing)
    assert len(layer) > 30
    for line, level in zip(layer.geometries, layer.attributes["elevation"], strict=True):
        x, y = about_the_middle(line).T
        assert np.abs(20 + 0.2 * x - 0.1 * y - level).max() < 1e-6
        assert len(x) <= 2 + line.length / (64 * 0.5) * 3  # hardly more than its ends


def test_contours_of_a_cone_are_circles():
    layer = drawn(lambda x, y: 40 - np.hypot(x, y), interval=5.0, smoothing=0.0, thinning=0.0)
    rings = layer.attributes["closed"]
    assert layer.attributes["elevation"][rings].tolist() == [-15, -10, -5, 0, 5, 10, 15, 20, 25, 30, 35]
    for line, level in zip(layer.geometries[rings], layer.attributes["elevation"][rings], strict=True):
        radius = np.hypot(*about_the_middle(line).T)
        # A chord of at most a cell's diagonal, and linear heights within cells.
        sag = 0.5 * 0.5**2 / (40 - level)
        assert np.abs(radius - (40 - level)).max() < sag
        assert shapely.Polygon(line).area == pytest.approx(np.pi * (40 - level) ** 2, rel=0.003)
        assert not layer.attributes["depression"][rings].any()


def test_contours_of_a_bowl_are_circles_and_depressions():
    layer = drawn(
        lambda x, y: 60 - np.sqrt(np.maximum(50.0**2 - x * x - y * y, 0)), interval=5.0, largest_change=0.1
    )
    inner = layer.attributes["closed"] & (layer.attributes["elevation"] <= 50)
    assert layer.attributes["elevation"][inner].tolist() == [15, 20, 25, 30, 35, 40, 45, 50]
    assert layer.attributes["depression"][inner].all()
    for line, level in zip(layer.geometries[inner], layer.attributes["elevation"][inner], strict=True):
        radius = np.sqrt(50.0**2 - (60 - level) ** 2)
        # Thinned by a tenth of a cell; smoothing lifts a bowl's heights by its curvature x deviation^2.
        slope = radius / (60 - level)
        lifted = 0.5**2 * (1 / (60 - level) + radius**2 / (60 - level) ** 3) / slope
        assert np.abs(np.hypot(*about_the_middle(line).T) - radius).max() < 0.05 + 1.5 * lifted
    assert layer.attributes["kind"][inner].tolist() == [
        "index" if level % 25 == 0 else "intermediate" for level in layer.attributes["elevation"][inner]
    ]


def test_lines_are_those_of_another_library():
    rng = np.random.default_rng(5)
    y, x = np.mgrid[:80, :100] * 1.0
    z = 6 * np.sin(x / 11) * np.cos(y / 7) + rng.normal(0, 0.3, x.shape)
    z[30:36, 40:50] = np.nan
    site = SiteFacts(1, Bounds(0.0, 0.0, 100.0, 80.0), -7.0, 7.0, 0.7, True, cell=1.0)
    grid = Grid("dtm", z, site.lattice(1.0).window(site.bounds), "")
    layer = traced(grid, site, interval=1.0, smoothing=0.0, thinning=0.0, shortest=0.0)
    theirs = contour_generator(x + 0.5, y + 0.5, np.ma.masked_invalid(z), name="serial", corner_mask=False)
    for level in range(-6, 7):
        ours = layer.geometries[layer.attributes["elevation"] == level]
        lines = [shapely.LineString(line) for line in theirs.lines(level) if len(line) > 1]
        assert sum(l.length for l in lines) > 0
        # They settle saddles by the mean of the corners: some cells differ, and no vertex does.
        a = np.sort(shapely.get_coordinates(ours).view(complex).ravel())
        b = np.sort(shapely.get_coordinates(lines).view(complex).ravel())
        assert np.abs(np.unique(a.round(5)) - np.unique(b.round(5))).max() <= 2e-5
        assert sum(l.length for l in ours) == pytest.approx(sum(l.length for l in lines), rel=0.02)


@pytest.mark.network
@pytest.mark.parametrize("name", ["autzen_trim.laz", "file_with_both_wkt_and_geotiff_vlrs.las"])
def test_contours_and_triangles_of_real_terrain(real_clouds, name):
    """Real clouds with their producers' classes: no contour touches another; triangles are near."""
    cloud = laspy.read(real_clouds[name])
    unit = 0.3048 if name.startswith("autzen") else 1.0
    low = np.floor([cloud.x.min(), cloud.y.min()])
    columns = {
        "x": (np.asarray(cloud.x) - low[0]) * unit,
        "y": (np.asarray(cloud.y) - low[1]) * unit,
        "z": np.asarray(cloud.z) * unit,
        "classification": np.asarray(cloud.classification),
        "withheld": np.zeros(len(cloud.x), bool),
    }
    site = facts_of(columns, (0.0, 0.0))
    grid = run_stage(TerrainGrid(TerrainGridParams(cell=1.0)), columns, origin=(0.0, 0.0)).result.grids[0]
    for smoothing in (None, 0.0):
        layer = traced(grid, site, interval=0.25, smoothing=smoothing, shortest=5.0)
        assert len(layer) > 20
        a, b = shapely.STRtree(layer.geometries).query(layer.geometries, "intersects")
        assert (a == b).all()
        assert shapely.is_simple(layer.geometries).all()
    stage = TerrainTin(TerrainTinParams(tolerance=0.1)).resolved(site)
    stage.rasters = {"dtm": grid}
    figures = stage.from_rasters(site).figures
    assert figures["terrain_tin.largest_deviation"] <= 0.1
    assert figures["terrain_tin.vertex_share"] < 0.9

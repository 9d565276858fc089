"""Flat water held against the specification that agencies order by, the LAS standard, and a raster library.

USGS Lidar Base Specification, hydro-flattening: ponds and lakes of 2 acres or more (a round pond of some
350 feet across), rivers of 100 feet nominal width or more, permanent islands of 1 acre or more; ponds flat
and level, rivers level from bank to bank and falling downstream, both at or just below the ground around.
An acre is 43 560 square feet, a foot 0.3048 m (NIST Handbook 44, appendix C).
"""

import numpy as np
import pytest
import shapely
from affine import Affine
from rasterio.features import rasterize

from cloudprep.model.classes import ClassCode
from cloudprep.model.layer import Layer
from cloudprep.stages.water._painting import WATER_SOURCE
from cloudprep.stages.water.flat_water import FlatWater
from cloudprep.stages.water.water_points import WaterPoints
from cloudprep.testing import example_rasters, facts_of, run_stage

FOOT = 0.3048
ACRE = 43_560 * FOOT**2


def bank_points(polygon, level, seed=1):
    """Return ground that rises by a tenth from the lines of a polygon, within 8 m of them."""
    rng = np.random.default_rng(seed)
    x0, y0, x1, y1 = polygon.buffer(8).bounds
    x, y = rng.uniform([x0, y0], [x1, y1], (int(2 * (x1 - x0) * (y1 - y0)), 2)).T
    apart = shapely.distance(polygon, shapely.points(x, y))
    near = (apart > 0) & (apart < 8)
    x, y, apart = x[near], y[near], apart[near]
    z = level(x) + 0.1 * apart + rng.normal(0, 0.02, len(x))
    return {"x": x, "y": y, "z": z, "classification": np.full(len(x), 2, np.uint8)}


def flattened(polygon, level=lambda x: 30.0 + 0.0 * x, cell=1.0):
    cloud = bank_points(polygon, level)
    rasters = example_rasters(facts_of(cloud), ("dtm", "dtm_source"), cell)
    given = Layer("w", "polygon", np.array([polygon], object), {})
    return run_stage(FlatWater(), cloud, layers={"water": given}, rasters=rasters).result


@pytest.mark.parametrize(("feet", "flat"), [(350, 1), (330, 0)])
def test_a_round_pond_of_350_feet_is_flattened_and_one_of_330_is_not(feet, flat):
    pond = shapely.Point(100, 100).buffer(feet * FOOT / 2, quad_segs=64)
    assert (pond.area >= 2 * ACRE) == bool(flat)
    assert flattened(pond).figures["water.ponds"] == flat


@pytest.mark.parametrize(("feet", "flat"), [(102, 1), (98, 0)])
def test_a_river_of_100_feet_is_flattened_and_a_narrower_one_is_not(feet, flat):
    river = shapely.box(10, 50, 460, 50 + feet * FOOT)
    result = flattened(river, lambda x: 30.0 - 0.001 * x)
    assert result.figures["water.rivers"] == flat
    assert result.figures["water.ponds"] == 0


@pytest.mark.parametrize(("acres", "kept"), [(1.05, 1), (0.95, 0)])
def test_an_island_of_an_acre_is_kept_and_a_smaller_one_is_not(acres, kept):
    island = shapely.Point(150, 150).buffer(np.sqrt(acres * ACRE / np.pi), quad_segs=256)
    pond = shapely.Polygon(shapely.Point(150, 150).buffer(90).exterior, [island.exterior])
    result = flattened(pond)
    assert len(result.layers[0].geometries[0].interiors) == kept
    middle = next(g for g in result.grids if g.name == "dtm_source")
    column, row = 150 - round(middle.window.left), 150 - round(middle.window.bottom)
    assert (middle.values[row, column] != WATER_SOURCE) == bool(kept)


def test_water_lies_at_or_just_below_the_ground_around():
    pond = shapely.Point(100, 100).buffer(60, quad_segs=64)
    cloud = bank_points(pond, lambda x: 30.0 + 0.0 * x)
    level = flattened(pond).layers[0].attributes["highest"][0]
    apart = shapely.distance(pond, shapely.points(cloud["x"], cloud["y"]))
    assert level < np.median(cloud["z"][apart < 2])
    assert level == pytest.approx(30.0, abs=0.05)


def test_a_rivers_levels_fall_downstream():
    river = shapely.box(10, 50, 460, 90)
    result = flattened(river, lambda x: 30.0 - 0.001 * x)
    dtm, source = (g.values for g in result.grids)
    along = [np.unique(dtm[:, c][source[:, c] == WATER_SOURCE]) for c in range(dtm.shape[1])]
    levels = [float(v[0]) for v in along if len(v)]
    assert all(np.ptp(v) < 1e-5 for v in along if len(v))
    assert (np.diff(levels) <= 0).all()
    assert levels[0] - levels[-1] == pytest.approx(0.45, abs=0.08)


@pytest.mark.parametrize("cell", [0.5, 1.0, 2.0])
def test_the_cells_are_those_of_a_raster_library(cell):
    hole = shapely.Point(110, 95).buffer(np.sqrt(1.3 * ACRE / np.pi), quad_segs=5)
    shell = shapely.Point(100.3, 100.7).buffer(77.7, quad_segs=9)
    pond = shapely.Polygon(shell.exterior, [hole.exterior])
    source = next(g for g in flattened(pond, cell=cell).grids if g.name == "dtm_source")
    window = source.window
    onto = Affine(cell, 0, window.left, 0, cell, window.bottom)
    expected = rasterize([(pond, 1)], out_shape=window.shape, transform=onto, all_touched=False)
    assert np.array_equal(source.values == WATER_SOURCE, expected == 1)


def test_class_codes_are_those_of_the_standard():
    # ASPRS LAS 1.4-R15, table 17: 9 water, 20 ignored ground (breakline proximity).
    assert (int(ClassCode.WATER), int(ClassCode.IGNORED_GROUND)) == (9, 20)
    pond = shapely.Point(100, 100).buffer(60, quad_segs=64)
    cloud = bank_points(pond, lambda x: 30.0 + 0.0 * x)
    cloud = {n: np.r_[v, v[:50]] for n, v in cloud.items()}
    turn = np.linspace(0, 6, 50)
    cloud["x"][-50:], cloud["y"][-50:] = 100 + 30 * np.cos(turn), 100 + 30 * np.sin(turn)
    cloud["z"][-50:] = 30.1
    given = Layer("w", "polygon", np.array([pond], object), {})
    found = run_stage(WaterPoints(), cloud, layers={"water": given}).labels["classification"]
    assert set(found[-50:]) == {9}
    # Ground within one nominal point spacing of the line is ignored ground (metadata of a public terrain
    # model of a city, 2018).
    spacing = facts_of(cloud).spacing
    apart = shapely.distance(pond, shapely.points(cloud["x"], cloud["y"]))[:-50]
    assert set(found[:-50][apart < 0.99 * spacing]) == {20}
    assert set(found[:-50][apart > 1.01 * spacing]) == {2}

"""Proposals of water: found on a scene whose water is known, and none on dry places that look like it."""

from functools import cache

import numpy as np
import pytest
import shapely

from cloudprep.stages.water.find_water import FindWater, FindWaterParams
from cloudprep.testing import run_stage
from demo_clouds.scenes import scene
from demo_clouds.scenes.waterside import SIZE, waterside

# Not one that the stage was tuned on.
SEED = 7


@cache
def made(land_only=False):
    return waterside(SEED, land_only=land_only)


@cache
def proposed(land_only=False):
    return run_stage(FindWater(), made(land_only).scene.columns()).result


def overlap(layer, site):
    """Return shares of all places: proposed and wet, only proposed, only wet; and where they lie."""
    cloud = site.scene
    x, y = np.meshgrid(np.arange(cloud.x.min(), cloud.x.max()), np.arange(cloud.y.min(), cloud.y.max()))
    u, v = site.inward(x, y)
    flown = (u > 0) & (v > 0) & (u < SIZE[0]) & (v < SIZE[1])
    found = np.zeros(x.shape, bool)
    for polygon in layer.geometries:
        found |= shapely.contains_xy(polygon, x, y)
    return found & flown, (site.river(x, y) | site.pond(x, y)) & flown, u, v


def test_pond_and_river_are_found():
    # Measured: intersection over union 0.964.
    result = proposed()
    found, wet, _, _ = overlap(result.layers[0], made())
    assert np.count_nonzero(found & wet) / np.count_nonzero(found | wet) > 0.95
    assert sorted(result.layers[0].attributes["kind"]) == ["pond", "river"]


def test_the_island_is_left_out():
    holes = [len(shapely.get_parts(p)[0].interiors) for p in proposed().layers[0].geometries]
    assert sorted(holes) == [0, 1]


def test_levels_are_those_of_the_water():
    layer = proposed().layers[0]
    for polygon, level in zip(layer.geometries, layer.attributes["level"], strict=True):
        at = shapely.get_coordinates(shapely.point_on_surface(polygon))
        assert made().level(at[:, 0], at[:, 1])[0] == pytest.approx(level, abs=0.5)


def test_dry_places_that_look_like_water_are_not_proposed():
    found, _, u, v = overlap(proposed().layers[0], made())
    for name, (x0, y0, x1, y1) in made().traps.items():
        inside = (u > x0) & (u < x1) & (v > y0) & (v < y1)
        assert not found[inside].any(), name


def test_nothing_is_proposed_where_all_is_dry():
    assert len(proposed(land_only=True).layers[0]) == 0


@pytest.mark.parametrize("name", ["hall", "rolling", "stockpiles", "steep_forest"])
def test_nothing_is_proposed_on_land(name):
    assert len(run_stage(FindWater(), scene(name, SEED).columns()).result.layers[0]) == 0


def test_it_is_a_proposal_and_touches_nothing_else():
    layer = proposed().layers[0]
    assert layer.proposal
    assert FindWater.provides == ()
    assert FindWater.grids == ()


def test_blocks_do_not_show():
    columns = made().scene.columns()
    blocks = run_stage(FindWater(), columns, block_edge=61.0, workers=2).result.layers[0]
    assert (
        shapely.to_wkb(blocks.geometries).tolist() == shapely.to_wkb(proposed().layers[0].geometries).tolist()
    )


def test_a_cloud_without_intensity_still_shows_its_voids():
    columns = {n: v for n, v in made().scene.columns().items() if n != "intensity"}
    assert "pond" in run_stage(FindWater(), columns).result.layers[0].attributes["kind"]


def test_small_waters_are_left_out():
    run = run_stage(FindWater(FindWaterParams(least_area=50_000.0)), made().scene.columns())
    assert len(run.result.layers[0]) == 0

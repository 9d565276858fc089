"""Points on water and along its lines: which classes change, and which never do."""

import numpy as np
import pytest
import shapely

from cloudprep.model.layer import Layer
from cloudprep.stages.surface.terrain_grid import TerrainGrid
from cloudprep.stages.water.flat_water import FlatWater, FlatWaterParams
from cloudprep.stages.water.water_points import WaterPoints, WaterPointsParams
from cloudprep.testing import contract_checks, example_cloud, run_stage

SMALL = {"pond_area": 100.0, "river_width": 4.0, "island_area": 60.0}
POND = shapely.Point(40, 40).buffer(20, quad_segs=64)
LEVEL = 20.0


class SmallWaterPoints(WaterPoints):
    """The stage with limits so low that the waters of the example cloud count."""

    def __init__(self, params=None, reasons=None):
        super().__init__(
            params or WaterPointsParams(pond_area=50.0, river_width=2.0, island_area=5.0), reasons
        )


def layer(*polygons):
    return Layer("w", "polygon", np.array(polygons, dtype=object), {})


def cloud(seed=1, codes=2):
    """Return points of a bowl whose banks start at a pond's line, and waves on the pond."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 80, (2, 12_800))
    off = np.hypot(x - 40, y - 40) - 20
    z = LEVEL + np.clip(off, 0, None) * 0.2 + rng.normal(0, 0.03, len(x))
    return {"x": x, "y": y, "z": z, "classification": np.full(len(x), codes, np.uint8)}


def labelled(columns, given=None, **parameters):
    stage = WaterPoints(WaterPointsParams(**{**SMALL, **parameters}))
    return run_stage(stage, columns, layers={"water": given or layer(POND)})


def inside(columns):
    return np.hypot(columns["x"] - 40, columns["y"] - 40) < 19.99


def outside(columns, by=0.02):
    return np.hypot(columns["x"] - 40, columns["y"] - 40) > 20 + by


@pytest.mark.parametrize("code", [0, 1, 2])
def test_points_on_the_water_become_water(code):
    columns = cloud()
    columns["classification"][inside(columns)] = code
    run = labelled(columns)
    assert set(run.labels["classification"][inside(columns)]) == {9}
    assert run.result.figures["water.points"] == np.count_nonzero(run.labels["classification"] == 9)


@pytest.mark.parametrize("code", [3, 5, 6, 7, 17, 18, 64])
def test_other_classes_stay(code):
    columns = cloud()
    columns["classification"][inside(columns)] = code
    assert set(labelled(columns).labels["classification"][inside(columns)]) == {code}


def test_kept_classes_and_withheld_points_stay():
    columns = cloud()
    columns["classification"][inside(columns)] = 1
    kept = labelled(columns, keep_classes=(1,)).labels["classification"]
    assert set(kept[inside(columns)]) == {1}
    columns["withheld"] = inside(columns)
    assert set(labelled(columns).labels["classification"][inside(columns)]) == {1}


def test_what_stands_above_the_water_is_no_water():
    columns = cloud()
    boats = inside(columns) & (np.arange(len(columns["x"])) % 7 == 0)
    columns["z"][boats] += 3.0
    columns["classification"][boats] = 1
    rocks = inside(columns) & (np.arange(len(columns["x"])) % 11 == 0) & ~boats
    columns["z"][rocks] += 1.5
    found = labelled(columns).labels["classification"]
    assert set(found[boats]) == {1}
    assert set(found[rocks]) == {20}  # ground, but the water lies over it in the terrain


def test_ground_within_a_spacing_of_the_line_is_ignored_ground():
    columns = cloud()
    run = labelled(columns, line_distance=0.7)
    apart = np.hypot(columns["x"] - 40, columns["y"] - 40) - 20
    found = run.labels["classification"]
    assert set(found[(apart > 0.01) & (apart < 0.69)]) == {20}
    assert set(found[apart > 0.71]) == {2}
    # By default it is one point spacing: here 12 800 points on 6 400 m2.
    default = labelled(columns).labels["classification"]
    ignored = apart[default == 20]
    assert ignored.max() == pytest.approx(np.sqrt(0.5), abs=0.03)


def test_ground_on_an_island_too_small_to_keep_is_ignored():
    columns = cloud()
    small = shapely.Point(40, 40).buffer(3)
    given = layer(shapely.Polygon(POND.exterior, [small.exterior]))
    found = labelled(columns, given).labels["classification"]
    on_it = np.hypot(columns["x"] - 40, columns["y"] - 40) < 2.9
    assert set(found[on_it]) == {20}
    large = labelled(columns, given, island_area=5.0, line_distance=0.1).labels["classification"]
    assert set(large[np.hypot(columns["x"] - 40, columns["y"] - 40) < 2.8]) == {2}


def test_the_terrain_is_not_shaped_by_what_lies_on_the_water():
    columns = cloud()
    floats = inside(columns)
    columns["z"][floats] += 0.3  # waves, a film of foam: ground to a ground stage
    after = labelled(columns)
    both = {**columns, **after.labels}
    grids = {g.name: g for g in run_stage(TerrainGrid(), both).result.grids}
    flat = run_stage(FlatWater(FlatWaterParams(**SMALL)), both, layers={"water": layer(POND)}, rasters=grids)
    dtm, source = (g.values for g in flat.result.grids)
    wet = source == 4
    assert len(np.unique(dtm[wet])) == 1
    assert abs(float(dtm[wet][0]) - LEVEL) < 0.12


def test_both_stages_agree_on_the_levels():
    columns = cloud()
    first = WaterPoints(WaterPointsParams(**SMALL))
    labels = labelled(columns).labels
    run = run_stage(FlatWater(FlatWaterParams(**SMALL)), {**columns, **labels}, layers={"water": layer(POND)})
    before = run_stage(FlatWater(FlatWaterParams(**SMALL)), columns, layers={"water": layer(POND)})
    assert first.needs == FlatWater.needs
    a, b = (r.result.layers[0].attributes["highest"][0] for r in (run, before))
    assert a == b


@pytest.mark.parametrize(
    "check",
    [
        c
        for c in contract_checks()
        if c.__name__.split("_")[1] in ("leaves", "repeats", "order", "kilometres", "blocks")
    ],
    ids=lambda c: c.__name__,
)
def test_the_contract_holds_where_waters_count(check):
    check(SmallWaterPoints)


def test_the_contract_saw_waters():
    assert run_stage(SmallWaterPoints(), example_cloud()).result.figures["water.points"] > 50

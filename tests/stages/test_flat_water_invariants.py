"""Flat water: ponds level, rivers falling and level across, banks never below, islands kept."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from cloudprep.kernels.courses import along_course
from cloudprep.model.layer import Layer
from cloudprep.stages.water._centre_lines import centre_line
from cloudprep.stages.water._features import ACRE, FOOT
from cloudprep.stages.water.flat_water import FlatWater, FlatWaterParams
from cloudprep.testing import contract_checks, example_cloud, example_rasters, facts_of, run_stage

WET = 4
SIDE = 120.0
SMALL = {"pond_area": 100.0, "river_width": 4.0, "island_area": 60.0}


class SmallWaters(FlatWater):
    """The stage with limits so low that the waters of the example cloud count."""

    def __init__(self, params=None, reasons=None):
        params = params or FlatWaterParams(pond_area=50.0, river_width=2.0, island_area=5.0)
        super().__init__(params, reasons)


def valley(seed, *, fall=0.01, bend=6.0, half=6.0, noise=0.03, side=SIDE):
    """Return ground points of a winding valley, its river's polygon, and the exact level at places."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, side, (2, int(2.5 * side**2)))
    phase = rng.uniform(0, 6)

    def middle(x):
        return side / 2 + bend * np.sin(x / 25 + phase)

    def level(x):
        return 50.0 - fall * x

    off = np.abs(y - middle(x)) - half
    z = level(x) + np.clip(off, 0, None) * 0.15 + 0.1 * (off > 0)
    keep = off > 0
    cloud = {"x": x[keep], "y": y[keep], "z": (z + rng.normal(0, noise, len(z)))[keep]}
    cloud["classification"] = np.full(len(cloud["x"]), 2, np.uint8)
    at = np.arange(-10.0, side + 11, 2.0)
    river = shapely.Polygon(np.r_[np.c_[at, middle(at) - half], np.c_[at, middle(at) + half][::-1]])
    return cloud, river, level


def layer(*polygons, **attributes):
    return Layer("w", "polygon", np.array(polygons, dtype=object), attributes)


def rasters_of(cloud, cell=1.0, side=SIDE):
    """Return a terrain that is rough everywhere: what the water must put right."""
    made = example_rasters(facts_of(cloud), ("dtm", "dtm_source"), cell)
    window = made["dtm"].window
    rng = np.random.default_rng(1)
    values = (50.0 + rng.normal(0, 1.0, window.shape)).astype(np.float32)
    return {"dtm": replace(made["dtm"], values=values), "dtm_source": made["dtm_source"]}


def flattened(cloud, given, rasters=None, **parameters):
    rasters = rasters or rasters_of(cloud)
    run = run_stage(
        FlatWater(FlatWaterParams(**{**SMALL, **parameters})), cloud, layers={"water": given}, rasters=rasters
    )
    made = {g.name: g.values for g in run.result.grids}
    window = rasters["dtm"].window
    x = window.left + (np.arange(window.columns) + 0.5) * window.lattice.cell
    y = window.bottom + (np.arange(window.rows) + 0.5) * window.lattice.cell
    return run.result, made["dtm"], made["dtm_source"], np.meshgrid(x, y), rasters["dtm"].values


def neighbours_of(mask):
    wide = np.pad(mask, 1)
    found = np.zeros_like(mask)
    for r in range(3):
        for c in range(3):
            found |= wide[r : r + mask.shape[0], c : c + mask.shape[1]]
    return found & ~mask


def banks_stand_above(dtm, source):
    wet = source == WET
    for r, c in np.argwhere(neighbours_of(wet)):
        around = slice(max(r - 1, 0), r + 2), slice(max(c - 1, 0), c + 2)
        highest = dtm[around][wet[around]].max()
        assert dtm[r, c] >= highest


@settings(max_examples=12, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    fall=st.sampled_from([-0.02, -0.004, 0.004, 0.02]),
    bend=st.floats(0, 9),
    half=st.floats(4, 10),
)
def test_rivers_never_rise_downstream_and_banks_never_lie_below(seed, fall, bend, half):
    cloud, river, level = valley(seed, fall=fall, bend=bend, half=half)
    result, dtm, source, (x, _), before = flattened(cloud, layer(river))
    wet = source == WET
    banks_stand_above(dtm, source)
    water = result.layers[0]
    # Along the line of the water, corner by corner: the level is one function that never rises downstream.
    course = centre_line(river)
    if level(course[0, 0]) < level(course[-1, 0]):
        course = course[::-1]
    ring = shapely.get_coordinates(water.geometries, include_z=True)
    along, _ = along_course(ring[:, 0], ring[:, 1], course)
    order = np.argsort(along, kind="stable")
    assert (np.diff(ring[order, 2]) <= 1e-9).all()
    assert np.count_nonzero(wet) > 500
    # Right to within the noise and the foot of the bank, on average.
    off = dtm[wet] - level(x[wet])
    assert abs(off.mean()) < 0.25
    untouched = ~wet & ~neighbours_of(wet)
    assert np.array_equal(dtm[untouched], before[untouched])


def test_cells_along_the_course_never_rise():
    cloud, river, _ = valley(4, fall=0.003)
    _, dtm, source, (x, y), _ = flattened(cloud, layer(river))
    wet = source == WET
    along, _ = along_course(x[wet], y[wet], centre_line(river))
    order = np.argsort(along, kind="stable")
    assert (np.diff(dtm[wet][order]) <= 0).all()


def test_a_straight_river_is_level_from_bank_to_bank_to_the_bit():
    cloud, river, _ = valley(2, bend=0.0)
    _, dtm, source, _, _ = flattened(cloud, layer(river))
    for column in range(dtm.shape[1]):
        across = dtm[:, column][source[:, column] == WET]
        assert len(across) > 8
        assert np.ptp(across) <= 4e-6  # the centre line is straight to within rounding, and falls by 1 %


@pytest.mark.parametrize("fall", [-0.01, 0.01])
def test_the_direction_comes_from_the_heights(fall):
    cloud, river, level = valley(6, fall=fall)
    result, dtm, source, (x, _), _ = flattened(cloud, layer(river))
    wet = source == WET
    assert np.abs(dtm[wet] - level(x[wet])).max() < 0.3
    assert result.figures["water.rivers"] == 1


def test_a_single_wild_place_does_not_tilt_a_river():
    cloud, river, level = valley(8, fall=0.01)
    hole = (np.abs(cloud["x"] - 60) < 4) & (cloud["z"] < level(cloud["x"]) + 1.5)
    cloud["z"] = np.where(hole, cloud["z"] - 3.0, cloud["z"])
    _, dtm, source, (x, _), _ = flattened(cloud, layer(river))
    wet = (source == WET) & (np.abs(x - 60) > 15)
    assert np.abs(dtm[wet] - level(x[wet])).max() < 0.35


def pond_cloud(seed=1, level=20.0):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, SIDE, (2, int(2 * SIDE**2)))
    off = np.hypot(x - 60, y - 60) - 30
    keep = off > 0
    z = level + 0.2 * off + rng.normal(0, 0.03, len(x))
    cloud = {"x": x[keep], "y": y[keep], "z": z[keep]}
    return {**cloud, "classification": np.full(int(keep.sum()), 2, np.uint8)}


def test_ponds_are_level_to_the_bit_and_at_or_just_below_their_banks():
    cloud = pond_cloud()
    result, dtm, source, _, _ = flattened(cloud, layer(shapely.Point(60, 60).buffer(30)))
    wet = source == WET
    assert len(np.unique(dtm[wet])) == 1
    level = dtm[wet][0]
    assert 20.0 - 0.05 < level < 20.0 + 0.15
    bank = np.abs(np.hypot(cloud["x"] - 60, cloud["y"] - 60) - 31) < 1
    assert np.mean(cloud["z"][bank] >= level) == pytest.approx(0.95, abs=0.02)
    banks_stand_above(dtm, source)
    assert result.figures["water.cells"] == np.count_nonzero(wet)
    assert result.figures["water.cells"] == pytest.approx(np.pi * 900, rel=0.02)
    assert source[~wet].max() < WET
    assert set(shapely.get_coordinates(result.layers[0].geometries, include_z=True)[:, 2]) == {
        result.layers[0].attributes["highest"][0]
    }


def test_large_islands_are_kept_and_small_ones_covered():
    shell = shapely.Point(60, 60).buffer(30)
    large, small = shapely.Point(50, 60).buffer(8), shapely.Point(75, 60).buffer(3)
    given = layer(shapely.Polygon(shell.exterior, [large.exterior, small.exterior]))
    cloud = pond_cloud()
    result, dtm, source, (x, y), before = flattened(cloud, given, island_area=60.0)
    dry = np.hypot(x - 50, y - 60) < 6
    assert (source[dry] != WET).all()
    assert np.array_equal(dtm[dry], before[dry])
    assert (source[np.hypot(x - 75, y - 60) < 3] == WET).all()
    assert len(result.layers[0].geometries[0].interiors) == 1


def test_smaller_waters_are_left_and_that_is_said():
    cloud = pond_cloud()
    result, dtm, source, _, before = flattened(
        cloud, layer(shapely.Point(60, 60).buffer(30)), pond_area=3000.0
    )
    assert np.array_equal(dtm, before)
    assert (source != WET).all()
    assert result.warnings == ["1 pond smaller than 3,000 m2: left as the terrain has it (polygon 1)"]
    assert len(result.layers[0]) == 0


def test_a_narrow_river_is_left_and_that_is_said():
    cloud, river, _ = valley(3, half=4.0)
    result, dtm, _, _, before = flattened(cloud, layer(river), river_width=30.48)
    assert np.array_equal(dtm, before)
    assert result.warnings == ["1 river narrower than 30.5 m: left as the terrain has it (polygon 1)"]


def test_an_attribute_says_what_a_polygon_is():
    cloud, river, _ = valley(3, fall=0.01)
    as_lake = layer(river, kind=np.array(["Lake"], object))
    result, dtm, source, _, _ = flattened(cloud, as_lake)
    assert result.figures["water.ponds"] == 1
    assert len(np.unique(dtm[source == WET])) == 1
    pond = layer(shapely.Point(60, 60).buffer(30), type=np.array(["river"], object))
    result, *_ = flattened(pond_cloud(), pond, kind_attribute="type")
    assert result.figures["water.rivers"] == 1


def test_a_pond_cut_into_sheets_has_one_level():
    whole = shapely.Point(60, 60).buffer(30)
    left, right = (shapely.intersection(whole, shapely.box(*b)) for b in ((0, 0, 55, 120), (55, 0, 120, 120)))
    cloud = pond_cloud()
    _, once, codes, _, _ = flattened(cloud, layer(whole))
    result, cut, source, _, _ = flattened(cloud, layer(left, right))
    assert result.figures["water.ponds"] == 1
    assert len(np.unique(cut[source == WET])) == 1
    assert np.array_equal(source == WET, codes == WET)
    assert np.array_equal(cut, once)


def test_empty_cells_between_line_and_ground_are_closed_and_lie_between_both():
    cloud = pond_cloud()
    rasters = rasters_of(cloud)
    window = rasters["dtm"].window
    x = window.left + np.arange(window.columns) + 0.5
    y = window.bottom + np.arange(window.rows)[:, None] + 0.5
    off = np.hypot(x - 60, y - 60) - 30
    # A terrain that lost the points along the line: empty on the pond and up to a metre outside.
    values = np.where(off < 1.0, np.nan, 20.0 + 0.2 * off).astype(np.float32)
    lost = {
        "dtm": replace(rasters["dtm"], values=values),
        "dtm_source": replace(rasters["dtm_source"], values=np.where(off < 1.0, 0, 1).astype(np.uint8)),
    }
    _, dtm, source, _, before = flattened(cloud, layer(shapely.Point(60, 60).buffer(30)), lost)
    assert np.isfinite(dtm).all()
    closed = np.isnan(before) & (source != WET)
    assert closed.any()
    assert set(source[closed]) == {2}
    level = dtm[source == WET][0]
    assert (dtm[closed] >= level).all()
    assert dtm[closed].max() < 20.0 + 0.2 * 2.5
    banks_stand_above(dtm, source)


def test_water_outside_the_flown_area_is_not_laid():
    cloud = pond_cloud()
    rasters = rasters_of(cloud)
    x = rasters["dtm"].window.left + np.arange(rasters["dtm"].window.columns) + 0.5
    values = rasters["dtm"].values.copy()
    values[:, x < 50] = np.nan
    half = {**rasters, "dtm": replace(rasters["dtm"], values=values)}
    result, dtm, source, (gx, _), _ = flattened(cloud, layer(shapely.Point(60, 60).buffer(30)), half)
    assert np.isnan(dtm[gx < 50]).all()
    assert (source[gx < 50] != WET).all()
    assert (source[(gx > 50) & (gx < 60)] == WET).any()
    assert shapely.bounds(result.layers[0].geometries[0])[0] == 50.0


def test_water_without_ground_along_it_is_left_and_named():
    cloud = pond_cloud()
    far = np.hypot(cloud["x"] - 60, cloud["y"] - 60) > 45
    cloud = {n: v[far] for n, v in cloud.items()}
    result, dtm, _, _, before = flattened(cloud, layer(shapely.Point(60, 60).buffer(30)))
    assert np.array_equal(dtm, before)
    assert "without enough ground points" in result.warnings[0]


def test_without_polygons_nothing_happens_and_that_is_said():
    cloud = pond_cloud()
    rasters = rasters_of(cloud)
    run = run_stage(FlatWater(), cloud, layers={}, rasters=rasters)
    assert np.array_equal(run.result.grids[0].values, rasters["dtm"].values)
    assert run.result.warnings == ["no polygons are given ('water'): nothing is flattened"]


def test_a_river_is_nowhere_lower_than_the_pond_it_runs_into():
    cloud, river, level = valley(5, fall=0.02, bend=0.0)
    # A pond at the lower end, higher by half a metre than the river's own banks say there.
    pond = shapely.box(118, 20, 160, 100)
    rng = np.random.default_rng(2)
    x, y = rng.uniform([116, 0], [118, 120], (400, 2)).T
    y = np.where(np.abs(y - 60) < 12, 20.0, y)
    cloud = {
        "x": np.r_[cloud["x"], x],
        "y": np.r_[cloud["y"], y],
        "z": np.r_[cloud["z"], np.full(len(x), level(118.0) + 0.5)],
        "classification": np.full(len(cloud["x"]) + len(x), 2, np.uint8),
    }
    beside = (cloud["x"] > 115) & (cloud["z"] < level(118.0) + 0.45)
    cloud = {n: v[~beside] for n, v in cloud.items()}
    river = shapely.intersection(river, shapely.box(-20, 0, 118, 120))
    result, dtm, source, (gx, _), _ = flattened(cloud, layer(river, pond))
    assert result.figures["water.rivers"] == result.figures["water.ponds"] == 1
    attributes = result.layers[0].attributes
    pond_level = attributes["highest"][list(attributes["kind"]).index("pond")]
    in_river = (source == WET) & (gx < 117)
    assert dtm[in_river].min() >= np.float32(pond_level)
    across = [dtm[:, c][in_river[:, c]].mean() for c in range(2, 110)]
    assert (np.diff(across) <= 1e-4).all()


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
    check(SmallWaters)


def test_the_contract_saw_waters():
    figures = run_stage(SmallWaters(), example_cloud()).result.figures
    assert figures["water.ponds"] == figures["water.rivers"] == 1
    assert figures["water.cells"] > 300


def test_defaults_are_those_of_the_specification():
    # USGS Lidar Base Specification, hydro-flattening: ponds of 2 acres, rivers of 100 feet nominal width,
    # permanent islands of 1 acre. An acre is 43 560 square feet, a foot 0.3048 m (NIST Handbook 44, app. C).
    defaults = FlatWaterParams()
    assert pytest.approx(43_560 * 0.3048**2) == ACRE
    assert defaults.pond_area == pytest.approx(2 * 43_560 * 0.3048**2)
    assert defaults.pond_area == pytest.approx(8094, abs=1)  # 0.8 ha
    assert defaults.river_width == pytest.approx(100 * FOOT) == pytest.approx(30.48)
    assert defaults.island_area == pytest.approx(4047, abs=1)

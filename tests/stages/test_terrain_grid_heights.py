"""The terrain grid stage: which points count, what each cell says, what it derives from the site."""

import numpy as np
import pytest
from pydantic import ValidationError

from cloudprep.errors import UsageError
from cloudprep.model.bounds import Bounds
from cloudprep.model.site import SiteFacts
from cloudprep.stages.base import Points, whole_cloud_context
from cloudprep.stages.surface._cells import MOST_CELLS
from cloudprep.stages.surface.gridding import HeightSource
from cloudprep.stages.surface.terrain_grid import TerrainGrid, TerrainGridParams

E, M, I, F = (int(code) for code in HeightSource)


def site(width=40.0, height=30.0, *, spacing=0.5, **facts):
    return SiteFacts(1000, Bounds(0.0, 0.0, width, height), 0.0, 100.0, spacing, True, **facts)


def cloud(x, y, z, classes=2, withheld=None):
    x, y, z = (np.asarray(values, float) for values in (x, y, z))
    columns = {"x": x, "y": y, "z": z, "classification": np.full(len(x), classes, np.uint8)}
    if withheld is not None:
        columns["withheld"] = np.asarray(withheld, bool)
    return Points(columns)


def solve(points, facts, **params):
    stage = TerrainGrid(TerrainGridParams(**params)).resolved(facts)
    context = whole_cloud_context(facts, len(points))
    solution = stage.solve(stage.merge([stage.summarise(points, context).part]), facts)
    drawing = stage.draw(points, context, solution)
    grids = {c.name: values for c, values in zip(stage.canvas(facts), drawing.arrays, strict=True)}
    return stage.finish(grids, [drawing.share], facts)


def lattice_cloud(width=40, height=30, step=0.5, keep=None, surface=lambda x, y: 100 + 0.5 * x - 0.25 * y):
    """Return ground points at every step, but where ``keep`` says no."""
    x, y = (
        a.ravel()
        for a in np.meshgrid(np.arange(0, width + step / 2, step), np.arange(0, height + step / 2, step))
    )
    if keep is not None:
        kept = keep(x, y)
        x, y = x[kept], y[kept]
    return x, y, surface(x, y)


def test_terrain_grid_of_a_plane_is_the_plane():
    facts = site(40.001, 30.001)
    dtm, source = solve(cloud(*lattice_cloud()), facts, cell=1.0).grids
    assert dtm.values.shape == (31, 41)
    column, row = np.arange(40) + 0.5, np.arange(30) + 0.5
    np.testing.assert_allclose(
        dtm.values[:30, :40], 100 + 0.5 * column[None, :] - 0.25 * row[:, None], rtol=0, atol=1e-9
    )
    assert (source.values == M).all()
    assert (dtm.name, dtm.unit, dtm.shaded, source.name, source.unit) == ("dtm", "m", True, "dtm_source", "")
    assert source.values.dtype == np.uint8
    assert set(source.legend) == {E, M, I, F}


def test_terrain_grid_row_0_is_the_south():
    x, y, _ = lattice_cloud()
    dtm, _ = solve(cloud(x, y, y), site(), cell=1.0).grids
    assert dtm.values[0].mean() < dtm.values[-1].mean()


def test_terrain_grid_uses_ground_only_and_nothing_withheld():
    x, y, _ = lattice_cloud(39, 29)
    roof = (np.array([10.0, 11, 10, 11]), np.array([10.0, 10, 11, 11]), np.full(4, 500.0))
    flat = np.full(len(x), 20.0)
    points = Points(
        {
            "x": np.concatenate((x, roof[0], roof[0])),
            "y": np.concatenate((y, roof[1], roof[1])),
            "z": np.concatenate((flat, roof[2], roof[2])),
            "classification": np.r_[np.full(len(x), 2), np.full(4, 6), np.full(4, 2)].astype(np.uint8),
            "withheld": np.r_[np.zeros(len(x) + 4, bool), np.ones(4, bool)],
        }
    )
    assert np.nanmax(solve(points, site(), cell=1.0).grids[0].values) == 20.0
    both = solve(points, site(), cell=1.0, classes=[2, 6])
    assert both.figures["terrain.ground_points"] == len(x) + 4


def test_terrain_grid_only_the_core_of_a_block_counts():
    facts = site()
    x, y, z = lattice_cloud(39, 29)
    stage = TerrainGrid(TerrainGridParams(cell=1.0)).resolved(facts)
    context = whole_cloud_context(facts, len(x))
    context = type(context)(facts, x < 20, context.block, context.buffered, context.fetch)
    part = stage.summarise(cloud(x, y, z), context).part
    assert part.x.max() < 20 / 0.0001
    assert stage.draw(cloud(x, y, z), context, stage.solve(part, facts)).share == (x < 20).sum()


@pytest.mark.parametrize(
    "params", [{}, {"method": "inverse_distance"}, {"method": "nearest"}, {"fill": "smooth"}]
)
def test_terrain_grid_does_not_depend_on_the_order_of_points_to_the_bit(params):
    facts = site(resolution=0.01)
    rng = np.random.default_rng(12)
    x, y = rng.integers(0, [[4000], [3000]], (2, 3000)) / 100
    z = np.round(rng.normal(50, 5, 3000), 2)
    whole = solve(cloud(x, y, z), facts, cell=0.5, **params)
    assert len(np.unique(np.column_stack((x, y)), axis=0)) < 3000  # some places are taken twice
    for seed in (1, 2):
        order = np.random.default_rng(seed).permutation(3000)
        other = solve(cloud(x[order], y[order], z[order]), facts, cell=0.5, **params)
        assert other.figures == whole.figures
        for one, two in zip(whole.grids, other.grids, strict=True):
            assert one.values.tobytes() == two.values.tobytes()


@pytest.mark.parametrize("params", [{}, {"method": "inverse_distance"}, {"fill": "nearest"}])
@pytest.mark.parametrize("cell", [0.25, 0.5, 2.0])
def test_terrain_grid_moves_with_the_cloud_by_whole_kilometres_to_the_bit(params, cell):
    rng = np.random.default_rng(13)
    x, y = rng.integers(0, [[40_000], [30_000]], (2, 2000)) / 1000
    z = rng.normal(50, 5, 2000)
    here = solve(cloud(x, y, z), site(), cell=cell, **params)
    for east, north in ((3000.0, -2000.0), (517_000.0, 5_402_000.0)):
        moved = site()
        b = moved.bounds
        far = SiteFacts(1000, Bounds(b.x0 + east, b.y0 + north, b.x1 + east, b.y1 + north), 0, 100, 0.5, True)
        there = solve(cloud(x + east, y + north, z), far, cell=cell, **params)
        for one, two in zip(here.grids, there.grids, strict=True):
            assert one.values.tobytes() == two.values.tobytes()
            assert two.window.column - one.window.column == east / cell
            assert two.window.row - one.window.row == north / cell


def test_terrain_grid_bridges_a_building_and_leaves_a_lake_open():
    def kept(x, y):
        building = (x > 20) & (x < 80) & (y > 20) & (y < 50)
        lake = (x > 120) & (x < 200) & (y > 10) & (y < 90)
        return ~building & ~lake

    dtm, source = solve(cloud(*lattice_cloud(220, 100, 1.0, kept)), site(220, 100, spacing=1), cell=1.0).grids
    assert dtm.values[35, 50] == pytest.approx(100 + 0.5 * 50.5 - 0.25 * 35.5)
    assert source.values[35, 50] == I
    assert np.isnan(dtm.values[50, 160])
    assert source.values[50, 160] == E
    assert source.values[5, 5] == M


@pytest.mark.parametrize("method", ["inverse_distance", "nearest"])
def test_terrain_grid_other_methods_bridge_gaps_of_the_same_width(method):
    points = cloud(*lattice_cloud(220, 100, 1.0, lambda x, y: (x < 20) | ((x > 78) & (x < 110)) | (x > 200)))
    dtm, source = solve(points, site(220, 100, spacing=1), cell=1.0, method=method).grids
    assert (source.values[:, 20:77] == I).all()
    assert (source.values[:, 150:160] == E).all()
    assert np.array_equal(np.isnan(dtm.values), source.values == E)


@pytest.mark.parametrize("fill", ["nearest", "smooth"])
def test_terrain_grid_filled_cells_have_a_code_of_their_own(fill):
    points = cloud(*lattice_cloud(200, 60, 1.0, lambda x, y: (x < 20) | (x > 150)))
    plain = solve(points, site(200, 60, spacing=1), cell=1.0)
    filled = solve(points, site(200, 60, spacing=1), cell=1.0, fill=fill, fill_distance=30)
    before, after = plain.grids[1].values, filled.grids[1].values
    assert (before[:, 30:140] == E).all()
    assert (after[:, 30:40] == F).all()
    assert (after[:, 75:95] == E).all()
    assert np.array_equal(after[before != E], before[before != E])
    assert not np.isnan(filled.grids[0].values[after == F]).any()
    assert filled.figures["terrain.filled_share"] == pytest.approx((after == F).mean())


def test_terrain_grid_where_points_share_a_place_the_lowest_counts():
    x, y, z = lattice_cloud()
    points = cloud(np.tile(x, 3), np.tile(y, 3), np.concatenate((z + 2, z, z + 1)))
    once = solve(cloud(x, y, z), site(), cell=1.0)
    thrice = solve(points, site(), cell=1.0)
    assert thrice.grids[0].values.tobytes() == once.grids[0].values.tobytes()


@pytest.mark.parametrize(
    "points",
    [
        [(5.2, 6.3)],
        [(5.2, 6.3), (5.9, 6.9), (30.1, 3.3)],
        [(k, k / 2 + 0.25) for k in range(30)],
        [(7, 8)] * 5,
    ],
    ids=["one", "three far apart", "a line", "coincident"],
)
@pytest.mark.parametrize("method", ["tin", "inverse_distance", "nearest"])
def test_terrain_grid_of_very_few_points_measures_their_cells(points, method):
    x, y = np.array(points, float).T
    dtm, source = solve(cloud(x, y, 10 + x), site(), cell=1.0, method=method, longest_edge=2.0).grids
    cells = (np.floor(y).astype(int), np.floor(x).astype(int))
    assert (source.values[cells] == M).all()
    assert not np.isnan(dtm.values[cells]).any()
    assert np.abs(dtm.values[cells] - (10 + x)).max() <= 1.0
    if method == "tin":
        assert (source.values == M).sum() == len(set(zip(*cells, strict=True)))
        assert (source.values == E).sum() == source.values.size - (source.values == M).sum()


def test_terrain_grid_without_ground_is_empty_and_says_so():
    solution = solve(cloud([1.0], [1.0], [1.0], classes=5), site(), cell=1.0)
    assert np.isnan(solution.grids[0].values).all()
    assert (solution.grids[1].values == E).all()
    assert solution.figures["terrain.empty_share"] == 1.0
    assert solution.warnings == ("no ground points (class 2): the terrain grid is empty",)


def test_terrain_grid_leaves_out_stray_points_and_heights_that_are_no_numbers():
    x, y, z = lattice_cloud()
    stray = cloud(np.r_[x, 1e9, 5.05], np.r_[y, -1e9, 5.05], np.r_[z, 7.0, np.nan])
    assert solve(stray, site(), cell=1.0).grids[0].values.tobytes() == (
        solve(cloud(x, y, z), site(), cell=1.0).grids[0].values.tobytes()
    )


def test_terrain_grid_shares_add_up_to_one():
    figures = solve(
        cloud(*lattice_cloud(keep=lambda x, y: x > 11)), site(), cell=0.25, fill="nearest"
    ).figures
    shares = [figures[f"terrain.{kind}_share"] for kind in ("measured", "interpolated", "filled", "empty")]
    assert sum(shares) == pytest.approx(1.0)
    assert figures["terrain.cells"] == 160 * 120
    assert figures["terrain.cell"] == 0.25
    assert min(shares[:3]) > 0


def test_terrain_grid_warns_where_the_cell_is_too_fine_for_the_ground():
    solution = solve(cloud(*lattice_cloud(step=2.0)), site(), cell=0.25)
    assert len(solution.warnings) == 1
    assert "a cell of 5 m would suit" in solution.warnings[0]
    assert "about 1.9 m apart" in solution.warnings[0]


# USGS Lidar Base Specification, quality levels 1, 2 and 3: point spacing and terrain cell (from memory).
@pytest.mark.parametrize(
    ("spacing", "cell"), [(0.05, 0.25), (0.35, 0.5), (0.71, 1.0), (1.41, 2.0), (3.0, 5.0), (9.0, 20.0)]
)
def test_terrain_grid_derives_the_cell_from_the_point_spacing(spacing, cell):
    stage = TerrainGrid().resolved(site(spacing=spacing))
    assert stage.params.cell == cell
    assert f"{spacing:.2f} m x 1.4" in stage.reasons["cell"]


def test_terrain_grid_derives_lengths_that_agree():
    resolved = TerrainGrid().resolved(site()).params
    assert (resolved.longest_edge, resolved.search_radius, resolved.fill_distance) == (60.0, 30.0, 60.0)
    coarse = TerrainGrid(TerrainGridParams(cell=10)).resolved(site()).params
    assert (coarse.longest_edge, coarse.search_radius) == (200.0, 100.0)
    given = TerrainGrid(TerrainGridParams(longest_edge=25)).resolved(site())
    assert (given.params.longest_edge, given.params.search_radius) == (25.0, 12.5)
    assert set(given.reasons) == {"cell", "search_radius", "fill_distance"}


def test_terrain_grid_refuses_a_grid_of_too_many_cells_before_any_work():
    with pytest.raises(UsageError, match=r"more than 400 million: choose 'cell' 2 m or more"):
        TerrainGrid(TerrainGridParams(cell=0.5)).resolved(site(30_000, 30_000))


def test_terrain_grid_derives_a_cell_that_keeps_the_grid_small_enough():
    stage = TerrainGrid().resolved(site(30_000, 30_000, spacing=0.3))
    assert stage.params.cell == 2.0
    assert (30_000 / stage.params.cell) ** 2 < MOST_CELLS
    assert "400 million" in stage.reasons["cell"]


@pytest.mark.parametrize(
    "bad",
    [{"cell": 0}, {"method": "mean"}, {"neighbours": 0}, {"classes": []}, {"power": 0}, {"fill": "all"}],
)
def test_terrain_grid_refuses_bad_parameters_by_name(bad):
    with pytest.raises(ValidationError, match=next(iter(bad))):
        TerrainGridParams(**bad)


def test_terrain_grid_of_a_cloud_in_feet_has_cells_of_metres():
    foot = 0.3048
    rng = np.random.default_rng(3)
    x, y = np.round(rng.random((2, 4000)) * [[130], [98]], 2) * foot
    facts = site(resolution=0.01 * foot, origin=(612_000.0, 244_000.0))
    dtm, _ = solve(cloud(x, y, 3 + 0.5 * x), facts, cell=0.5).grids
    assert (dtm.window.column, dtm.window.row) == (1_224_000, 488_000)
    centres = 0.25 + 0.5 * np.arange(dtm.values.shape[1])
    inside = dtm.values[20:40, 10:60]
    # Cell centres are placed to 1/256 of a step: 1.2 micrometres here.
    np.testing.assert_allclose(inside, np.broadcast_to(3 + 0.5 * centres[10:60], inside.shape), atol=2e-6)

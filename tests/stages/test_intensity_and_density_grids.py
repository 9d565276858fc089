"""Intensities and densities of cells, counted by hand."""

from dataclasses import replace

import numpy as np
import pytest

from cloudprep.errors import UsageError
from cloudprep.stages.surface.density_grids import DensityGrids, DensityGridsParams
from cloudprep.stages.surface.intensity_grid import IntensityGrid, IntensityGridParams
from cloudprep.testing import facts_of, run_stage


@pytest.fixture
def cloud():
    rng = np.random.default_rng(4)
    n = 5000
    x, y = np.round(rng.uniform(0, 50, (2, n)), 3)
    returns = rng.integers(1, 3, n).astype(np.uint8)
    return {
        "x": x,
        "y": y,
        "z": np.full(n, 100.0),
        "intensity": rng.integers(0, 65536, n).astype(np.uint16),
        "classification": rng.choice(np.array([1, 2, 7, 18], np.uint8), n, p=(0.5, 0.4, 0.05, 0.05)),
        "withheld": rng.random(n) < 0.05,
        "return_number": returns,
    }


def usable(cloud):
    return ~np.isin(cloud["classification"], (7, 18)) & ~cloud["withheld"]


def by_cell(cloud, chosen, cell, function):
    side = int(50 / cell)
    found = np.full((side, side), np.nan)
    row, column = (cloud["y"] // cell).astype(int), (cloud["x"] // cell).astype(int)
    for r in range(side):
        for c in range(side):
            values = cloud["intensity"][chosen & (row == r) & (column == c)]
            if len(values):
                found[r, c] = function(values.astype(float))
    return found


@pytest.mark.parametrize(("statistic", "function"), [("mean", np.mean), ("median", np.median)])
@pytest.mark.parametrize("returns", ["first", "all"])
def test_intensity_is_that_of_the_cells_points(cloud, statistic, function, returns):
    params = IntensityGridParams(cell=2.0, statistic=statistic, returns=returns, widest_gap=0.0)
    grid = run_stage(IntensityGrid(params), cloud).result.grids[0]
    chosen = usable(cloud) & ((cloud["return_number"] == 1) | (returns == "all"))
    assert grid.values.dtype == np.float32
    assert grid.unit == ""
    expected = by_cell(cloud, chosen, 2.0, function).astype(np.float32)
    assert np.array_equal(grid.values, expected, equal_nan=True)


def test_intensity_bridges_small_gaps_between_the_cells_around(cloud):
    bare = run_stage(IntensityGrid(IntensityGridParams(cell=1.0, widest_gap=0.0)), cloud).result
    bridged = run_stage(IntensityGrid(IntensityGridParams(cell=1.0, widest_gap=4.0)), cloud).result
    measured = ~np.isnan(bare.grids[0].values)
    found = bridged.grids[0].values
    assert np.array_equal(found[measured], bare.grids[0].values[measured])
    inner = found[5:-5, 5:-5]
    assert not np.isnan(inner).any()
    assert (~measured[5:-5, 5:-5]).sum() > 50
    assert np.nanmin(found) >= 0
    assert np.nanmax(found) <= 65535
    assert bridged.figures["intensity.measured_share"] == measured.mean()
    ramp = {**cloud, "intensity": (cloud["x"] // 1.0 * 100).astype(np.uint16)}
    ramped = (
        run_stage(IntensityGrid(IntensityGridParams(cell=1.0, widest_gap=4.0)), ramp).result.grids[0].values
    )
    columns = np.tile(np.arange(50) * 100.0, (50, 1))
    assert np.nanmax(np.abs(ramped - columns)) < 0.01  # float32


def test_intensity_of_flights_that_carry_none_is_said(cloud):
    result = run_stage(IntensityGrid(), {**cloud, "intensity": np.zeros(5000, np.uint16)}).result
    assert result.warnings == ["every intensity is 0: the flights carry none"]


def test_densities_are_counts_to_the_square_metre(cloud):
    result = run_stage(DensityGrids(DensityGridsParams(cell=5.0)), cloud).result
    points, ground = (grid.values for grid in result.grids)
    edges = np.arange(0, 51, 5.0)
    first = usable(cloud) & (cloud["return_number"] == 1)
    on_ground = usable(cloud) & (cloud["classification"] == 2)
    for chosen, found in ((first, points), (on_ground, ground)):
        counts = np.histogram2d(cloud["y"][chosen], cloud["x"][chosen], bins=(edges, edges))[0]
        assert np.array_equal(found, (counts / 25).astype(np.float32))
    assert result.figures["density.points_per_m2"] == pytest.approx(first.sum() / 2500)
    assert result.figures["density.ground_per_m2"] == pytest.approx(on_ground.sum() / 2500)
    assert result.figures["density.without_ground_share"] == 0


def test_density_of_cells_without_points_is_nought(cloud):
    hole = (np.abs(cloud["x"] - 25) < 8) & (np.abs(cloud["y"] - 25) < 8)
    kept = {name: values[~hole] for name, values in cloud.items()}
    points, ground = (
        g.values for g in run_stage(DensityGrids(DensityGridsParams(cell=2.0)), kept).result.grids
    )
    assert (points[9:16, 9:16] == 0).all()
    assert (ground[9:16, 9:16] == 0).all()


def test_density_cells_are_whole_multiples_of_the_others_and_hold_enough_points(cloud):
    site = facts_of(cloud)
    stage = DensityGrids().resolved(site)
    # 2 points to the square metre: spacing 0.71 m, rasters of 1 m; 25 points take 3.5 m.
    assert stage.params.cell == 4.0
    assert "4 x 1 m" in stage.reasons["cell"]
    assert DensityGrids().resolved(replace(site, cell=0.3)).params.cell == pytest.approx(6.0)


def test_cell_that_is_far_too_small_is_refused_with_one_that_would_do(cloud):
    site = facts_of(cloud)
    for stage in (
        IntensityGrid(IntensityGridParams(cell=0.001)),
        DensityGrids(DensityGridsParams(cell=0.001)),
    ):
        with pytest.raises(UsageError, match=r"a cell of 0\.001 m makes .* choose 'cell' 0\.25 m or more"):
            stage.resolved(site)

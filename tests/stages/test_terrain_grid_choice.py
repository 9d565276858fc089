"""Which surface the terrain grid draws if nobody says: triangles, or a plate where ground is scattered."""

import numpy as np
import pytest

from cloudprep.stages.surface import _smooth
from cloudprep.stages.surface.gridding import HeightSource
from cloudprep.stages.surface.terrain_grid import TerrainGrid, TerrainGridParams
from cloudprep.testing import facts_of, run_stage


def land(x, y):
    return 20 + 0.5 * y + 2.0 * np.sin(x / 9.0) * np.cos(y / 11.0)


def wood(ground_apart, *, points_apart=0.5, width=80.0, seed=3, keep=None):
    """Return points of which the ground's lie so far apart on average, m, and all others hang above it."""
    rng = np.random.default_rng(seed)
    count = round((width / points_apart) ** 2)
    x, y = np.round(rng.random((2, count)) * width, 3)
    ground = rng.random(count) < (points_apart / ground_apart) ** 2
    if keep is not None:
        ground &= keep(x, y)
    z = land(x, y) + np.where(ground, 0.0, 9.0)
    return {
        "x": x,
        "y": y,
        "z": z,
        "classification": np.where(ground, 2, 5).astype(np.uint8),
        "withheld": np.zeros(count, bool),
    }


def drawn(columns, *, block_edge=None, workers=1, **params):
    stage = TerrainGrid(TerrainGridParams(cell=1.0, **params))
    return run_stage(stage, columns, block_edge=block_edge, workers=workers).result


def error(result):
    grid = result.grids[0]
    row, column = np.nonzero(np.isfinite(grid.values))
    x, y = grid.window.left + column + 0.5, grid.window.bottom + row + 0.5
    return float(np.sqrt(np.mean((grid.values[row, column] - land(x, y)) ** 2)))


def same(one, other):
    return all(
        np.array_equal(a.values, b.values, equal_nan=True)
        for a, b in zip(one.grids, other.grids, strict=True)
    )


@pytest.mark.parametrize(
    ("ground_apart", "points_apart", "chosen"),
    [
        (4.0, 0.5, "smooth"),
        # Ground in most cells.
        (0.9, 0.25, "tin"),
        # All that there is lies nearly as far apart: it is the cell that is too small.
        (2.6, 0.95, "tin"),
    ],
)
def test_the_surface_follows_from_how_far_ground_points_lie_apart(ground_apart, points_apart, chosen):
    columns = wood(ground_apart, points_apart=points_apart)
    result = drawn(columns)
    assert result.reasons["method"].startswith(f"{chosen}: ")
    assert same(result, drawn(columns, method=chosen))


def test_where_there_are_more_cells_than_points_no_plate_is_drawn_nor_its_memory_counted():
    columns = wood(6.0, points_apart=1.5)
    result = drawn(columns)
    assert result.reasons["method"] == "tin: there are more cells than points"
    assert same(result, drawn(columns, method="tin"))

    def counted(columns, method):
        site = facts_of(columns)
        return TerrainGrid(TerrainGridParams(cell=1.0, method=method)).resolved(site).site_bytes(site).solving

    assert counted(columns, "auto") == 0 < counted(columns, "smooth")
    assert counted(wood(4.0), "auto") == counted(wood(4.0), "smooth")


def test_tiles_of_a_plate_are_those_of_the_whole(monkeypatch):
    """To 0.3 mm: less than the 0.5 mm that fits are settled to."""
    columns = wood(4.0, points_apart=1.0, width=300.0)
    whole = drawn(columns).grids[0].values
    monkeypatch.setattr(_smooth, "_LARGEST_WHOLE", 1)
    monkeypatch.setattr(_smooth, "_SIDE", 96)
    monkeypatch.setattr(_smooth, "_MARGIN", 64)
    parts = drawn(columns).grids[0].values
    off = np.abs(parts - whole)
    assert 0 < np.nanmax(off) <= 0.0003
    assert (np.isnan(parts) == np.isnan(whole)).all()


def test_one_wide_gap_is_bridged_straight():
    """A roof hides most of the site: between its walls nothing tells of the ground."""
    columns = wood(
        0.51, width=60.0, keep=lambda x, y: np.minimum(np.minimum(x, 60 - x), np.minimum(y, 60 - y)) < 3
    )
    result = drawn(columns)
    covered = 1.0 - result.figures["terrain.empty_share"]
    assert result.figures["terrain.measured_share"] < 0.25 * covered
    assert result.reasons["method"].startswith("tin: ")


def test_between_scattered_points_the_plate_is_nearer_to_the_land():
    columns = wood(4.0)
    assert error(drawn(columns)) < 0.7 * error(drawn(columns, method="tin"))


@pytest.mark.parametrize("ground_apart", [0.9, 4.0])
def test_the_choice_does_not_depend_on_blocks(ground_apart):
    columns = wood(ground_apart)
    whole, parts = drawn(columns), drawn(columns, block_edge=17.0, workers=2)
    assert same(whole, parts)
    assert whole.reasons == parts.reasons


@pytest.mark.parametrize("ground_apart", [0.9, 4.0])
def test_no_cell_keeps_a_code_of_its_own_making(ground_apart):
    source = drawn(wood(ground_apart)).grids[1].values
    assert set(np.unique(source)) <= {int(code) for code in HeightSource}


def test_who_asks_for_a_surface_gets_it_and_no_reason():
    assert drawn(wood(4.0), method="tin").reasons == {}


def test_without_ground_points_nothing_is_smoothed():
    columns = wood(4.0)
    columns["classification"][:] = 5
    result = drawn(columns)
    assert result.reasons["method"] == "tin: there is no ground point"
    assert result.figures["terrain.empty_share"] == 1.0

"""Spot heights: tops, pits and saddles where they are, others on a lattice, none too near to another."""

import numpy as np
import pytest
import shapely

from cloudprep.model.bounds import Bounds
from cloudprep.model.grid import Grid
from cloudprep.model.site import SiteFacts
from cloudprep.stages.lines.spot_heights import SpotHeights, SpotHeightsParams

CELL = 1.0
SITE = SiteFacts(1, Bounds(0.0, 0.0, 300.0, 200.0), 90.0, 115.0, 0.7, True, cell=CELL)


@pytest.fixture
def grid():
    """Return two hills with a saddle between them, a hollow, and 3 cm noise."""
    window = SITE.lattice(CELL).window(SITE.bounds)
    x, y = np.meshgrid(np.arange(300) + 0.5, np.arange(200) + 0.5)

    def bump(east, north, high, wide):
        return high * np.exp(-((x - east) ** 2 + (y - north) ** 2) / (2 * wide**2))

    z = 100 + bump(80, 100, 10, 18) + bump(150, 100, 8, 18) + bump(240, 60, -6, 15)
    return Grid("dtm", z + np.random.default_rng(1).normal(0, 0.03, z.shape), window, "")


def found(grid, **parameters):
    stage = SpotHeights(SpotHeightsParams(**parameters)).resolved(SITE)
    stage.rasters = {"dtm": grid}
    solution = stage.from_rasters(SITE)
    layer = solution.layers[0]
    xyz = shapely.get_coordinates(layer.geometries, include_z=True)
    return xyz, layer.attributes, solution.figures


def test_tops_pits_and_saddles_are_where_they_are(grid):
    xyz, said, figures = found(grid, spacing=50.0, smallest_rise=1.0, regular=False)
    assert figures["spot_heights.regulars"] == 0
    at = {kind: xyz[said["kind"] == kind] for kind in ("top", "pit", "saddle")}
    for kind, places, near in (
        ("top", [(80, 100), (150, 100)], 4),
        ("pit", [(240, 60)], 4),
        ("saddle", [(117, 100)], 7),
    ):
        assert len(at[kind]) == len(places), kind
        for place in places:
            assert np.hypot(*(at[kind][:, :2] - place).T).min() < near
    # Heights are those of the terrain model at the cell.
    column, row = (xyz[:, :2] - 0.5).astype(int).T
    assert np.array_equal(xyz[:, 2], grid.values[row, column])
    assert np.array_equal(said["elevation"], xyz[:, 2])
    assert (said["rise"] >= 0.5).all()


def test_no_two_lie_nearer_than_half_of_the_spacing_and_no_place_is_far_from_one(grid):
    xyz, said, figures = found(grid, spacing=40.0)
    apart = np.hypot(xyz[:, None, 0] - xyz[:, 0], xyz[:, None, 1] - xyz[:, 1])
    np.fill_diagonal(apart, np.inf)
    assert apart.min() >= 20
    assert figures["spot_heights.regulars"] >= 25
    x, y = np.meshgrid(np.arange(20, 280, 5.0), np.arange(20, 180, 5.0))
    far = np.hypot(x.ravel()[:, None] - xyz[:, 0], y.ravel()[:, None] - xyz[:, 1]).min(axis=1)
    assert far.max() < 40 * np.sqrt(0.5) + 20
    assert (said["rise"][said["kind"] == "regular"] == 0).all()


def test_a_slope_has_no_top_at_the_rim_nor_beside_a_hole(grid):
    y, x = np.mgrid[:200, :300]
    z = 100 + 0.2 * x + 0.1 * y
    z[80:120, 100:180] = np.nan
    _, _, figures = found(Grid("dtm", z, grid.window, ""), spacing=40.0)
    assert (
        figures["spot_heights.tops"] == figures["spot_heights.pits"] == figures["spot_heights.saddles"] == 0
    )
    assert figures["spot_heights.regulars"] > 0


def test_strips_leave_no_trace(grid, monkeypatch):
    whole = found(grid, spacing=30.0)
    monkeypatch.setattr("cloudprep.stages.lines.spot_heights._STRIP_CELLS", 1)
    parts = found(grid, spacing=30.0)  # of 60 rows
    assert np.array_equal(whole[0], parts[0])
    assert whole[2] == parts[2]


def test_an_empty_terrain_has_none(grid):
    xyz, _, _ = found(Grid("dtm", np.full(grid.values.shape, np.nan), grid.window, ""))
    assert len(xyz) == 0

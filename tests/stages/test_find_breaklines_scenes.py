"""Breaklines of made-up banks and cliffs whose terrain is known exactly; tuned on seed 3, held to bars on 7.

The truth is taken from the exact terrain along profiles, not by the stage's way: where the slope angle over a
metre before and a metre behind differ most. (Ground falling less than 0.5 m over 3 m is left out there.)
"""

import numpy as np
import pytest
import shapely
from scipy.ndimage import binary_erosion, maximum_filter1d
from scipy.spatial import cKDTree

from cloudprep.model.bounds import Bounds
from cloudprep.model.grid import Grid
from cloudprep.model.site import SiteFacts
from cloudprep.stages.lines.find_breaklines import FindBreaklines, FindBreaklinesParams
from cloudprep.stages.surface.terrain_grid import TerrainGrid, TerrainGridParams
from cloudprep.testing import facts_of, run_stage
from demo_clouds.scenes import scene

FINE = 0.05
CELL = 0.5
RIM = 4.0


def proposals(grid, site, **parameters):
    stage = FindBreaklines(FindBreaklinesParams(**parameters)).resolved(site)
    stage.rasters = {"dtm": grid}
    return stage.from_rasters(site).layers[0]


def well_inside(grid, x, y):
    inside = binary_erosion(~np.isnan(grid.values), iterations=int(RIM / CELL))
    w = grid.window
    row, column = ((y - w.bottom) / CELL).astype(int), ((x - w.left) / CELL).astype(int)
    return inside[np.clip(row, 0, w.rows - 1), np.clip(column, 0, w.columns - 1)]


def truth(terrain, grid, apart=3.0):
    """Return x, y, whether it is a crest, and the change of angle, along profiles so far apart."""
    w = grid.window
    low, high = (w.left, w.bottom), (w.left + w.columns * CELL, w.bottom + w.rows * CELL)
    metre, found = round(1 / FINE), []
    for axis in (0, 1):
        t = np.arange(low[axis], high[axis], FINE)
        for offset in np.arange(low[1 - axis] + apart / 2, high[1 - axis], apart):
            x, y = (t, np.full_like(t, offset)) if axis == 0 else (np.full_like(t, offset), t)
            east = terrain(x + 1, y) - terrain(x - 1, y)
            north = terrain(x, y + 1) - terrain(x, y - 1)
            # Profiles that cross the fall line at more than 47 degrees are left to the other direction.
            share = np.abs(east if axis == 0 else north) / np.maximum(np.hypot(east, north), 1e-9)
            z = terrain(x, y)
            up, down = np.roll(z, -metre) - z, z - np.roll(z, metre)
            steep = np.maximum(share, 0.3)
            change = np.degrees(np.arctan(up / steep) - np.arctan(down / steep))
            change[:metre] = change[-metre:] = 0
            peaks = np.zeros(len(t), bool)
            for sign in (1, -1):
                bent = sign * change
                peaks |= (bent > 0) & (bent == maximum_filter1d(bent, 2 * metre + 1))
            far = round(1.5 / FINE)
            fall = np.abs(np.roll(z, -far) - np.roll(z, far))
            peaks &= (np.abs(change) >= 15) & (share >= 0.68) & (fall >= 0.5) & well_inside(grid, x, y)
            found.append(np.c_[x, y, change < 0, np.abs(change)][peaks])
    return np.concatenate(found)


def judged(name, seed):
    """Return for crests and toes the share of clear breaks with a line within a metre, that of the lines with
    a break within 1.5 m, and the number of clear breaks.
    """
    made = scene(name, seed)
    columns = made.columns()
    columns["classification"] = np.where(made.ground, 2, 1).astype(np.uint8)
    site = facts_of(columns, (0.0, 0.0))
    grid = run_stage(TerrainGrid(TerrainGridParams(cell=CELL)), columns, origin=(0.0, 0.0)).result.grids[0]
    layer = proposals(grid, site)
    assert layer.proposal
    breaks = truth(made.terrain, grid)
    dense = cKDTree(truth(made.terrain, grid, apart=1.0)[:, :2])
    figures = {}
    for kind in ("crest", "toe"):
        lines = layer.geometries[layer.attributes["kind"] == kind]
        clear = breaks[(breaks[:, 2] == (kind == "crest")) & (breaks[:, 3] >= 25)]
        apart = shapely.distance(shapely.points(clear[:, :2]), shapely.multilinestrings(list(lines)))
        along = shapely.get_coordinates(shapely.segmentize(lines, 0.5))
        along = along[well_inside(grid, *along.T)]
        figures[kind] = float((apart <= 1).mean()), float((dense.query(along)[0] <= 1.5).mean()), len(clear)
    return figures


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "found", "right"),
    # Measured: 0.99 and 0.99, 0.86 and 0.99 (a toe under blasted rock), 1.00 and 0.90 (ends of ditches).
    [("terraces", 0.97, 0.96), ("quarry", 0.82, 0.96), ("embankment", 0.96, 0.86)],
)
def test_crests_and_toes_of_scenes_are_found_and_little_else(name, found, right):
    for complete, correct, number in judged(name, 7).values():
        assert number > 50
        assert complete >= found
        assert correct >= right


SITE = SiteFacts(1, Bounds(0.0, 0.0, 80.0, 60.0), 90.0, 115.0, 0.35, True, cell=CELL)


def made(height, noise=0.0):
    window = SITE.lattice(CELL).window(SITE.bounds)
    x, y = np.meshgrid(CELL * (np.arange(window.columns) + 0.5), CELL * (np.arange(window.rows) + 0.5))
    return Grid("dtm", height(x, y) + np.random.default_rng(1).normal(0, noise, x.shape), window, "")


@pytest.mark.parametrize("turned", [0.0, 0.3, 0.8])
def test_a_bank_has_its_crest_and_its_toe_in_their_places_and_heights(turned):
    """A bank of 4 m, 1 : 1.5, on ground that falls by 2 %: both lines are known."""

    def across(x, y):
        return (x - 40) * np.cos(turned) + (y - 30) * np.sin(turned)

    def height(x, y):
        return 100 + 0.02 * across(x, y) + np.clip(across(x, y) / 1.5, -2, 2)

    layer = proposals(made(height, 0.03), SITE)
    assert sorted(layer.attributes["kind"]) == ["crest", "toe"]
    for line, kind in zip(layer.geometries, layer.attributes["kind"], strict=True):
        x, y, z = shapely.get_coordinates(line, include_z=True).T
        side = 3.0 if kind == "crest" else -3.0
        assert np.abs(across(x, y) - side).max() < 0.75 * CELL
        assert np.abs(z - (100 + 0.02 * side + side / 1.5)).max() < 0.15
        # The ground rises with across: a line with downhill on its right has the rise on its left.
        ahead = (x[-1] - x[0]) * -np.sin(turned) + (y[-1] - y[0]) * np.cos(turned)
        assert ahead < 0
        assert line.length > 50
    assert layer.attributes["angle_degrees"] == pytest.approx(np.degrees(np.arctan(1 / 1.5)), abs=8)


def test_a_round_mesa_has_rings():
    layer = proposals(made(lambda x, y: 100 + 5 * (np.hypot(x - 40, y - 30) < 15), 0.02), SITE)
    assert sorted(layer.attributes["kind"]) == ["crest", "toe"]
    assert layer.attributes["closed"].all()
    for line, kind in zip(layer.geometries, layer.attributes["kind"], strict=True):
        radius = np.hypot(*(shapely.get_coordinates(line) - (40, 30)).T)
        assert np.abs(radius - 15).max() < 1.6 * CELL
        assert (radius.mean() < 15) == (kind == "crest")
        z = shapely.get_coordinates(line, include_z=True)[:, 2]
        assert np.abs(z - (105 if kind == "crest" else 100)).max() < 0.1


@pytest.mark.parametrize(
    "height",
    [lambda x, y: 100 + 0.0 * x, lambda x, y: 100 + 0.7 * x - 0.2 * y, lambda x, y: 100 + 3 * np.sin(x / 12)],
    ids=["flat", "slope", "waves"],
)
def test_even_ground_has_no_breaklines(height):
    assert len(proposals(made(height, 0.05), SITE)) == 0


def test_strips_leave_no_trace(monkeypatch):
    grid = made(lambda x, y: 100 + np.clip((x - 40 + 3 * np.sin(y / 5)) / 1.5, -2, 2), 0.03)
    whole = proposals(grid, SITE)
    monkeypatch.setattr("cloudprep.stages.lines.find_breaklines._STRIP_CELLS", 1)
    parts = proposals(grid, SITE)  # of 64 rows
    assert len(whole) >= 2
    assert shapely.to_wkb(whole.geometries).tolist() == shapely.to_wkb(parts.geometries).tolist()


def test_nothing_has_no_breaklines():
    assert len(proposals(made(lambda x, y: np.nan * x), SITE)) == 0

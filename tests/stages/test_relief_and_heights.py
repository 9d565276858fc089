"""Rasters made from rasters, and heights of points."""

import numpy as np
import pytest

from cloudprep.model.bounds import Bounds
from cloudprep.model.grid import Grid
from cloudprep.model.site import SiteFacts
from cloudprep.stages.above_ground.height_above_ground import HeightAboveGround
from cloudprep.stages.above_ground.surface_height import SurfaceHeight, SurfaceHeightParams
from cloudprep.stages.registry import stage_class
from cloudprep.testing import example_cloud, run_stage

SITE = SiteFacts(100, Bounds(0.0, 0.0, 20.0, 10.0), 0.0, 50.0, 0.5, multiple_returns=True)
WINDOW = SITE.lattice(1.0).window(SITE.bounds)


def grid(name, values):
    return Grid(name, values, WINDOW, "heights")


def made(stage_name, values, of="dtm", **params):
    cls = stage_class(stage_name)
    stage = cls(cls.Params(of=of, **params)).resolved(SITE)
    assert stage.sources() == (of,)
    stage.rasters = {of: grid(of, values)}
    solution = stage.from_rasters(SITE)
    assert [g.name for g in solution.grids] == list(stage.products()) == [f"{of}_{stage_name}"]
    return solution


def plane(east, north):
    row, column = np.mgrid[: WINDOW.rows, : WINDOW.columns].astype(float)
    return 50 + east * column + north * row


def test_slope_and_aspect_of_a_plane_are_the_plane_s():
    solution = made("slope", plane(0.3, 0.4))
    np.testing.assert_allclose(solution.grids[0].values, np.degrees(np.arctan(0.5)), rtol=1e-6)
    assert solution.figures["slope.median"] == pytest.approx(26.565, abs=1e-3)
    assert made("slope", plane(0.3, 0.4), unit="percent").grids[0].values == pytest.approx(50.0)
    fall = np.degrees(np.arctan2(-0.3, -0.4)) % 360
    np.testing.assert_allclose(made("aspect", plane(0.3, 0.4)).grids[0].values, fall, rtol=1e-6)
    assert made("aspect", plane(0.3, 0.4)).grids[0].blends is False


def test_slope_counts_what_is_steep():
    heights = plane(0.0, 0.0)
    heights[:, 10:] = plane(2.0, 0.0)[:, 10:]
    share = made("slope", heights).figures["slope.steep_share"]
    assert 0.4 < share < 0.6


def test_hillshade_is_bytes_with_nothing_where_there_is_nothing():
    heights = plane(0.1, 0.2)
    heights[3, 4] = np.nan
    shade = made("hillshade", heights).grids[0].values
    assert shade.dtype == np.uint8
    assert shade[3, 4] == 0
    assert np.count_nonzero(shade == 0) == 1
    # Away from the light it is dark, not nothing.
    assert (made("hillshade", plane(-20.0, 20.0)).grids[0].values == 1).all()


def test_relief_of_the_surface_reads_the_surface():
    assert made("slope", plane(1.0, 0.0), of="dsm").grids[0].meaning == "slope of the surface"


def surface_height(dtm, dsm, **params):
    stage = SurfaceHeight(SurfaceHeightParams(**params)).resolved(SITE)
    stage.rasters = {"dtm": grid("dtm", dtm), "dsm": grid("dsm", dsm)}
    return stage.from_rasters(SITE)


def test_surface_height_is_the_difference_and_never_below_zero_unless_asked():
    dtm = plane(0.1, 0.0)
    dsm = dtm + 3.0
    dsm[0, 0] -= 4.0
    dsm[1, 1] = np.nan
    found = surface_height(dtm, dsm)
    values = found.grids[0].values
    assert values.dtype == np.float32
    assert np.isnan(values[1, 1])
    assert values[0, 0] == 0
    assert values[5, 5] == pytest.approx(3.0)
    assert found.figures["height.below_share"] == pytest.approx(1 / (dtm.size - 1))
    assert surface_height(dtm, dsm, below_zero=True).grids[0].values[0, 0] == pytest.approx(-1.0)
    assert np.array_equal(dtm, plane(0.1, 0.0))  # the terrain is as it was


def test_heights_of_points_are_from_the_terrain_below_them():
    columns = example_cloud(2000)
    run = run_stage(HeightAboveGround(), columns)
    found = run.labels["height_above_ground"]
    assert found.dtype == np.float32
    x, y, z = (columns[a] for a in "xyz")
    terrain = 100 + 0.1 * x + np.sin(y / 9)  # what example_rasters evaluates at cell centres
    known = found != -9999
    inner = known & (x > 1) & (x < 59) & (y > 1) & (y < 59)
    # Beside the hole the cells that are there count for the ones that aren't.
    near_hole = (np.abs(x - 45) < 4.5) & (np.abs(y - 15) < 5.5)
    assert np.abs(found - (z - terrain))[inner & ~near_hole].max() < 0.01
    # Over the middle of the hole there is no terrain.
    deep = (np.abs(x - 45) < 2) & (np.abs(y - 15) < 3)
    assert deep.any()
    assert (found[deep] == -9999).all()

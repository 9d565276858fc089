"""Contours: intervals round in the site's own unit, bounded smoothing, and what is said of each line."""

from dataclasses import replace

import numpy as np
import pytest
import shapely

from cloudprep.errors import UsageError
from cloudprep.model.bounds import Bounds
from cloudprep.model.crs import INTERNATIONAL_FOOT, US_SURVEY_FOOT
from cloudprep.model.grid import Grid
from cloudprep.model.site import SiteFacts
from cloudprep.stages.lines.contours import Contours, ContoursParams

SITE = SiteFacts(1, Bounds(0.0, 0.0, 60.0, 40.0), 100.0, 130.0, 0.35, True, cell=0.5)


def hilly(site, noise=0.05):
    window = site.lattice(0.5).window(site.bounds)
    x, y = np.meshgrid(0.5 * np.arange(window.columns), 0.5 * np.arange(window.rows))
    z = 110 + 8 * np.sin(x / 9) * np.cos(y / 7) + np.random.default_rng(1).normal(0, noise, x.shape)
    return Grid("dtm", z, window, "")


def layer_of(site=SITE, grid=None, **parameters):
    stage = Contours(ContoursParams(**parameters)).resolved(site)
    stage.rasters = {"dtm": grid or hilly(site)}
    return stage.from_rasters(site).layers[0]


@pytest.mark.parametrize(
    ("unit", "cell", "relief", "interval", "why"),
    [
        (1.0, 0.5, 60.0, 0.5, "cell of 0.5 m"),
        (1.0, 0.5, 1200.0, 5.0, "300th of the 1200 m"),
        (1.0, 2.0, 8.0, 1.0, "a tenth of the 8.0 m"),
        (1.0, 0.25, 0.0, 0.25, "a tenth of the 0.0 m"),
        (INTERNATIONAL_FOOT, 0.5, 60.0, 2 * INTERNATIONAL_FOOT, "2 feet"),
        (US_SURVEY_FOOT, 1.5 * US_SURVEY_FOOT, 60.0, 2 * US_SURVEY_FOOT, "2 feet"),
        (US_SURVEY_FOOT, 1.0 * US_SURVEY_FOOT, 60.0, US_SURVEY_FOOT, "1 feet"),
    ],
)
def test_the_interval_is_round_in_the_unit_of_the_heights(unit, cell, relief, interval, why):
    site = replace(SITE, cell=cell, highest=SITE.lowest + relief, vertical_unit=unit)
    stage = Contours().resolved(site)
    assert stage.params.interval == interval
    assert why in stage.reasons["interval"]
    assert stage.params.largest_change == interval / 4
    assert Contours(ContoursParams(interval=0.7)).resolved(site).params.interval == 0.7


def test_elevations_are_multiples_and_every_fifth_is_an_index_contour():
    layer = layer_of(interval=0.5)
    elevation, kind = layer.attributes["elevation"], layer.attributes["kind"]
    assert (elevation % 0.5 == 0).all()
    assert ((kind == "index") == (elevation % 2.5 == 0)).all()
    assert set(kind) == {"index", "intermediate"}
    z = shapely.get_coordinates(layer.geometries, include_z=True)[:, 2]
    counts = shapely.get_num_coordinates(layer.geometries)
    assert np.array_equal(z, np.repeat(elevation, counts))
    assert layer.heights == ("elevation",)
    tenth = layer_of(interval=0.5, index_every=10)
    assert ((tenth.attributes["kind"] == "index") == (tenth.attributes["elevation"] % 5 == 0)).all()


def test_closed_contours_are_rings():
    layer = layer_of(interval=1.0)
    closed = layer.attributes["closed"]
    assert closed.any()
    assert not closed.all()
    assert np.array_equal(shapely.is_closed(layer.geometries), closed)
    assert layer.attributes["depression"].any()
    assert (~layer.attributes["depression"] | closed).all()


def test_contours_don_t_move_where_smoothing_may_change_nothing():
    grid = hilly(SITE, noise=0.2)
    off = layer_of(grid=grid, interval=1.0, smoothing=0.0)
    bounded = layer_of(grid=grid, interval=1.0, largest_change=0.0)
    assert shapely.to_wkb(off.geometries).tolist() == shapely.to_wkb(bounded.geometries).tolist()
    smooth = layer_of(grid=grid, interval=1.0)
    length = [shapely.length(one.geometries).sum() for one in (smooth, off)]
    assert length[0] < 0.95 * length[1]


def test_heights_of_contours_are_off_by_no_more_than_the_largest_change():
    grid = hilly(SITE, noise=0.3)
    layer = layer_of(grid=grid, interval=1.0, largest_change=0.15, thinning=0.0, shortest=0.0)
    xyz = shapely.get_coordinates(layer.geometries, include_z=True)
    column, row = xyz[:, 0] / 0.5 - 0.5, xyz[:, 1] / 0.5 - 0.5
    c, r = np.minimum(column.astype(int), 118), np.minimum(row.astype(int), 78)
    u, v, z = column - c, row - r, grid.values
    across = z[r, c] * (1 - u) * (1 - v) + z[r, c + 1] * u * (1 - v) + z[r + 1, c] * (1 - u) * v
    off = np.abs(across + z[r + 1, c + 1] * u * v - xyz[:, 2])
    assert off.max() <= 0.15 + 1e-5
    assert off.max() > 0.14


def test_contours_end_at_holes():
    grid = hilly(SITE)
    grid.values[20:40, 30:60] = np.nan
    hole = shapely.box(30.25 / 2 + 0.01, 20.25 / 2 + 0.01, 59.75 / 2 - 0.01, 39.75 / 2 - 0.01)
    layer = layer_of(grid=grid, interval=1.0)
    assert not shapely.intersects(layer.geometries, hole).any()
    assert len(layer) > 5


def test_strips_of_any_height_give_the_same_layer(monkeypatch):
    grid = hilly(SITE)
    whole = layer_of(grid=grid)
    monkeypatch.setattr("cloudprep.stages.lines._traced._STRIP_CELLS", 1)
    parts = layer_of(grid=grid)  # of 64 rows
    assert shapely.to_wkb(whole.geometries).tolist() == shapely.to_wkb(parts.geometries).tolist()


def test_far_too_small_an_interval_is_refused(monkeypatch):
    monkeypatch.setattr("cloudprep.stages.lines._traced._MOST_VERTICES", 10_000)
    with pytest.raises(UsageError, match=r"choose a larger 'interval' than 0\.01 m"):
        layer_of(interval=0.01)


def test_an_empty_terrain_has_no_contours():
    grid = hilly(SITE)
    grid.values[:] = np.nan
    assert len(layer_of(grid=grid)) == 0

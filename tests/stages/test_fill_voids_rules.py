"""Which voids are filled, with what, and what stays."""

import numpy as np
import pytest

from cloudprep.model.bounds import Bounds
from cloudprep.model.grid import Grid, Lattice
from cloudprep.stages.relief.fill_voids import FillVoids
from cloudprep.testing import example_cloud, run_stage


def rasters(heights, cell=1.0):
    window = Lattice(cell).window(Bounds(0, 0, cell * heights.shape[1], cell * heights.shape[0]))
    codes = np.where(np.isnan(heights), 0, 1).astype(np.uint8)
    return {
        "dtm": Grid("dtm", heights, window, "height"),
        "dtm_source": Grid("dtm_source", codes, window, "source", "", {0: "empty", 1: "measured"}),
    }


def filled(heights, cell=1.0, **params):
    given = rasters(heights, cell)
    before = heights.copy()
    result = run_stage(FillVoids(FillVoids.Params(**params)), example_cloud(50), rasters=given).result
    assert np.array_equal(heights, before, equal_nan=True), "the raster given was changed"
    dtm, source = result.grids
    return dtm.values, source.values, result.figures


def plane():
    r, c = np.mgrid[0:40, 0:60]
    return 100.0 + 0.1 * c + 0.05 * r


def test_only_voids_within_both_limits_are_filled():
    z = plane()
    z[5:10, 5:10] = np.nan  # 25 m2, 5 m wide
    z[20:36, 5:25] = np.nan  # 320 m2, 16 m wide
    z[15, 20:58] = np.nan  # 38 m2, 1 m wide
    heights, codes, figures = filled(z, largest_area=100.0, largest_width=3.0)
    assert np.isnan(heights[7, 7])
    assert np.isnan(heights[30, 10])
    assert np.isfinite(heights[15, 30])
    assert (codes == 3).sum() == 38
    assert (codes[15, 20:58] == 3).all()
    assert figures == {
        "voids.filled": 1,
        "voids.filled_area": 38.0,
        "voids.filled_widest": 1.0,
        "voids.left": 2,
        "voids.left_area": 345.0,
    }
    assert filled(z, largest_area=30.0, largest_width=50.0)[2]["voids.filled"] == 1
    assert filled(z, largest_area=1000.0, largest_width=50.0)[2]["voids.filled"] == 3


@pytest.mark.parametrize("cell", [0.5, 2.0])
def test_areas_are_in_metres(cell):
    z = plane()
    z[5:10, 5:10] = np.nan
    figures = filled(z, cell)[2]
    assert figures["voids.filled_area"] == 25 * cell * cell
    assert figures["voids.filled_widest"] == 5 * cell


def test_what_is_open_to_the_rim_stays_open():
    z = plane()
    z[0:4, 10:12] = np.nan
    heights, codes, figures = filled(z)
    assert np.isnan(heights[2, 10])
    assert not (codes == 3).any()
    assert figures["voids.filled"] == 0


@pytest.mark.parametrize("method", ["membrane", "nearest", "inverse_distance"])
def test_all_else_stays_as_it_is_and_heights_stay_between_those_of_the_rim(method):
    z = plane() + np.random.default_rng(1).normal(0, 0.1, (40, 60))
    known = z.copy()
    z[10:20, 10:20] = np.nan
    z[20:22, 20:23] = np.nan  # touches the other at a corner only
    heights, codes, figures = filled(z, method=method)
    hole = np.isnan(z)
    assert figures["voids.filled"] == 2
    assert np.array_equal(heights[~hole], known[~hole])
    assert (codes[~hole] == 1).all()
    assert (codes[hole] == 3).all()
    assert np.isfinite(heights).all()
    rim = known[9:23, 9:24][~hole[9:23, 9:24]]
    assert rim.min() <= heights[hole].min()
    assert heights[hole].max() <= rim.max()


def test_nearest_takes_the_height_of_the_nearest_cell_and_a_membrane_a_plane():
    z = plane()
    z[10:15, 10:15] = np.nan
    heights = filled(z, method="nearest")[0]
    assert heights[10, 12] == z[9, 12]
    assert heights[14, 12] == z[15, 12]
    assert filled(z, method="membrane")[0][10:15, 10:15] == pytest.approx(plane()[10:15, 10:15], abs=1e-3)

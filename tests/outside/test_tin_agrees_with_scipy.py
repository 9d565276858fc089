"""Triangles and heights against scipy, which wraps another implementation altogether."""

import numpy as np
import pytest
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import Delaunay

from cloudprep.kernels.predicates import EXTENT
from cloudprep.kernels.tin import tin_heights
from cloudprep.kernels.tin_points import sites_of, substeps
from cloudprep.kernels.triangulation import delaunay, triangulate


@pytest.mark.parametrize("extent", [100_000, EXTENT - 1])
@pytest.mark.parametrize("count", [4, 50, 3000])
def test_tin_has_the_triangles_of_scipy_on_points_in_general_position(extent, count):
    points = np.random.default_rng(count).integers(0, extent, (count, 2)).astype(float)
    assert len(np.unique(points, axis=0)) == count
    ours = {tuple(sorted(t)) for t in delaunay(points[:, 0], points[:, 1]).tolist()}
    theirs = {tuple(sorted(t)) for t in Delaunay(points).simplices.tolist()}
    assert ours == theirs


@pytest.mark.parametrize(("count", "cell"), [(60, 0.5), (4000, 0.5), (4000, 0.1), (4000, 3.0)])
def test_tin_heights_equal_linear_interpolation_of_scipy_and_have_the_same_gaps(count, cell):
    rng = np.random.default_rng(count)
    spread, margin = 50.0, 2
    x, y = np.round(np.unique(np.round(rng.random((count, 2)) * spread, 3), axis=0), 3).T
    z = 500 + 9 * np.sin(x / 7) + 4 * np.cos(y / 5) + rng.normal(0, 1, len(x))

    # Far from zero for us, near zero for scipy: else its rounding would be what the comparison measures.
    east, north = 450_000.0, 120_000.0
    sites = sites_of(x + east, y + north, z, 0.001)
    size = int(spread / cell) + 2 * margin
    first = (0.5 - margin) * cell
    columns = substeps(sites, east + first, cell, size, along=0)
    rows = substeps(sites, north + first, cell, size, along=1)
    ours = tin_heights(sites.steps, sites.z, triangulate(sites.steps), columns, rows)

    centres = first + np.arange(size) * cell
    expected = LinearNDInterpolator(np.column_stack((x, y)), z)(*np.meshgrid(centres, centres))

    assert np.isnan(expected).any()
    assert np.array_equal(np.isnan(ours), np.isnan(expected))
    assert np.nanmax(np.abs(ours - expected)) < 1e-9

"""Thinned triangles: within the tolerance at every cell, no overlap, no hole covered, no ground left open."""

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import LinearNDInterpolator

from cloudprep.kernels.tin_refining import thinned_tin


def holed(seed, rows, columns, holes, tilted):
    rng = np.random.default_rng(seed)
    z = rng.normal(0, 1, (rows, columns))
    if tilted:
        z = np.add.outer(0.1 * np.arange(rows), 0.2 * np.arange(columns)) + (rng.random(z.shape) < 0.03)
    z[rng.random(z.shape) < holes] = np.nan
    if seed % 3 == 0 and rows > 8:
        z[3:7, 2 : columns - 2] = np.nan
    return z


def ground(known):
    """Return the area of quarters between cells that have heights, and which cells take part in any."""
    rows, columns = known.shape
    count = sum(known[r : rows - 1 + r, c : columns - 1 + c].astype(int) for r in (0, 1) for c in (0, 1))
    part = np.zeros_like(known)
    for r in (0, 1):
        for c in (0, 1):
            part[r : rows - 1 + r, c : columns - 1 + c] |= count >= 3
    return (count == 4).sum() + 0.5 * (count == 3).sum(), part & known


@given(
    st.integers(0, 10_000),
    st.integers(2, 20),
    st.integers(2, 20),
    st.sampled_from([0.0, 0.02, 0.12, 0.4]),
    st.booleans(),
    st.sampled_from([0.0, 0.05, 0.5, 1.5]),
)
def test_triangles_cover_the_ground_and_nothing_else(seed, rows, columns, holes, tilted, tolerance):
    z = holed(seed, rows, columns, holes, tilted)
    tin = thinned_tin(z, tolerance)
    area, part = ground(~np.isnan(z))
    corners = tin.cells[tin.faces]
    triangles = [shapely.Polygon(np.c_[c % columns, c // columns]) for c in corners]
    assert sum(t.area for t in triangles) == pytest.approx(area)
    assert shapely.union_all(triangles).area == pytest.approx(area)
    assert all(t.exterior.is_ccw for t in triangles)
    assert tin.uncovered == np.count_nonzero(~np.isnan(z)) - np.count_nonzero(part)
    assert tin.worst <= tolerance + 1e-12


def test_the_deviation_is_what_another_library_finds():
    y, x = np.mgrid[:60, :80]
    z = 5 * np.sin(x / 9) * np.cos(y / 13) + np.random.default_rng(1).normal(0, 0.02, x.shape)
    tin = thinned_tin(z, 0.25)
    places = np.c_[tin.cells % 80, tin.cells // 80].astype(float)
    # The same triangles, but for which of two splits a square of four centres.
    theirs = LinearNDInterpolator(places, z.ravel()[tin.cells])(x, y)
    assert np.percentile(np.abs(theirs - z), 99) <= 0.25
    assert 0.2 < tin.worst <= 0.25
    assert len(tin.cells) < 0.2 * z.size


def test_a_plane_needs_two_triangles_and_a_bump_a_few_more():
    plane = np.add.outer(np.arange(50.0), 2 * np.arange(70.0))
    assert len(thinned_tin(plane, 1e-9).faces) == 2
    plane[20, 30] += 1.0
    tin = thinned_tin(plane, 0.01)
    assert 20 * 70 + 30 in tin.cells
    assert len(tin.cells) < 40


@pytest.mark.parametrize("shape", [(1, 1), (1, 9), (9, 1)])
def test_a_line_of_cells_has_no_triangles(shape):
    tin = thinned_tin(np.ones(shape), 0.1)
    assert (len(tin.cells), len(tin.faces), tin.uncovered) == (0, 0, np.prod(shape))


def test_nothing_has_no_triangles():
    tin = thinned_tin(np.full((4, 5), np.nan), 0.1)
    assert (len(tin.cells), len(tin.faces), tin.uncovered) == (0, 0, 0)

"""Contours and their thinning: no line touches another, whatever the raster, and strips leave no trace."""

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from cloudprep.kernels.contours import contour_pieces
from cloudprep.kernels.line_thinning import vertices_kept
from cloudprep.kernels.smoothing import smooth_rows
from cloudprep.stages.lines._traced import traced


def raster(seed, rows, columns, kind, holes):
    """Return heights: noise, whole numbers (centres at the very level), or a saddle's neighbourhood."""
    rng = np.random.default_rng(seed)
    if kind == "whole":
        z = rng.integers(0, 5, (rows, columns)).astype(float)
    elif kind == "noise":
        z = rng.normal(0, 2, (rows, columns))
    else:
        y, x = np.mgrid[:rows, :columns]
        z = (x - columns / 2) * (y - rows / 2) * 0.3
    z[rng.random(z.shape) < holes] = np.nan
    return z


def trace(z, strip=None, deviation=0.0, shortest=0.0):
    return traced(lambda a, b: smooth_rows(z, a, b, deviation, 0.3), z.shape, 1.0, shortest, strip)


def lines_of(found):
    lines = []
    for i in range(len(found)):
        line = found.places[found.starts[i] : found.starts[i + 1]]
        lines.append(shapely.LineString(np.r_[line, line[:1]] if found.closed[i] else line))
    return np.array(lines, object)


def touching(lines):
    """Return pairs of lines that touch, and lines that touch themselves."""
    if len(lines) == 0:
        return [], []
    a, b = shapely.STRtree(lines).query(lines, "intersects")
    return [(i, j) for i, j in zip(a, b, strict=True) if i < j], lines[~shapely.is_simple(lines)]


any_raster = st.tuples(
    st.integers(0, 10_000),
    st.integers(2, 25),
    st.integers(2, 25),
    st.sampled_from(["whole", "noise", "saddle"]),
    st.sampled_from([0.0, 0.06]),
)


@given(any_raster, st.sampled_from([0.0, 0.3, 2.0]))
def test_no_contour_touches_another_or_itself(given_raster, tolerance):
    z = raster(*given_raster)
    found = trace(z)
    kept = vertices_kept(found.places, found.starts, found.closed, tolerance, z.shape[::-1])
    pairs, crooked = touching(lines_of(found.thinned(kept)))
    assert pairs == []
    assert len(crooked) == 0


def test_lines_that_cross_would_be_seen():
    crossing = np.array([shapely.LineString([(0, 0), (2, 2)]), shapely.LineString([(0, 2), (2, 0)])])
    assert touching(crossing)[0] == [(0, 1)]


@given(any_raster, st.sampled_from([0.0, 0.8]), st.integers(1, 9))
def test_strips_leave_no_trace(given_raster, deviation, strip):
    z = raster(*given_raster)
    whole, parts = (trace(z, s, deviation, 2.0) for s in (None, strip))
    for name in ("places", "starts", "levels", "closed"):
        assert np.array_equal(getattr(whole, name), getattr(parts, name)), name


@given(any_raster)
def test_each_vertex_lies_on_the_way_between_two_centres_at_its_level(given_raster):
    z = raster(*given_raster)
    found = trace(z)
    levels = np.repeat(found.levels, np.diff(found.starts))
    x, y = found.places.T
    column, row = np.floor(x).astype(int), np.floor(y).astype(int)
    across = x > column
    assert (across != (y > row)).all()
    next_column, next_row = column + across, row + ~across
    share = np.where(across, x - column, y - row)
    a, b = z[row, column], z[next_row, next_column]
    # Shares next to a centre are kept off it by a millionth of a cell.
    assert np.abs(a + share * (b - a) - levels).max(initial=0) <= 2e-6 * np.abs(b - a).max(initial=1)


def test_higher_ground_is_on_the_left_and_hollows_are_told():
    y, x = np.mgrid[-10:11, -10:11]
    hill = 5 - 0.5 * np.hypot(x, y)
    for z, hollow in ((hill, False), (-hill, True)):
        found = trace(z)
        rings = found.closed
        assert rings.sum() >= 4
        assert (found.depressions()[rings] == hollow).all()
        assert not found.depressions()[~rings].any()


def test_a_plateau_at_the_very_level_has_one_line_around_it():
    z = np.zeros((9, 9))
    z[3:6, 3:6] = 1.0
    found = trace(z)
    assert found.levels.tolist() == [1]
    ring = shapely.Polygon(found.places)
    # It is part of the ground above: the line runs outside of it, but hardly.
    assert ring.area == pytest.approx(4.0, rel=1e-4)
    assert ring.contains(shapely.box(3, 3, 5, 5))


def test_a_saddle_is_settled_by_the_bilinear_surface():
    # Corners 2, 0, 2, 0: the middle of the bilinear surface is 1; of 2, 0, 5, 0 its saddle is 10 / 7 > 1.
    high = contour_pieces(np.array([[2.0, 0.0], [0.0, 5.0]]), 1.0, 0)
    level_1 = [high.places[high.starts[i] : high.starts[i + 1]] for i in np.flatnonzero(high.levels == 1)]
    assert len(level_1) == 2
    lines = shapely.MultiLineString(level_1)
    # The two high corners are joined: the way between them meets no contour of 1.
    assert not lines.intersects(shapely.LineString([(0, 0), (1, 1)]))
    low = contour_pieces(np.array([[2.0, 0.0], [0.0, 1.5]]) - 0.4, 1.0, 0)
    lines = shapely.MultiLineString(
        [low.places[low.starts[i] : low.starts[i + 1]] for i in np.flatnonzero(low.levels == 1)]
    )
    assert lines.intersects(shapely.LineString([(0, 0), (1, 1)]))


@given(any_raster, st.sampled_from([0.2, 1.0]))
def test_thinned_lines_stay_within_the_tolerance(given_raster, tolerance):
    z = raster(*given_raster)
    found = trace(z)
    thin = found.thinned(vertices_kept(found.places, found.starts, found.closed, tolerance, z.shape[::-1]))
    lines = lines_of(thin)
    assert np.array_equal(thin.closed, found.closed)
    if len(lines):
        which = np.repeat(np.arange(len(found)), np.diff(found.starts))
        apart = shapely.distance(shapely.points(found.places), lines[which])
        assert apart.max() <= tolerance + 1e-9
    if len(found.places) > 300:
        assert len(thin.places) < len(found.places)


def test_short_contours_are_left_out():
    y, x = np.mgrid[-10:11, -10:11]
    found = trace(5 - 0.5 * np.hypot(x, y), shortest=20.0)
    assert found.lengths().min() >= 20
    assert len(found) < len(trace(5 - 0.5 * np.hypot(x, y)))

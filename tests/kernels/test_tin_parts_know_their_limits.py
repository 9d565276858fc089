"""What is proven of a triangle from a part of the points, against the exact definition on all of them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull

from cloudprep.kernels.interpolation import nearest_means
from cloudprep.kernels.predicates import EXTENT
from cloudprep.kernels.tin_bins import binned, usable
from cloudprep.kernels.tin_circles import OPEN, PROVEN, REFUTED, circle_known, judge_circles, refute_circles
from cloudprep.kernels.tin_hulls import hulls_of, joined, mark_outside, outline_of
from cloudprep.kernels.tin_points import SUBSTEPS, frame_of
from cloudprep.kernels.triangulation import delaunay


def power(triangle, x, y):
    """Return a whole number that is < 0 where a place lies in the circle of a counterclockwise triangle."""
    (ax, ay), (bx, by), (cx, cy) = [(int(px) - x, int(py) - y) for px, py in triangle]
    return -(
        (ax * ax + ay * ay) * (bx * cy - cx * by)
        + (bx * bx + by * by) * (cx * ay - ax * cy)
        + (cx * cx + cy * cy) * (ax * by - bx * ay)
    )


def turn(a, b, c):
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def bins_of(x, y, edge=None):
    x, y = np.asarray(x, float), np.asarray(y, float)
    frame = frame_of((0.0, 0.0, x.max() + 1.0, y.max() + 1.0), 1.0)._replace(step=1.0)
    used = np.ones(len(x), bool)
    return binned(x, y, used, usable(x, y, x, used, frame), frame, edge)


PLACE = st.tuples(st.integers(0, 40), st.integers(0, 40))


@settings(max_examples=300, deadline=None)
@given(st.tuples(PLACE, PLACE, PLACE), st.tuples(*[st.integers(0, 14)] * 4))
def test_a_circle_that_is_known_reaches_no_place_of_the_site_beyond_the_part(triangle, margins):
    area = turn(*triangle)
    if area == 0:
        return
    a, b, c = triangle if area > 0 else triangle[::-1]
    x0, y0 = (min(p[k] for p in triangle) - margins[k] for k in (0, 1))
    x1, y1 = (max(p[k] for p in triangle) + margins[2 + k] for k in (0, 1))
    sides = (
        float(x0) if x0 > 0 else -np.inf,
        float(y0) if y0 > 0 else -np.inf,
        float(x1) if x1 < 40 else np.inf,
        float(y1) if y1 < 40 else np.inf,
    )
    known = circle_known(*map(float, (*a, *b, *c)), *sides, 0.0, 0.0, 40.0, 40.0)
    every = [(x, y) for x in range(41) for y in range(41)]
    beyond = [p for p in every if not (sides[0] <= p[0] <= sides[2] and sides[1] <= p[1] <= sides[3])]
    reached = any(power((a, b, c), x, y) <= 0 for x, y in beyond)
    assert not (known and reached)
    if np.isinf(sides).all():
        assert known


def test_a_sliver_on_the_rim_of_the_site_is_known_though_its_circle_is_wide():
    # Its disc reaches far beyond the western rim, and into the site by no more than the sliver.
    sliver = (10.0, 1000.0, 11.0, 1500.0, 10.0, 2000.0)
    assert circle_known(*sliver, -np.inf, 900.0, 2000.0, 2100.0, 10.0, 0.0, 9000.0, 9000.0)
    # The same with a site that goes on to the west: points may lie there.
    assert not circle_known(*sliver, 0.0, 900.0, 2000.0, 2100.0, -90_000.0, 0.0, 9000.0, 9000.0)


@pytest.mark.parametrize("extent", [60, 5000, EXTENT - 1])
def test_circles_are_judged_by_hulls_as_by_all_points(extent):
    rng = np.random.default_rng(extent % 97)
    points = np.unique(rng.integers(0, extent, (900, 2)), axis=0).astype(float)
    part = points[(points < extent * 0.6).all(axis=1)]
    corners = part[delaunay(*part.T)].reshape(-1, 6)
    hulls = hulls_of(bins_of(*points.T, edge=max(1, extent // 12)))
    verdicts = np.zeros(len(corners), np.uint8)
    met = np.zeros(len(hulls.starts) - 1, bool)
    nothing = np.array([1.0, 1.0, 0.0, 0.0])
    judge_circles(corners, nothing, hulls.x, hulls.y, hulls.starts, hulls.boxes(), verdicts, met)
    whole = {tuple(sorted(map(tuple, points[t]))) for t in delaunay(*points.T)}
    real = np.array([tuple(sorted(map(tuple, t.reshape(3, 2)))) in whole for t in corners])
    assert real[verdicts == PROVEN].all()
    assert not real[verdicts == REFUTED].any()
    assert (verdicts == OPEN).any() == met.any()
    assert 0 < (verdicts == REFUTED).sum() < len(corners)
    refute_circles(corners, *np.ascontiguousarray(points.T), verdicts)
    assert np.array_equal(real, verdicts != REFUTED)


@pytest.mark.parametrize("edge", [7, 30, 1000])
def test_hulls_are_those_of_scipy(edge):
    points = np.random.default_rng(3).integers(0, 400, (3000, 2))
    hulls = hulls_of(bins_of(*points.T, edge=edge))
    cells = {}
    for x, y in points:
        cells.setdefault((y // edge, x // edge), []).append((x, y))
    found = {}
    for k in range(len(hulls.starts) - 1):
        at = slice(hulls.starts[k], hulls.starts[k + 1])
        corners = list(zip(hulls.x[at], hulls.y[at], strict=True))
        found[int(corners[0][1] // edge), int(corners[0][0] // edge)] = corners
    assert found.keys() == cells.keys()
    for cell, members in cells.items():
        distinct = np.unique(members, axis=0)
        flat = len(distinct) < 3 or np.linalg.matrix_rank(distinct - distinct[0]) < 2
        if flat:
            assert sorted(found[cell]) == sorted({tuple(distinct[0]), tuple(distinct[-1])})
        else:
            assert sorted(found[cell]) == sorted(map(tuple, distinct[ConvexHull(distinct).vertices]))


def test_hulls_joined_do_not_depend_on_the_order_of_parts():
    rng = np.random.default_rng(5)
    parts = [hulls_of(bins_of(*rng.integers(0, 300, (2, n)), edge=50)) for n in (1, 2, 40, 700)]
    one, other = joined(parts), joined([joined(parts[:1:-1]), *parts[:2]])
    for a, b in zip(one, other, strict=True):
        assert a.tobytes() == b.tobytes()
    assert len(one.starts) - 1 == sum(len(p.starts) - 1 for p in parts)


def test_positions_outside_the_outline_are_marked_and_none_within():
    points = np.random.default_rng(6).integers(0, 300, (40, 2))
    outline = outline_of(hulls_of(bins_of(*points.T, edge=60)))
    hull = ConvexHull(points)
    assert len(outline) == len(hull.vertices)
    at = np.arange(-20.0, 320.0, 3.7)
    marks = np.zeros((len(at), len(at)), np.uint8)
    mark_outside(outline, at, at, marks, 1)
    x, y = np.meshgrid(at, at)
    distance = (np.stack((x, y), axis=-1) @ hull.equations[:, :2].T + hull.equations[:, 2]).max(axis=-1)
    assert not marks[distance <= 0].any()
    # Beyond a slanted side by more than a step across or up.
    assert marks[distance > 3].all()


@settings(max_examples=60, deadline=None)
@given(st.lists(PLACE, min_size=1, max_size=300), st.tuples(PLACE, PLACE))
def test_bins_give_the_points_of_a_rectangle(points, corners):
    x, y = np.array(points).T
    bins = bins_of(x, y)
    (x0, y0), (x1, y1) = np.sort(corners, axis=0).tolist()
    columns, rows, index = bins.within(x0, y0, x1, y1)
    inside = np.flatnonzero((x >= x0) & (x <= x1) & (y >= y0) & (y <= y1))
    assert sorted(index) == inside.tolist()
    assert np.array_equal(columns, x[index])
    assert np.array_equal(rows, y[index])
    assert bins.number(x0, y0, x1, y1) == len(inside)
    assert bins.about(x0, y0, x1, y1) >= len(inside)
    assert len(bins.within(-np.inf, -np.inf, np.inf, np.inf)[0]) == len(x)


def test_nearest_points_equally_far_are_taken_from_the_west():
    steps = np.array([[2.0, 0], [0, 2], [-2, 0], [0, -2], [9, 9]]) + 20
    z = np.array([1.0, 2, 4, 8, 16])
    centre = np.array([20 * SUBSTEPS], np.int64)
    for count, mean in ((1, 4.0), (2, 6.0), (3, 14 / 3), (4, 3.75)):
        for order in ([0, 1, 2, 3, 4], [4, 3, 1, 2, 0]):
            found, reached = nearest_means(
                steps[order], z[order], centre, centre, power=1.0, neighbours=count, radius=50.0
            )
            assert found[0, 0] == pytest.approx(mean, rel=1e-15)
            assert reached[0, 0] == 2.0
    _, reached = nearest_means(steps, z, centre, centre, power=1.0, neighbours=5, radius=5.0)
    assert reached[0, 0] == np.inf

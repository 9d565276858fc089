"""Triangles checked against the definition, in whole-number arithmetic without limits."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cloudprep.kernels.hilbert import hilbert_keys, radix_order, spatial_order
from cloudprep.kernels.predicates import EXTENT
from cloudprep.kernels.triangulation import delaunay


def turn(a, b, c):
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def in_circle(a, b, c, p):
    (ax, ay), (bx, by), (cx, cy) = [(q[0] - p[0], q[1] - p[1]) for q in (a, b, c)]
    return (
        (ax * ax + ay * ay) * (bx * cy - cx * by)
        + (bx * bx + by * by) * (cx * ay - ax * cy)
        + (cx * cx + cy * cy) * (ax * by - bx * ay)
    )


def hull(points):
    """Return the hull of sorted distinct points, with the points that lie on its edges (monotone chain)."""

    def half(sequence):
        chain = []
        for p in sequence:
            while len(chain) > 1 and turn(chain[-2], chain[-1], p) < 0:
                chain.pop()
            chain.append(p)
        return chain[:-1]

    return half(points) + half(points[::-1])


def triangles_of(points):
    array = np.array(points, float).reshape(-1, 2)
    return {tuple(sorted(points[i] for i in t)) for t in delaunay(array[:, 0], array[:, 1]).tolist()}


def check(points):
    """Hold the triangles of some whole-number points to all that defines a Delaunay triangulation."""
    array = np.array(points, float).reshape(-1, 2)
    found = delaunay(array[:, 0], array[:, 1]).tolist()
    distinct = sorted(set(points))
    flat = all(turn(distinct[0], distinct[-1], p) == 0 for p in distinct)
    if flat:
        assert found == []
        return
    rim = hull(distinct)
    # Euler: with every point used, n points of which h on the hull make 2 n - 2 - h triangles.
    assert len(found) == 2 * len(distinct) - 2 - len(rim)
    assert {points[i] for t in found for i in t} == set(distinct)
    corners = [tuple(points[i] for i in t) for t in found]
    assert all(turn(*t) > 0 for t in corners)
    # Together they cover the hull exactly.
    area = sum(a[0] * b[1] - a[1] * b[0] for a, b in zip(rim, rim[1:] + rim[:1], strict=True))
    assert sum(turn(*t) for t in corners) == area
    assert not any(in_circle(*t, p) > 0 for t in corners for p in distinct)


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 6), st.integers(0, 6)), min_size=1, max_size=40))
def test_triangulation_of_crowded_lattice_points_has_empty_circles(points):
    check(points)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(*[st.one_of(st.integers(0, EXTENT - 1), st.sampled_from([0, 1, EXTENT - 1]))] * 2),
        min_size=1,
        max_size=25,
    )
)
def test_triangulation_of_points_over_the_full_extent_has_empty_circles(points):
    check(points)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 8), st.integers(0, 8)), min_size=3, max_size=40), st.randoms())
def test_triangulation_does_not_depend_on_the_order_of_points(points, random):
    shuffled = points.copy()
    random.shuffle(shuffled)
    assert triangles_of(shuffled) == triangles_of(points)


def test_triangulation_does_not_depend_on_the_order_of_a_large_set():
    rng = np.random.default_rng(5)
    points = np.unique(rng.integers(0, 150, (20_000, 2)), axis=0).astype(float)
    shuffle = rng.permutation(len(points))
    one = delaunay(points[:, 0], points[:, 1])
    other = shuffle[delaunay(points[shuffle, 0], points[shuffle, 1])]
    assert {tuple(sorted(t)) for t in one.tolist()} == {tuple(sorted(t)) for t in other.tolist()}


@pytest.mark.parametrize(
    "points",
    [
        [],
        [(3, 4)],
        [(3, 4), (5, 6)],
        [(3, 4), (3, 4), (3, 4)],
        [(i, 2 * i) for i in range(50)],
        [(7, i) for i in range(50)],
    ],
)
def test_triangulation_of_points_on_one_line_is_empty(points):
    array = np.array(points, float).reshape(-1, 2)
    assert delaunay(array[:, 0], array[:, 1]).shape == (0, 3)


def patterns():
    rng = np.random.default_rng(11)
    angle = rng.uniform(0, 2 * np.pi, 300)
    half = EXTENT / 2 - 1
    steps = np.arange(150)
    yield "circle", half + np.rint(half * np.column_stack((np.cos(angle), np.sin(angle))))
    yield "parabola", np.column_stack((steps * 1000, (steps - 75) ** 2 * 1000))
    yield "two lines", np.column_stack((steps // 2 * 10, steps % 2))
    yield "far lines", np.column_stack((steps // 2 * 10, steps % 2 * (EXTENT - 1)))
    yield "line and a point", np.vstack((np.column_stack((steps, steps)), [[9, 80]]))
    yield "scan lines", np.column_stack((rng.integers(0, 8, 300) * 1000, rng.integers(0, 9000, 300)))
    yield "dense spot", np.vstack((rng.integers(0, 30, (250, 2)), rng.integers(0, EXTENT, (20, 2))))


@pytest.mark.parametrize(("name", "points"), list(patterns()), ids=lambda v: v if isinstance(v, str) else "")
def test_triangulation_of_awkward_patterns_has_empty_circles(name, points):
    check([(int(x), int(y)) for x, y in points])


def test_triangulation_grows_its_scratch_when_one_point_meets_thousands_of_triangles():
    # The last of the points on a circle to be added is its centre or close to it: a cavity of all triangles.
    angle = np.linspace(0, 2 * np.pi, 9001)[:-1]
    circle = np.rint(3e7 + 3e7 * np.column_stack((np.cos(angle), np.sin(angle))))
    points = np.vstack((circle, [[3e7, 3e7]]))
    found = delaunay(points[:, 0], points[:, 1])
    hub = len(circle)
    assert np.isin(hub, found)
    assert len(found) == 2 * len(points) - 2 - len(_hull_size(points))


def _hull_size(points):
    return hull(sorted({(int(x), int(y)) for x, y in points}))


def test_triangulation_refuses_points_too_far_apart_to_be_exact():
    with pytest.raises(ValueError, match="span 67108864 steps"):
        delaunay(np.array([0.0, EXTENT, 5]), np.array([0.0, 1, 9]))


@given(st.integers(1, 6))
@settings(deadline=None)
def test_triangulation_order_passes_every_place_next_to_the_one_before(size):
    side = 2**size
    x, y = (a.ravel().astype(float) for a in np.meshgrid(np.arange(side), np.arange(side)))
    order = spatial_order(x, y)
    assert sorted(order.tolist()) == list(range(side * side))
    assert (np.abs(np.diff(x[order])) + np.abs(np.diff(y[order])) == 1).all()


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(0, EXTENT - 1), st.integers(0, EXTENT - 1)), min_size=2, max_size=30))
def test_triangulation_order_gives_each_place_its_own_key(points):
    array = np.array(points, float)
    keys = hilbert_keys(array[:, 0].copy(), array[:, 1].copy(), 27)
    assert len(set(keys.tolist())) == len(set(points))
    assert keys.min() >= 0


def test_triangulation_order_sorts_like_a_stable_sort():
    keys = np.random.default_rng(2).integers(0, 3000, 5000)
    assert np.array_equal(radix_order(keys, 12), np.argsort(keys, kind="stable"))

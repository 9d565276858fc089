"""The in-circle test against whole-number arithmetic without limits, and its rule for ties."""

import math

import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from cloudprep.kernels.predicates import EXTENT, in_circle, turn

COORDINATE = st.one_of(st.integers(0, 6), st.integers(0, EXTENT - 1), st.integers(EXTENT - 9, EXTENT - 1))
POINT = st.tuples(COORDINATE, COORDINATE)


def exact_turn(a, b, c):
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def exact_in_circle(a, b, c, p):
    rows = [(q[0] - p[0], q[1] - p[1]) for q in (a, b, c)]
    lift = [x * x + y * y for x, y in rows]
    (ax, ay), (bx, by), (cx, cy) = rows
    return lift[0] * (bx * cy - cx * by) + lift[1] * (cx * ay - ax * cy) + lift[2] * (ax * by - bx * ay)


def asked(a, b, c, p):
    return in_circle(*(float(q[i] - p[i]) for q in (a, b, c) for i in (0, 1)))


def counterclockwise(a, b, c):
    area = exact_turn(a, b, c)
    assume(area != 0)
    return (a, b, c) if area > 0 else (a, c, b)


@settings(deadline=None)
@given(POINT, POINT, POINT)
def test_predicates_turn_equals_whole_number_arithmetic(a, b, c):
    assert turn(*map(float, (*a, *b, *c))) == exact_turn(a, b, c)


@settings(deadline=None)
@given(POINT, POINT, POINT, POINT)
@example((0, 0), (EXTENT - 1, 0), (EXTENT - 1, EXTENT - 1), (0, EXTENT - 1))
# One step off the circle of the largest square: the float filter can't tell.
@example((0, 0), (EXTENT - 1, 0), (EXTENT - 1, EXTENT - 1), (1, EXTENT - 1))
@example((0, 0), (EXTENT - 1, 1), (EXTENT - 2, EXTENT - 1), (0, EXTENT - 2))
def test_predicates_in_circle_has_the_sign_of_whole_number_arithmetic(a, b, c, p):
    a, b, c = counterclockwise(a, b, c)
    expected = exact_in_circle(a, b, c, p)
    if expected != 0:
        assert asked(a, b, c, p) == (expected > 0)


# Whole-number points on one circle: 5^2 13^2 17^2 has many ways to be a sum of two squares.
RADIUS = 5 * 13 * 17
CIRCLE = sorted(
    {
        (RADIUS + sx * x, RADIUS + sy * y)
        for x in range(RADIUS + 1)
        for y in [math.isqrt(RADIUS**2 - x**2)]
        if x * x + y * y == RADIUS**2
        for sx in (-1, 1)
        for sy in (-1, 1)
    }
)


@settings(deadline=None)
@given(st.lists(st.sampled_from(CIRCLE), min_size=4, max_size=4, unique=True))
def test_predicates_tie_splits_four_points_of_a_circle_in_one_way(four):
    # In order around the circle, the four make a square-like quadrilateral with two possible diagonals.
    a, b, c, d = sorted(four, key=lambda p: math.atan2(p[1] - RADIUS, p[0] - RADIUS))
    assert exact_in_circle(a, b, c, d) == 0
    first_diagonal_is_kept = not asked(a, b, c, d)
    # However it is asked, the answer is the same split.
    assert first_diagonal_is_kept == (not asked(b, c, a, d))
    assert first_diagonal_is_kept == (not asked(c, d, a, b))
    assert first_diagonal_is_kept == asked(b, c, d, a)
    assert first_diagonal_is_kept == asked(d, a, b, c)
    # The earliest point by (x, y) is cut off: the diagonal runs between its two neighbours.
    around = [a, b, c, d]
    assert first_diagonal_is_kept == (around.index(min(around)) in (1, 3))


@pytest.mark.parametrize("scale", [1, 1000, (EXTENT - 1) // (2 * RADIUS)])
def test_predicates_tie_does_not_depend_on_size_or_place(scale):
    a, b, c, d = sorted(CIRCLE[::7][:4], key=lambda p: math.atan2(p[1] - RADIUS, p[0] - RADIUS))
    grown = [(scale * x, scale * y) for x, y in (a, b, c, d)]
    assert asked(*grown) == asked(a, b, c, d)

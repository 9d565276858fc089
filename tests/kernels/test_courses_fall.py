"""Places along a line, and heights that never rise along it."""

import itertools

import numpy as np
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from cloudprep.kernels.courses import along_course, heights_along, never_rising

heights = st.lists(st.integers(-50, 50).map(float), min_size=1, max_size=30).map(np.array)


def test_places_along_are_those_of_the_library():
    rng = np.random.default_rng(3)
    course = np.cumsum(rng.uniform(-3, 6, (60, 2)), axis=0)
    x, y = rng.uniform(-20, 150, (2, 3000))
    along, apart = along_course(x, y, course)
    line = shapely.LineString(course)
    points = shapely.points(x, y)
    np.testing.assert_allclose(apart, shapely.distance(line, points), atol=1e-9)
    where = shapely.line_locate_point(line, points)
    back = shapely.line_interpolate_point(line, along)
    np.testing.assert_allclose(shapely.distance(back, points), apart, atol=1e-7)
    assert np.mean(np.abs(along - where) < 1e-7) > 0.99  # where two places are equally near, either will do


@given(heights)
def test_they_never_rise(values):
    assert (np.diff(never_rising(values)) <= 0).all()


@given(heights)
def test_heights_that_never_rise_stay(values):
    falling = np.sort(values)[::-1]
    assert np.array_equal(never_rising(falling), falling)


@settings(max_examples=80, deadline=None)
@given(st.lists(st.integers(0, 5).map(float), min_size=1, max_size=6).map(np.array))
def test_no_other_falling_heights_are_nearer(values):
    # Brute force over all falling sequences of the values that occur: some best one is among them.
    best = min(
        np.abs(np.array(other) - values).sum()
        for other in itertools.product(sorted(set(values.tolist()), reverse=True), repeat=len(values))
        if all(b <= a for a, b in itertools.pairwise(other))
    )
    assert np.abs(never_rising(values) - values).sum() == best


@given(heights, st.lists(st.floats(-10, 400), min_size=2, max_size=60).map(np.array))
def test_between_stations_they_never_rise_either_to_the_bit(values, places):
    levels = never_rising(values / 7.0)
    stations = np.cumsum(np.full(len(levels), 11.3))
    found = heights_along(np.sort(places), stations, levels)
    assert (np.diff(found) <= 0).all()
    assert found.max() <= levels[0]
    assert found.min() >= levels[-1]

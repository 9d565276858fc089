"""Scan conversion: who owns an edge, what counts as inside, and that nothing but the points matters."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cloudprep.kernels.tin import tin_heights
from cloudprep.kernels.tin_points import SUBSTEPS
from cloudprep.kernels.triangulation import triangulate


def grid(steps, z, triangles, columns, rows, **options):
    """Interpolate at whole steps."""
    at = [np.asarray(values, np.int64) * SUBSTEPS for values in (columns, rows)]
    return tin_heights(
        np.asarray(steps, float), np.asarray(z, float), np.asarray(triangles, np.int32), *at, **options
    )


SQUARE = [[0, 0], [10, 0], [10, 10], [0, 10]]
TWO = [[0, 1, 2], [0, 2, 3]]


def test_tin_positions_on_corners_and_hull_edges_are_covered():
    heights = grid(SQUARE, [1.5, 2.5, 3.5, 4.5], TWO, [0, 5, 10], [0, 5, 10])
    assert not np.isnan(heights).any()
    assert heights[[0, 0, 2, 2], [0, 2, 2, 0]].tolist() == [1.5, 2.5, 3.5, 4.5]
    assert heights[0, 1] == 2.0
    # On the diagonal, which runs between the corners of 1.5 and 3.5.
    assert heights[1, 1] == 2.5


def test_tin_positions_just_outside_are_not_covered():
    part = 1
    columns = np.array([-part, 0, 10 * SUBSTEPS, 10 * SUBSTEPS + part])
    heights = tin_heights(np.array(SQUARE, float), np.ones(4), np.array(TWO, np.int32), columns, columns)
    assert (~np.isnan(heights)).tolist() == [[False] * 4, *[[False, True, True, False]] * 2, [False] * 4]


def test_tin_neighbours_agree_to_the_bit_on_their_common_edge():
    rng = np.random.default_rng(8)
    for _ in range(200):
        across, along = int(rng.integers(1, 400)), int(rng.integers(-400, 400))
        # One corner far to the left of the edge, one far to the right.
        left_corner = (across // 2 - 50 * along, along // 2 + 50 * across + int(rng.integers(0, 60)))
        right_corner = (across // 2 + 70 * along, along // 2 - 70 * across - int(rng.integers(0, 60)))
        steps = np.array([(0, 0), (across, along), left_corner, right_corner], float)
        z = rng.normal(300, 50, 4)
        for part in range(0, SUBSTEPS + 1, 15):
            at = (np.array([part * across]), np.array([part * along]))
            left = tin_heights(steps, z, np.array([[0, 1, 2]], np.int32), *at)
            right = tin_heights(steps, z, np.array([[1, 0, 3]], np.int32), *at)
            assert left[0, 0] == right[0, 0]


@settings(max_examples=50, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 9), st.integers(0, 9)), min_size=3, max_size=30, unique=True),
    st.randoms(),
)
def test_tin_heights_do_not_depend_on_how_triangles_are_listed(points, random):
    steps = np.array(points, float)
    z = np.sin(steps[:, 0] * 3 + steps[:, 1] * 7) * 100
    triangles = triangulate(steps)
    listed = [np.roll(t, random.randrange(3)) for t in triangles.tolist()]
    random.shuffle(listed)
    ends = np.arange(-1, 11)
    one = grid(steps, z, triangles, ends, ends)
    other = grid(steps, z, np.array(listed).reshape(-1, 3), ends, ends)
    assert one.tobytes() == other.tobytes()


def test_tin_heights_of_a_plane_are_the_plane():
    rng = np.random.default_rng(4)
    steps = np.unique(rng.integers(0, 5000, (800, 2)), axis=0).astype(float)
    z = 40 + 0.25 * steps[:, 0] - 0.5 * steps[:, 1]
    ends = np.arange(0, 5000, 7)
    heights = grid(steps, z, triangulate(steps), ends, ends)
    plane = 40 + 0.25 * ends[None, :] - 0.5 * ends[:, None]
    inside = ~np.isnan(heights)
    assert inside.mean() > 0.95
    assert np.abs(heights - plane)[inside].max() < 1e-9


def test_tin_heights_stay_exact_over_the_largest_extent():
    top = 2**26 - 1
    steps = [[0, 0], [top, 0], [top, top], [0, top]]
    middle = np.array([top * SUBSTEPS // 2, 0])
    heights = tin_heights(
        np.array(steps, float), np.array([0.0, 1, 2, 1]), np.array(TWO, np.int32), middle, middle
    )
    assert heights == pytest.approx(np.array([[1.0, 0.5], [0.5, 0.0]]), abs=1e-8)


@pytest.mark.parametrize(("longest", "covered"), [(9.9, False), (10.0, False), (14.1, False), (14.2, True)])
def test_tin_leaves_out_triangles_with_a_longer_edge(longest, covered):
    heights = grid(SQUARE, [1, 1, 1, 1], TWO, [5], [5], longest_edge=longest)
    assert np.isnan(heights).all() != covered


def test_tin_keeps_a_triangle_whose_longest_edge_is_just_as_long():
    steps = [[0, 0], [3, 0], [0, 4]]
    assert not np.isnan(grid(steps, [1, 1, 1], [[0, 1, 2]], [1], [1], longest_edge=5.0)).any()
    assert np.isnan(grid(steps, [1, 1, 1], [[0, 1, 2]], [1], [1], longest_edge=4.999)).all()


def test_tin_spans_a_building_but_not_a_lake():
    # Ground at every metre but under a building of 60 x 30 m and in a lake of 90 x 90 m.
    x, y = (a.ravel().astype(float) for a in np.meshgrid(np.arange(300), np.arange(150)))
    building = (x > 30) & (x < 90) & (y > 40) & (y < 70)
    lake = (x > 150) & (x < 240) & (y > 30) & (y < 120)
    steps = np.column_stack((x, y))[~building & ~lake]
    heights = grid(steps, 5 + 0.1 * steps[:, 0], triangulate(steps), [60, 195], [55, 75], longest_edge=60)
    assert heights[0, 0] == pytest.approx(11.0)
    assert np.isnan(heights[1, 1])

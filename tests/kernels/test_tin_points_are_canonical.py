"""Points on whole-number steps: what is kept, and that neither order nor place of the cloud matters."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cloudprep.kernels.predicates import EXTENT
from cloudprep.kernels.tin_cells import measure
from cloudprep.kernels.tin_points import SUBSTEPS, fitting_step, sites_of, substeps

MILLIMETRES = st.integers(0, 40).map(lambda k: k / 1000)


@settings(deadline=None)
@given(
    st.lists(st.tuples(MILLIMETRES, MILLIMETRES, st.integers(-5, 5).map(float)), min_size=1, max_size=60),
    st.randoms(),
)
def test_tin_points_do_not_depend_on_the_order_of_the_cloud(points, random):
    shuffled = points.copy()
    random.shuffle(shuffled)
    one = sites_of(*np.array(points).T, 0.001)
    other = sites_of(*np.array(shuffled).T, 0.001)
    assert one.steps.tobytes() == other.steps.tobytes()
    assert one.z.tobytes() == other.z.tobytes()
    assert one[2:] == other[2:]


@settings(deadline=None)
@given(st.lists(st.tuples(MILLIMETRES, MILLIMETRES, st.integers(-5, 5).map(float)), min_size=1, max_size=60))
def test_tin_points_keep_the_lowest_height_of_each_place(points):
    lowest = {}
    for x, y, z in points:
        lowest[x, y] = min(z, lowest.get((x, y), np.inf))
    sites = sites_of(*np.array(points).T, 0.001)
    places = np.round(sites.steps * sites.step + (sites.left, sites.bottom), 6)
    assert {(x, y): z for (x, y), z in zip(places.tolist(), sites.z.tolist(), strict=True)} == lowest


@pytest.mark.parametrize("kilometres", [(1, 0), (-3, 7), (400, 5800)])
@pytest.mark.parametrize("resolution", [0.001, 0.01 * 0.3048, 0.01 * 1200 / 3937])
def test_tin_points_do_not_depend_on_where_the_cloud_lies(kilometres, resolution):
    rng = np.random.default_rng(3)
    x, y = rng.integers(0, 200_000, (2, 4000)) * resolution
    z = rng.normal(0, 1, 4000)
    here = sites_of(x, y, z, resolution)
    there = sites_of(x + 1000.0 * kilometres[0], y + 1000.0 * kilometres[1], z, resolution)
    assert here.steps.tobytes() == there.steps.tobytes()
    assert here.z.tobytes() == there.z.tobytes()


def test_tin_points_of_flights_with_shifted_and_finer_steps_stay_apart():
    # One flight stores centimetres, one millimetres, one centimetres shifted by half a centimetre.
    x = np.array([1.00, 1.001, 1.005, 1.01])
    sites = sites_of(x, np.zeros(4), np.arange(4.0), 0.01)
    assert sorted((sites.steps[:, 0] * sites.step).round(9).tolist()) == [0.0, 0.001, 0.005, 0.01]


@settings(deadline=None)
@given(st.floats(0, 1e7), st.sampled_from([1e-9, 1e-4, 0.001, 0.01 * 0.3048, 0.25, 10.0]))
def test_tin_step_always_fits_and_is_no_coarser_than_it_must(extent, resolution):
    step = fitting_step(extent, resolution)
    assert round(extent / step) < EXTENT
    if step > resolution:
        multiple = step / resolution
        assert multiple == pytest.approx(round(multiple))
        assert extent / (resolution * (round(multiple) - 1)) > EXTENT - 3


def test_tin_points_of_an_empty_cloud_are_empty():
    sites = sites_of(np.empty(0), np.empty(0), np.empty(0), 0.001)
    assert sites.steps.shape == (0, 2)


def test_tin_points_refuse_a_step_of_nothing():
    with pytest.raises(ValueError, match="resolution must be > 0"):
        sites_of(np.zeros(1), np.zeros(1), np.zeros(1), 0.0)


def cells_measured(steps, z, edges, heights):
    """Return heights and marks of one row of cells 10 steps high, after points were put in."""
    edges = np.array(edges, np.int64) * SUBSTEPS
    centres = (edges[1:] + edges[:-1]) // 2
    heights = np.array([heights], float)
    marks = np.zeros(heights.shape, np.uint8)
    row_edges, row = np.array([0, 10], np.int64) * SUBSTEPS, np.array([5], np.int64) * SUBSTEPS
    measure(np.array(steps, float), np.array(z, float), (edges, row_edges), (centres, row), heights, marks, 1)
    return heights[0].tolist(), marks[0].tolist()


def test_tin_cells_hold_their_lower_edge_and_not_the_upper():
    for x, cell in ((0, 0), (999, 0), (1000, 1), (2999, 2)):
        _, marks = cells_measured([[x, 5]], [1.0], [0, 1000, 2000, 3000], [0.0] * 3)
        assert marks == [int(k == cell) for k in range(3)]
    for point in ([3000, 5], [-1, 5], [5, 10], [5, -1]):
        _, marks = cells_measured([point], [1.0], [0, 1000, 2000, 3000], [0.0] * 3)
        assert marks == [0, 0, 0]


def test_tin_cells_without_a_height_take_the_point_nearest_to_the_centre_and_the_lower_of_two():
    steps = [[4.0, 5], [1, 1], [6, 5], [14, 5], [19, 9], [25, 5]]
    heights, marks = cells_measured(
        steps, [7.0, 1, 3, 8, 2, 9], [0, 10, 20, 30, 40], [np.nan, np.nan, 4.0, np.nan]
    )
    assert heights[:3] == [3.0, 8.0, 4.0]
    assert np.isnan(heights[3])
    assert marks == [1, 1, 1, 0]


def test_tin_positions_are_parts_of_a_step():
    sites = sites_of(np.array([10.0, 20.0]), np.array([5.0, 6.0]), np.zeros(2), 0.01)
    assert substeps(sites, 10.5, 1.0, 3, along=0).tolist() == [
        500 * SUBSTEPS,
        1500 * SUBSTEPS,
        2500 * SUBSTEPS,
    ]
    assert substeps(sites, 4.5, 1.0, 2, along=1).tolist() == [-500 * SUBSTEPS, 500 * SUBSTEPS]

"""Points on whole-number steps: what is kept, and that neither order nor place of the cloud matters."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cloudprep.kernels.predicates import EXTENT
from cloudprep.kernels.tin_cells import cells_of_steps, nearest_in_cell
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


def test_tin_cells_hold_their_lower_edge_and_not_the_upper():
    sites = sites_of(np.array([0.0, 0.999, 1.0, 2.999]), np.zeros(4), np.zeros(4), 0.001)
    edges = substeps(sites, 0.0, 1.0, 4, along=0)
    found = {
        round(x * sites.step, 3): c
        for x, c in zip(sites.steps[:, 0], cells_of_steps(sites.steps[:, 0], edges), strict=True)
    }
    assert found == {0.0: 0, 0.999: 0, 1.0: 1, 2.999: 2}


def test_tin_cells_take_the_point_nearest_to_the_centre_and_the_lower_of_two():
    steps = np.array([[4.0, 5], [1, 1], [6, 5], [14, 5], [19, 9]])
    cells, heights = nearest_in_cell(
        steps,
        np.array([7.0, 1, 3, 8, 2]),
        np.array([0, 0, 0, 1, 1]),
        np.array([[5.0, 5]] * 3 + [[15, 5]] * 2),
    )
    assert cells.tolist() == [0, 1]
    assert heights.tolist() == [3.0, 8.0]


def test_tin_positions_are_parts_of_a_step():
    sites = sites_of(np.array([10.0, 20.0]), np.array([5.0, 6.0]), np.zeros(2), 0.01)
    assert substeps(sites, 10.5, 1.0, 3, along=0).tolist() == [
        500 * SUBSTEPS,
        1500 * SUBSTEPS,
        2500 * SUBSTEPS,
    ]
    assert substeps(sites, 4.5, 1.0, 2, along=1).tolist() == [-500 * SUBSTEPS, 500 * SUBSTEPS]

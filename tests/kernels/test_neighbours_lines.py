"""Lines and poles are told from clouds of points, whatever the order of the points."""

import numpy as np
import pytest

from cloudprep.kernels.neighbours_lines import on_lines, on_poles
from cloudprep.kernels.neighbours_search import nearest_rows
from cloudprep.kernels.neighbours_tree import build_tree


def found_on_lines(xyz, width=0.2, shortest=3.0, **more):
    x, y, z = xyz.T.copy()
    near = nearest_rows(build_tree(x, y, z), x, y, z, 32, 20.0)
    return on_lines(x, y, z, x, y, z, near, width, shortest, **more)


@pytest.mark.parametrize("cloud", ["scattered", "half-metre lattice", "coincident"])
def test_nearest_rows_equal_sorting_all_of_them(cloud):
    rng = np.random.default_rng(2)
    xyz = rng.uniform(0, 4, (300, 3))
    if cloud == "half-metre lattice":
        xyz = np.round(xyz * 2) / 2
    if cloud == "coincident":
        xyz[::3] = xyz[0]
    x, y, z = xyz.T.copy()
    near = nearest_rows(build_tree(x, y, z), x, y, z, 9, 1.0)
    for i in range(len(xyz)):
        squared = ((xyz - xyz[i]) ** 2).sum(1)
        order = np.lexsort((z, y, x, squared))
        expected = order[(squared[order] > 0) & (squared[order] <= 1.0)][:9]
        got = near[i][near[i] >= 0]
        # Points at the same place are interchangeable.
        assert np.array_equal(xyz[got], xyz[expected])


def test_nearest_rows_do_not_depend_on_the_order_of_points():
    rng = np.random.default_rng(3)
    xyz = np.round(rng.uniform(0, 5, (400, 3)))
    order = rng.permutation(len(xyz))
    places = rng.uniform(0, 5, (3, 50))
    here = nearest_rows(build_tree(*xyz.T), *places, 7, 9.0)
    there = nearest_rows(build_tree(*xyz[order].T), *places, 7, 9.0)
    assert np.array_equal(xyz[here], xyz[order][there])


def test_lines_are_found_along_a_sagging_wire():
    rng = np.random.default_rng(4)
    t = np.sort(rng.uniform(0, 60, 60))
    wire = np.c_[0.8 * t, 0.6 * t, 20 - 1.5 * 4 * (t / 60) * (1 - t / 60)] + rng.normal(0, 0.04, (60, 3))
    assert found_on_lines(wire).all()


def test_lines_are_found_in_a_bundle_of_wires():
    t = np.arange(0, 50, 1.1)
    wires = np.concatenate([np.c_[t, np.full(len(t), y), np.full(len(t), 15.0)] for y in (0, 1, 2, 3)])
    assert found_on_lines(wires).all()


@pytest.mark.parametrize("count", [30, 300, 3000])
def test_lines_are_not_found_in_a_ball_of_points(count):
    rng = np.random.default_rng(5)
    away = rng.normal(0, 1, (count, 3))
    ball = away / np.linalg.norm(away, axis=1)[:, None] * 6 * rng.random((count, 1)) ** (1 / 3)
    assert found_on_lines(ball).mean() < 0.02


def test_lines_must_be_long_enough():
    row = np.c_[np.linspace(0, 2.5, 8), np.zeros(8), np.zeros(8)]
    assert not found_on_lines(row, shortest=3.0).any()
    assert found_on_lines(row, shortest=2.0).all()


def test_lines_need_enough_points():
    few = np.c_[np.arange(0, 8, 2.0), np.zeros(4), np.zeros(4)]
    assert not found_on_lines(few).any()
    assert found_on_lines(few, least=2).all()


def poles(heights, place, ground, step=4.5):
    z = np.array(heights, float)
    starts = np.array([0, len(z)])
    return bool(on_poles(starts, np.arange(len(z)), z, np.array([place]), np.array([ground]), step)[0])


@pytest.mark.parametrize(
    ("heights", "found"),
    [
        ([3.0, 6.0], True),  # steps of 3 m
        ([6.0, 3.0], True),  # in any order
        ([5.0], False),  # the first step up from the ground is too high
        ([2.0], False),  # the last step is
        ([4.2], True),
        ([], False),  # nothing in between
        ([0.5, 0.9], False),  # the ground itself is nothing in between
        ([3.0, 6.0, 9.0, 12.0], True),  # what lies above doesn't matter
    ],
)
def test_poles_have_steps_up_from_the_ground(heights, found):
    assert poles(heights, 8.5, 0.0) is found


def test_poles_of_nothing_are_none():
    none = np.empty(0)
    assert len(on_poles(np.zeros(1, np.int64), np.empty(0, np.int64), none, none, none, 4.5)) == 0


def test_a_clump_far_away_is_a_line_only_where_any_distance_is_allowed():
    rng = np.random.default_rng(15)
    clump = rng.normal(0, 0.1, (20, 3))
    lone = np.array([[12.0, 3.0, 4.0]])
    xyz = np.concatenate([clump, lone])
    assert found_on_lines(xyz)[-1]
    assert not found_on_lines(xyz, farthest=1.0)[-1]
    # Two pieces of one wire, as far apart as each is long.
    wire = np.c_[np.r_[np.linspace(0, 6, 10), np.linspace(12, 18, 10)], np.zeros((20, 2))]
    assert found_on_lines(wire, farthest=1.0).all()

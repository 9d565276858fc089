"""Errors of volumes against sums over every pair of places, and against draws."""

import numpy as np
import pytest
from scipy.spatial.distance import cdist

from cloudprep.kernels.volume_error import VolumeError, along_edge, edge_error, lattice_sum, spherical


def square(side, step):
    c = np.arange(step / 2, side, step)
    x, y = (v.ravel() for v in np.meshgrid(c, c))
    t = np.arange(step / 2, side, step)
    zero, far = np.zeros_like(t), np.full_like(t, side)
    edge = np.concatenate([t, far, t[::-1], zero]), np.concatenate([zero, t, far, t[::-1]])
    return x, y, edge


@pytest.mark.parametrize("reach", [2.0, 5.0, 15.0, 60.0])
def test_edge_error_agrees_with_the_sum_over_all_pairs(reach):
    """w C w over places inside (area) and along the edge (less), by brute force."""
    side = 20.0
    x, y, edge = square(side, 0.5)
    area = side**2
    weights = np.full(len(edge[0]), area / len(edge[0]))
    found = edge_error((x, y), area, edge, weights, 0.5, 0.03, reach)
    places = np.r_[np.c_[x, y], np.c_[edge[0], edge[1]]]
    w = np.r_[np.full(len(x), area / len(x)), -weights]
    true = 0.03 * np.sqrt(w @ spherical(cdist(places, places) / reach) @ w)
    assert found == pytest.approx(true, rel=0.12)


def test_along_edge_of_one_place_is_its_weight():
    assert along_edge((np.zeros(1), np.zeros(1)), np.array([7.0]), 1e-9, 5.0) == pytest.approx(49)


def test_an_error_shared_by_all_moves_area_and_edge_alike():
    x, y, edge = square(20.0, 0.5)
    weights = np.full(len(edge[0]), 400.0 / len(edge[0]))
    assert edge_error((x, y), 400.0, edge, weights, 0.5, 1.0, 1e5) < 400 * 0.02


@pytest.mark.parametrize("reach", [0.4, 1.7, 6.0])
def test_lattice_sum_is_what_a_large_lattice_has(reach):
    c = np.arange(60.0)
    x, y = (v.ravel() for v in np.meshgrid(c, c))
    middle = np.array([[30.0, 30.0]])
    assert lattice_sum(1.0, reach) == pytest.approx(spherical(cdist(middle, np.c_[x, y]) / reach).sum())


@pytest.mark.parametrize("offset", [0.0, 0.3, 2.0, 9.0])
def test_intervals_around_a_shifted_estimate_still_hold_95_of_100(offset):
    half = VolumeError(0.6, 0.8, 0.0, offset).interval_95
    errors = offset + np.random.default_rng(2).standard_normal(200_000)
    assert np.mean(np.abs(errors) <= half) == pytest.approx(0.95, abs=0.002)

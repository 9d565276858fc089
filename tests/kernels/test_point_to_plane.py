"""Planes through points, robust weights, and how sure a motion is."""

import numpy as np
import pytest
from scipy import integrate, optimize, stats
from scipy.spatial import cKDTree

from cloudprep.kernels.point_to_plane import (
    FREE,
    TUKEY,
    Pairs,
    Planes,
    biweights,
    design,
    fitted_planes,
    group_scores,
    jackknifed,
    paired,
    robust_spread,
    shown,
    solved,
)


def scattered(height, count=4000, side=40.0, noise=0.0, seed=0):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(-side / 2, side / 2, (2, count))
    return np.c_[x, y, height(x, y) + rng.normal(0, noise, count)]


def hills(x, y):
    return 2 * np.sin(x / 6) * np.cos(y / 5)


def test_planes_of_an_exact_plane_are_it():
    planes = fitted_planes(scattered(lambda x, y: 0.3 * x - 0.2 * y), 3.0)
    expected = np.array([-0.3, 0.2, 1]) / np.linalg.norm([-0.3, 0.2, 1])
    assert len(planes.places) >= 3990  # now and then twelve points lie along a line
    assert np.abs(planes.normals - expected).max() < 1e-6
    assert np.abs(planes.doubt).max() < 1e-12


def test_planes_are_left_out_where_points_make_none():
    rng = np.random.default_rng(1)
    line = np.c_[np.linspace(0, 50, 500), np.zeros((500, 2))]
    few = rng.uniform(0, 1, (5, 3))
    ball = rng.normal(0, 1, (500, 3))
    assert len(fitted_planes(line, 3.0).places) == 0
    assert len(fitted_planes(few, 3.0).places) == 0
    assert len(fitted_planes(np.empty((0, 3)), 3.0).places) == 0
    # Twelve points of a ball now and then lie flat by chance.
    assert len(fitted_planes(ball, 3.0).places) < 100


def test_doubt_about_normals_is_how_much_they_scatter():
    """On level ground every tilt is noise: its mean square must be what the doubt says."""
    planes = fitted_planes(scattered(lambda x, y: 0 * x, noise=0.03), 3.0)
    seen = np.mean(planes.normals[:, :2] ** 2)
    told = np.mean(planes.doubt[:, [0, 1], [0, 1]])
    assert told == pytest.approx(seen, rel=0.15)


def test_biweights_limit_gives_95_percent_efficiency():
    """Holland and Welsch 1977, Communications in Statistics A6: 4.685 gives the biweight 95 % efficiency.

    Efficiency is E[psi']^2 / E[psi^2] (Huber 1981), integrated here from the weights themselves.
    """

    def psi(r):
        return r * biweights(np.array([r]), TUKEY)[0]

    def slope(r):
        return (psi(r + 1e-6) - psi(r - 1e-6)) / 2e-6

    def mean_of(f):
        return integrate.quad(lambda r: f(r) * stats.norm.pdf(r), -TUKEY, TUKEY, limit=200)[0]

    assert mean_of(slope) ** 2 / mean_of(lambda r: psi(r) ** 2) == pytest.approx(0.95, abs=2e-4)
    assert biweights(np.array([TUKEY, -2 * TUKEY, 0.0]), TUKEY).tolist() == [0.0, 0.0, 1.0]


def test_robust_spread_of_normal_errors_is_their_deviation():
    """1.4826 = 1 / the third quartile of the normal distribution, by SciPy."""
    assert 1 / stats.norm.ppf(0.75) == pytest.approx(1.4826, abs=1e-4)
    assert robust_spread(np.random.default_rng(0).normal(0, 0.2, 200_000)) == pytest.approx(0.2, rel=0.01)


def some_pairs(seed=2, noise=0.01):
    planes = fitted_planes(scattered(hills, seed=seed), 3.0)
    rng = np.random.default_rng(seed)
    points = planes.places + rng.normal(0, noise, planes.places.shape)
    return planes, paired(points, planes, cKDTree(planes.places), 1.0)


@pytest.mark.parametrize("allow", list(FREE))
def test_one_step_is_what_scipy_finds(allow):
    """scipy.optimize.least_squares on the same linear distances."""
    planes, pairs = some_pairs()
    free = FREE[allow]
    matrix = design(pairs, planes, free)
    expected = optimize.least_squares(lambda p: pairs.distances + matrix @ p, np.zeros(len(free)), xtol=1e-14)
    step = solved(matrix.T @ matrix, -matrix.T @ pairs.distances)
    assert step == pytest.approx(expected.x, rel=1e-5, abs=1e-9)


def test_design_is_how_distances_change():
    planes, pairs = some_pairs()
    matrix = design(pairs, planes, FREE["rigid"])
    normals, places = planes.normals[pairs.planes], planes.places[pairs.planes]
    for part in range(6):
        turn = np.zeros(3)
        shift = np.zeros(3)
        (turn if part < 3 else shift)[part % 3] = 1e-6
        moved = pairs.points + np.cross(turn, pairs.points) + shift
        change = (np.einsum("ni,ni->n", moved - places, normals) - pairs.distances) / 1e-6
        assert change == pytest.approx(matrix[:, part], abs=1e-6)


def test_jackknife_is_leaving_out_groups_one_by_one():
    """Against doing just that, on a straight line (numpy.linalg.lstsq)."""
    rng = np.random.default_rng(3)
    x = np.c_[np.ones(400), rng.uniform(-1, 1, 400)]
    group = np.arange(400) // 20
    y = x @ [1.0, 2.0] + rng.normal(0, 0.1, 20)[group] + rng.normal(0, 0.1, 400)
    whole = np.linalg.lstsq(x, y, rcond=None)[0]
    without = np.array([np.linalg.lstsq(x[group != g], y[group != g], rcond=None)[0] for g in range(20)])
    away = without - whole
    rest = y - x @ whole
    scores = np.array([x[group == g].T @ rest[group == g] for g in range(20)])
    responses = np.array([x[group == g].T @ x[group == g] for g in range(20)])
    assert jackknifed(scores, responses) == pytest.approx(19 / 20 * away.T @ away, rel=1e-9)
    # and it sees that errors are shared: a plain covariance of the intercept would be about 0.14^2 / 400
    assert jackknifed(scores, responses)[0, 0] > 3 * 0.02 / 400


def test_group_scores_add_up_to_the_whole():
    planes, pairs = some_pairs()
    groups = np.arange(len(planes.places)) % 7
    scores = group_scores(pairs, planes, FREE["rigid"], 0.05, groups, 7)
    weighted = biweights(pairs.distances, 0.05) * pairs.distances
    assert scores.sum(axis=0) == pytest.approx(design(pairs, planes, FREE["rigid"]).T @ weighted, abs=1e-9)


@pytest.mark.parametrize(
    ("height", "least", "most"),
    [
        (lambda x, y: 0 * x, -1, 0.1),  # level
        (lambda x, y: 0.1 * x, -1, 0.1),  # sloping evenly: no telling along the contours
        (lambda x, y: np.sin(x / 3), -1, 0.1),  # furrows: no telling along them
        (hills, 0.95, 1.0),
    ],
)
def test_reliability_tells_what_the_ground_shows(height, least, most):
    points = scattered(height, noise=0.03)
    planes = fitted_planes(points, 3.0)
    pairs = paired(scattered(height, noise=0.03, seed=9), planes, cKDTree(planes.places), 2.0)
    assert least <= shown(pairs, planes, FREE["shift"], 0.2).reliability <= most
    assert shown(pairs, planes, FREE["vertical"], 0.2).reliability > 0.99


def test_pairs_are_the_nearest_within_reach():
    planes = Planes(np.array([[0.0, 0, 0], [10, 0, 0]]), np.tile([0.0, 0, 1], (2, 1)), np.zeros((2, 3, 3)))
    found = paired(np.array([[0.5, 0, 0.25], [9, 0, -0.5], [5, 0, 0]]), planes, cKDTree(planes.places), 2.0)
    assert isinstance(found, Pairs)
    assert found.rows.tolist() == [0, 1]
    assert found.planes.tolist() == [0, 1]
    assert found.distances.tolist() == [0.25, -0.5]

"""Inverse distance weighting and the nearest point against plain loops and known answers."""

import numpy as np
import pytest

from cloudprep.kernels.interpolation import inverse_distance_heights, nearest_heights
from cloudprep.kernels.tin_points import SUBSTEPS, sites_of, substeps


def positions(values):
    return np.asarray(values, np.int64) * SUBSTEPS


def plainly(steps, z, x, y, power, neighbours, radius):
    """Return the estimate at one position by its definition, or NaN."""
    near = sorted((float(np.hypot(*(p - (x, y)))), h) for p, h in zip(steps, z, strict=True))[:neighbours]
    near = [(d, h) for d, h in near if d <= radius]
    if not near:
        return np.nan
    if near[0][0] == 0:
        return near[0][1]
    weights = [d**-power for d, _ in near]
    return sum(w * h for w, (_, h) in zip(weights, near, strict=True)) / sum(weights)


@pytest.mark.parametrize(
    ("power", "neighbours", "radius"), [(1, 5, np.inf), (2, 12, 40.0), (3.5, 300, np.inf)]
)
def test_interpolation_by_distance_equals_its_definition(power, neighbours, radius):
    rng = np.random.default_rng(9)
    # Distances between these points and positions are all different, so no tie decides who takes part.
    steps = np.unique(rng.integers(0, 100_000, (200, 2)), axis=0) / 1.0
    z = rng.normal(100, 20, len(steps))
    columns, rows = rng.integers(0, 100_000, 7), rng.integers(0, 100_000, 9)
    radius = radius * 100
    found = inverse_distance_heights(
        steps, z, positions(columns), positions(rows), power=power, neighbours=neighbours, radius=radius
    )
    expected = [[plainly(steps, z, x, y, power, neighbours, radius) for x in columns] for y in rows]
    assert np.isnan(expected).any() == np.isfinite(radius)
    np.testing.assert_allclose(found, expected, rtol=1e-12)


def test_interpolation_by_distance_gives_a_point_its_own_height_and_no_overflow_beside_it():
    steps = np.array([[0.0, 0], [1000, 0]])
    columns = np.array([0, 1])  # on the point, and 1/256 of a step beside it
    found = inverse_distance_heights(steps, np.array([5.0, 9]), columns, np.array([0]), power=20)
    assert found[0, 0] == 5.0
    assert found[0, 1] == pytest.approx(5.0)


def test_interpolation_reaches_exactly_as_far_as_it_says():
    steps, z = np.array([[0.0, 0]]), np.array([7.0])
    reached = nearest_heights(steps, z, positions([3, 4]), positions([4]), radius=5.0)
    assert reached[0, 0] == 7.0
    assert np.isnan(reached[0, 1])


def test_interpolation_by_the_nearest_point_picks_it():
    rng = np.random.default_rng(1)
    steps = np.unique(rng.integers(0, 10_000, (50, 2)), axis=0).astype(float)
    z = np.arange(len(steps), dtype=float)
    at = rng.integers(0, 10_000, 20)
    found = nearest_heights(steps, z, positions(at), positions(at))
    distances = np.hypot(at[None, :, None] - steps[:, 0], at[:, None, None] - steps[:, 1])
    assert np.array_equal(found, z[distances.argmin(axis=2)])


@pytest.mark.parametrize("estimate", [inverse_distance_heights, nearest_heights])
def test_interpolation_does_not_depend_on_order_or_place_of_the_cloud(estimate):
    # A lattice: every cell centre is equally far from four points, so ties are everywhere.
    x, y = (a.ravel() * 0.5 for a in np.meshgrid(np.arange(40), np.arange(40)))
    z = np.random.default_rng(6).normal(0, 1, len(x))
    results = set()
    for seed, (east, north) in enumerate([(0, 0), (0, 0), (7000, -3000), (512_000, 5_400_000)]):
        order = np.random.default_rng(seed).permutation(len(x))
        sites = sites_of((x + east)[order], (y + north)[order], z[order], 0.01)
        columns = substeps(sites, east + 0.25, 0.5, 39, along=0)
        rows = substeps(sites, north + 0.25, 0.5, 39, along=1)
        results.add(estimate(sites.steps, sites.z, columns, rows).tobytes())
    assert len(results) == 1


def test_interpolation_without_points_is_empty():
    found = inverse_distance_heights(np.empty((0, 2)), np.empty(0), positions([1, 2]), positions([1]))
    assert found.shape == (1, 2)
    assert np.isnan(found).all()

"""The triangle around a position is that of the whole triangulation, and its figures are what they claim."""

import numpy as np
import pytest
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import Delaunay

from cloudprep.kernels.facets import binned, facets_at, facets_without

EDGE = 2.0


def points(n=600, size=40.0, seed=1):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, size, (2, n))
    return x, y, np.sin(x / 4) + 0.2 * rng.normal(size=n)


def bins_of(x, y, size=40.0):
    count = int(size / EDGE)
    return (y // EDGE).astype(np.int64), (x // EDGE).astype(np.int64), count


def put(x, y, z):
    row, column, count = bins_of(x, y)
    return binned(x, y, z, column, row, (count, count), EDGE)


def asked(seed=2, n=500):
    x, y = np.random.default_rng(seed).uniform(2, 38, (2, n))
    row, column, count = bins_of(x, y)
    return x, y, row * count + column


# scipy.spatial (Qhull): another way to the same triangles.
def test_heights_are_those_of_scipy():
    x, y, z = points()
    qx, qy, place = asked()
    found = facets_at(put(x, y, z), qx, qy, place, 20)
    expected = LinearNDInterpolator(np.column_stack([x, y]), z)(qx, qy)
    assert np.array_equal(np.isfinite(found.height), np.isfinite(expected))
    assert found.height == pytest.approx(expected, abs=1e-9, nan_ok=True)


def test_a_point_left_out_is_interpolated_from_the_others():
    x, y, z = points(150)
    sorted_points = put(x, y, z)
    found = facets_without(sorted_points, 20)
    for k in range(0, 150, 7):
        others = np.arange(150) != k
        where = np.column_stack([sorted_points.x, sorted_points.y])
        expected = LinearNDInterpolator(where[others], sorted_points.z[others])(*where[k])
        assert found.height[k] == pytest.approx(float(expected), abs=1e-9, nan_ok=True)


def test_figures_are_those_of_their_formulas():
    x, y, z = points()
    qx, qy, place = asked(n=60)
    found = facets_at(put(x, y, z), qx, qy, place, 20)
    mesh = Delaunay(np.column_stack([x, y]))
    for k, triangle in enumerate(mesh.find_simplex(np.column_stack([qx, qy]))):
        if triangle < 0:
            continue
        corners = np.column_stack([x, y])[mesh.simplices[triangle]]
        share = np.linalg.solve(np.vstack([corners.T, np.ones(3)]), [qx[k], qy[k], 1.0])
        away = np.hypot(*(corners - [qx[k], qy[k]]).T)
        between = np.hypot(*(corners[:, None] - corners[None]).transpose(2, 0, 1))
        # Geostatistics' variance of a weighted mean's error, 2 w.g - w.G.w, for the linear variogram d / 2.
        gap = 2 * share @ (away / 2) - share @ (between / 2) @ share
        assert found.weight[k] == pytest.approx(share @ share, rel=1e-6)
        assert found.gap[k] == pytest.approx(gap, rel=1e-6)
        assert found.bend[k] == pytest.approx(share @ away**2, rel=1e-6)


def test_a_bowl_is_off_by_half_its_bend():
    x, y, _ = points()
    qx, qy, place = asked()
    bowl = put(x, y, 0.05 * (x**2 + y**2) / 2)
    found = facets_at(bowl, qx, qy, place, 20)
    inside = np.isfinite(found.height)
    off = found.height[inside] - 0.05 * (qx**2 + qy**2)[inside] / 2
    assert off == pytest.approx(0.05 * found.bend[inside] / 2, abs=1e-9)


def test_beyond_the_outermost_points_the_nearest_counts():
    x, y, z = points()
    inner = (x > 10) & (x < 20)
    found = facets_at(
        put(x[inner], y[inner], z[inner]), np.array([5.0]), np.array([20.0]), np.array([202]), 20
    )
    away = np.hypot(x[inner] - 5, y[inner] - 20).min()
    assert np.isnan(found.height[0])
    assert (found.weight[0], found.gap[0]) == pytest.approx((1.0, away))
    # And none where none is near.
    found = facets_at(
        put(x[inner], y[inner], z[inner]), np.array([39.0]), np.array([20.0]), np.array([219]), 3
    )
    assert np.isnan(found.weight[0])


def test_order_does_not_matter_nor_do_points_in_one_place():
    x, y, z = (np.concatenate([v, v[:50]]) for v in points(200))
    qx, qy, place = asked(n=100)
    order = np.random.default_rng(4).permutation(250)
    one = facets_at(put(x, y, z), qx, qy, place, 20)
    two = facets_at(put(x[order], y[order], z[order]), qx, qy, place, 20, threads=2)
    assert all(np.array_equal(a, b, equal_nan=True) for a, b in zip(one, two, strict=True))
    # A regular pattern: four points on one circle, everywhere.
    x, y = (v.ravel() for v in np.meshgrid(np.arange(0.5, 40), np.arange(0.5, 40)))
    found = facets_at(put(x, y, x + 2 * y), qx, qy, place, 20)
    assert found.height == pytest.approx(qx + 2 * qy)

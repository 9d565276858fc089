"""Figures that are read off a triangulation are those that a search for each position finds."""

import numpy as np
import pytest

from cloudprep.kernels.facets import binned, facets_at, facets_without
from cloudprep.kernels.facets_mesh import cell_facets, left_out_facets, mesh_of
from cloudprep.kernels.tin_points import SUBSTEPS

SIZE, EDGE, STEP = 4000, 200.0, 0.01


@pytest.fixture
def places():
    rng = np.random.default_rng(5)
    x, y = rng.integers(0, SIZE, (2, 600)).astype(float)
    gap = (abs(x - 2000) < 600) & (abs(y - 2200) < 700)
    x, y = x[~gap], y[~gap]
    _, first = np.unique(np.c_[x, y], axis=0, return_index=True)
    return x[first], y[first], rng.normal(size=len(first))


def put(x, y, z):
    count = int(SIZE / EDGE)
    row, column = (y // EDGE).astype(np.int64), (x // EDGE).astype(np.int64)
    return binned(x * STEP, y * STEP, z, column, row, (count, count), EDGE * STEP)


def of_cells(mesh, farthest):
    at = np.arange(50, SIZE, 100) * SUBSTEPS
    wanted = np.ones((len(at), len(at)), bool)
    figures = tuple(np.full(wanted.shape, np.nan, np.float32) for _ in range(3))
    cell_facets(mesh, at - mesh.left * SUBSTEPS, at - mesh.bottom * SUBSTEPS, STEP, farthest, wanted, figures)
    return ~wanted, figures


def test_cells_have_the_triangles_that_a_search_finds(places):
    found, figures = of_cells(mesh_of(*places), np.inf)
    at = np.arange(50, SIZE, 100)
    x, y = (v.ravel().astype(float) for v in np.meshgrid(at, at))
    place = (y // EDGE).astype(np.int64) * 20 + (x // EDGE).astype(np.int64)
    expected = facets_at(put(*places), x * STEP, y * STEP, place, 20)
    assert np.array_equal(found.ravel(), np.isfinite(expected.height))
    for figure, values in zip(figures, expected[1:], strict=True):
        assert figure[found] == pytest.approx(values[found.ravel()], rel=1e-5, abs=1e-6)


def test_cells_whose_circle_reaches_far_are_left_to_the_search(places):
    found, figures = of_cells(mesh_of(*places), 700.0)
    wide, all_figures = of_cells(mesh_of(*places), np.inf)
    assert 0 < found.sum() < wide.sum()
    assert all(np.array_equal(a[found], b[found]) for a, b in zip(figures, all_figures, strict=True))
    assert all(np.isnan(figure[~found]).all() for figure in figures)


def test_points_left_out_are_interpolated_as_by_a_search(places):
    x, y, z = places
    mesh = mesh_of(x, y, z)
    own = np.arange(len(mesh.given)) % 3 > 0
    found, height, weight, gap = left_out_facets(mesh, z[mesh.given], own, STEP, 3000.0)
    assert not found[~own].any()
    assert found.sum() > 0.85 * own.sum()
    points = put(x, y, z)
    where = {place: k for k, place in enumerate(zip(points.x, points.y, strict=True))}
    which = np.array([where[x[k] * STEP, y[k] * STEP] for k in mesh.given[found]])
    expected = facets_without(points, 20, which=which)
    assert height[found] == pytest.approx(expected.height, abs=1e-9)
    assert weight[found] == pytest.approx(expected.weight, rel=1e-6)
    assert gap[found] == pytest.approx(expected.gap, rel=1e-6)


def test_other_points_far_away_and_their_order_change_no_bit(places):
    x, y, z = places
    one, figures = of_cells(mesh_of(x, y, z), 700.0)
    order = np.random.default_rng(1).permutation(len(x))
    far = np.array([-9000.0, -9100.0, 12000.0])
    more = [np.concatenate((v[order], w)) for v, w in ((x, far), (y, far[::-1] + 7), (z, far))]
    two, again = of_cells(mesh_of(*more), 700.0)
    assert (two >= one).all()
    assert all(np.array_equal(a[one], b[one]) for a, b in zip(figures, again, strict=True))
    mesh, other = mesh_of(x, y, z), mesh_of(*more)
    a = left_out_facets(mesh, z[mesh.given], np.ones(len(mesh.given), bool), STEP, 900.0)
    b = left_out_facets(other, more[2][other.given], np.ones(len(other.given), bool), STEP, 900.0)
    first, second = ({p: k for k, p in enumerate(zip(u[m.given], v[m.given], strict=True))}
                     for u, v, m in ((x, y, mesh), (more[0], more[1], other)))  # fmt: skip
    pairs = np.array([(k, second[p]) for p, k in first.items() if a[0][k]])
    assert len(pairs) > 300
    assert all(np.array_equal(f[pairs[:, 0]], g[pairs[:, 1]]) for f, g in zip(a, b, strict=True))


def test_of_points_in_one_place_the_lowest_counts_and_lines_have_no_triangle():
    mesh = mesh_of(np.array([0.0, 4, 0, 4]), np.array([0.0, 0, 4, 0]), np.array([1.0, 2, 3, 0]))
    assert sorted(mesh.given.tolist()) == [0, 2, 3]
    line = mesh_of(np.arange(5.0), np.arange(5.0), np.zeros(5))
    assert len(line.triangles) == 0
    assert not left_out_facets(line, np.zeros(5), np.ones(5, bool), STEP, 100.0)[0].any()

"""Figures that are read off a triangulation are those that a search for each position finds."""

import numpy as np
import pytest
from scipy.spatial import Delaunay
from scipy.stats import norm

from cloudprep.kernels.facets import binned, facets_at, facets_without
from cloudprep.kernels.facets_mesh import Differences, cell_facets, left_out_facets, mesh_of
from cloudprep.kernels.roughness_mixture import CLASSES
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


NOISE = 0.01


def told_by(mesh, z):
    """Return what the points of a mesh tell; of those left out only what stays away from any rim."""
    z = z[mesh.given]
    found, height, weight, gap = left_out_facets(mesh, z, np.ones(len(z), bool), STEP, 400.0)
    return Differences(z, np.full(len(z), NOISE), np.where(found, z - height, np.nan), weight, gap, CLASSES)


def of_cells(mesh, z, farthest):
    at = np.arange(50, SIZE, 100) * SUBSTEPS
    wanted = np.ones((len(at), len(at)), bool)
    figures = tuple(np.full(wanted.shape, np.nan, np.float32) for _ in range(3))
    holder = np.full(wanted.shape, -1, np.int32)
    places = at - mesh.left * SUBSTEPS, at - mesh.bottom * SUBSTEPS
    likely = cell_facets(mesh, *places, STEP, farthest, wanted, figures, told_by(mesh, z), holder)
    seen = np.concatenate([likely, np.zeros((1, len(CLASSES)), np.float32)])[holder]
    return ~wanted, (*figures, seen)


def test_cells_have_the_triangles_that_a_search_finds(places):
    found, figures = of_cells(mesh_of(*places), places[2], np.inf)
    at = np.arange(50, SIZE, 100)
    x, y = (v.ravel().astype(float) for v in np.meshgrid(at, at))
    place = (y // EDGE).astype(np.int64) * 20 + (x // EDGE).astype(np.int64)
    expected = facets_at(put(*places), x * STEP, y * STEP, place, 20)
    assert np.array_equal(found.ravel(), np.isfinite(expected.height))
    for figure, values in zip(figures[:3], expected[1:], strict=True):
        assert figure[found] == pytest.approx(values[found.ravel()], rel=1e-5, abs=1e-6)


def test_cells_whose_circle_reaches_far_are_left_to_the_search(places):
    found, figures = of_cells(mesh_of(*places), places[2], 700.0)
    wide, all_figures = of_cells(mesh_of(*places), places[2], np.inf)
    assert 0 < found.sum() < wide.sum()
    pairs = list(zip(figures, all_figures, strict=True))
    assert all(np.array_equal(a[found], b[found]) for a, b in pairs[:3])
    assert all(np.isnan(figure[~found]).all() for figure in figures[:3])
    # What is seen is seen in narrower ones still, or not at all.
    used = figures[3].any(axis=2)
    assert 0 < used.sum() < found.sum()
    assert not used[~found].any()


def test_what_is_seen_of_a_triangle_are_its_neighbours_and_its_corners(places):
    """As reckoned from SciPy's triangulation (Qhull) and normal density, each difference for itself."""
    x, y, z = places
    mesh = mesh_of(x, y, z)
    _, figures = of_cells(mesh, z, np.inf)
    told = told_by(mesh, z)
    index = {int(k): i for i, k in enumerate(mesh.given)}
    metres = np.c_[x, y] * STEP
    mesh_of_scipy = Delaunay(metres)
    at = np.arange(50, SIZE, 100)
    here = np.stack(np.meshgrid(at, at), -1).reshape(-1, 2) * STEP
    checked = 0
    for k, triangle in enumerate(mesh_of_scipy.find_simplex(here)[::37]):
        if triangle < 0:
            continue
        beside = mesh_of_scipy.neighbors[triangle]
        corners = mesh_of_scipy.simplices[triangle]
        densities = []
        for other in beside[beside >= 0]:
            apex = (set(mesh_of_scipy.simplices[other]) - set(corners)).pop()
            own = np.r_[metres[corners].T, [np.ones(3)]]
            share = np.linalg.solve(own, [*metres[apex], 1.0])
            off = z[apex] - share @ z[corners]
            spots, weights = metres[[*corners, apex]], np.r_[-share, 1.0]
            apart = np.linalg.norm(spots[:, None] - spots[None], axis=2)
            gap = -(weights @ apart @ weights) / 2
            variance = NOISE * (1 + share @ share) + CLASSES * gap
            densities.append(norm.pdf(off, scale=np.sqrt(variance)))
        for corner in corners:
            i = index[int(corner)]
            if np.isfinite(told.off[i]):
                variance = NOISE * (1 + told.weight[i]) + CLASSES * told.gap[i]
                densities.append(norm.pdf(told.off[i], scale=np.sqrt(variance)))
        row, column = divmod(37 * k, len(at))
        each = np.array(densities)
        likely = each.prod(axis=0) ** 0.7
        breaks = CLASSES > 0.02
        beside = (each[:, :1] + each[:, breaks]).prod(axis=0) / 2 ** len(each)
        likely[0] = 0.4 * likely[0] + 0.12 * (beside**0.7).sum()
        found = figures[3][row, column]
        assert found / found.max() == pytest.approx(likely / likely.max(), rel=1e-5, abs=1e-20)
        checked += 1
    assert checked > 20


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
    one, figures = of_cells(mesh_of(x, y, z), z, 700.0)
    order = np.random.default_rng(1).permutation(len(x))
    far = np.array([-9000.0, -9100.0, 12000.0])
    more = [np.concatenate((v[order], w)) for v, w in ((x, far), (y, far[::-1] + 7), (z, far))]
    two, again = of_cells(mesh_of(*more), more[2], 700.0)
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

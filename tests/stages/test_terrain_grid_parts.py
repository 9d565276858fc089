"""The terrain grid in tiles and blocks against one triangulation of the whole site, to the bit."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from cloudprep.kernels.interpolation import inverse_distance_heights
from cloudprep.kernels.natural_neighbours import natural_heights
from cloudprep.kernels.tin import tin_heights
from cloudprep.kernels.tin_circles import PROVEN
from cloudprep.kernels.tin_points import sites_of, substeps
from cloudprep.kernels.triangulation import triangle_mesh, triangulate
from cloudprep.model.bounds import Bounds
from cloudprep.stages.base import Context, Points, cells_of_block, whole_cloud_context
from cloudprep.stages.surface import _tiles, _tin_tiles
from cloudprep.stages.surface.gridding import HeightSource
from cloudprep.stages.surface.terrain_grid import TerrainGrid, TerrainGridParams
from cloudprep.testing import facts_of, run_stage


def columns_of(x, y):
    """Return a cloud of ground points, some with a twin above them, in millimetres."""
    rng = np.random.default_rng(len(x))
    x, y = np.round(x, 3), np.round(y, 3)
    z = np.round(100 + 0.1 * x + 3 * np.sin(y / 9) + rng.normal(0, 0.1, len(x)), 3)
    twins = slice(0, len(x) // 20)
    x, y, z = np.r_[x, x[twins]], np.r_[y, y[twins]], np.r_[z, z[twins] + 1.0]
    return {
        "x": x,
        "y": y,
        "z": z,
        "classification": np.full(len(x), 2, np.uint8),
        "withheld": np.zeros(len(x), bool),
    }


def lattice(step, side, keep):
    x, y = (a.ravel() for a in np.meshgrid(np.arange(0, side, step), np.arange(0, side, step)))
    return columns_of(x[keep(x, y)], y[keep(x, y)])


def clouds():
    """Give clouds whose triangles are hard to know from a part, each with the parameters that make it so."""
    rng = np.random.default_rng(4)
    x, y = rng.uniform(0, 50, (2, 2500))
    yield "random", columns_of(x, y), {}
    t = np.arange(4000)
    yield "scan lines", columns_of(t % 200 * 0.3 + rng.normal(0, 0.02, 4000), t // 200 * 3.0), {}
    pond = (x - 30) ** 2 + (y - 15) ** 2 < 11**2
    hall = (x > 30) & (x < 43) & (y > 32) & (y < 45)
    yield "gaps", columns_of(x[~pond & ~hall], y[~pond & ~hall]), {"longest_edge": 18.0}
    yield "lattice", lattice(1.0, 50, lambda x, _: x > -1), {"longest_edge": 10.0}
    holed = lattice(1.0, 50, lambda x, y: (x - 20) ** 2 + (y - 31) ** 2 > 10**2)
    yield "lattice with a hole", holed, {"longest_edge": 15.0}
    yield "sparse lattice", lattice(5.0, 150, lambda x, y: (x < 60) | (y > 70)), {"longest_edge": 25.0}
    turned = x * np.cos(0.5) - y / 3 * np.sin(0.5), x * np.sin(0.5) + y / 3 * np.cos(0.5)
    yield "a strip askew", columns_of(*turned), {"longest_edge": 40.0}
    angle = np.linspace(0, 2 * np.pi, 1000, endpoint=False)
    ring = columns_of(np.r_[22 * np.cos(angle), x[:300] / 5], np.r_[22 * np.sin(angle), y[:300] / 5])
    yield "a rim that is a circle", ring, {"longest_edge": 20.0}
    spots = np.concatenate([rng.normal(at, 1.5, (200, 2)) for at in rng.uniform(0, 50, (5, 2))])
    yield "spots far apart", columns_of(*spots.T), {"longest_edge": 25.0}
    yield "one", columns_of(np.array([3.0]), np.array([4.0])), {}
    yield "two", columns_of(np.array([0.0, 20.0]), np.array([0.0, 35.0])), {}
    yield "three far apart", columns_of(np.array([0.0, 40.0, 9.0]), np.array([0.0, 7.0, 35.0])), {}
    line = np.linspace(0, 50, 101)
    yield "a line", columns_of(line, line / 2), {}


def expected(cloud, facts, params):
    """Return heights and sources from all points at once, every triangle of the site held at one time."""
    sites = sites_of(cloud["x"], cloud["y"], cloud["z"], facts.resolution)
    stage = TerrainGrid(params).resolved(facts)
    window, cell = stage.canvas(facts)[0].window, params.cell
    columns = substeps(sites, window.left + cell / 2, cell, window.columns, along=0)
    rows = substeps(sites, window.bottom + cell / 2, cell, window.rows, along=1)
    lengths = stage.params
    if params.method in {"auto", "tin"}:  # all points are ground, so that it is tin
        reach = lengths.longest_edge / sites.step
        heights = tin_heights(sites.steps, sites.z, triangulate(sites.steps), columns, rows, reach)
    else:
        heights = inverse_distance_heights(
            sites.steps,
            sites.z,
            columns,
            rows,
            neighbours=lengths.neighbours,
            radius=lengths.search_radius / sites.step,
        )
    source = np.where(np.isnan(heights), HeightSource.EMPTY, HeightSource.INTERPOLATED).astype(np.uint8)
    left = substeps(sites, window.left, cell, window.columns + 1, along=0)
    bottom = substeps(sites, window.bottom, cell, window.rows + 1, along=1)
    nearest = {}
    for (x, y), z in zip(sites.steps * 256, sites.z, strict=True):
        # A point on the very edge of the window belongs to its outermost cells.
        row = min(np.searchsorted(bottom, y, "right"), window.rows) - 1
        column = min(np.searchsorted(left, x, "right"), window.columns) - 1
        at = row, column
        source[at] = HeightSource.MEASURED
        distance = ((x - columns[at[1]]) / 256) ** 2 + ((y - rows[at[0]]) / 256) ** 2
        nearest[at] = min(nearest.get(at, (np.inf, 0.0)), (distance, z))
    for at, (_, z) in nearest.items():
        heights[at] = z if np.isnan(heights[at]) else heights[at]
    return heights, source


def same(run, heights, source):
    dtm, dtm_source = (grid.values for grid in run.result.grids)
    assert dtm.tobytes() == heights.tobytes()
    assert dtm_source.tobytes() == source.tobytes()


@pytest.mark.parametrize(
    ("name", "cloud", "given"), list(clouds()), ids=lambda v: v if isinstance(v, str) else ""
)
def test_terrain_grid_in_tiles_and_blocks_has_the_bits_of_the_whole(name, cloud, given, monkeypatch):
    facts = facts_of(cloud)
    params = TerrainGridParams(cell=0.5, **given)
    heights, source = expected(cloud, facts, params)
    assert (
        name in {"one", "two", "three far apart", "a line"}
        or (source == HeightSource.INTERPOLATED).sum() > 400
    )
    same(run_stage(TerrainGrid(params), cloud), heights, source)
    monkeypatch.setattr(_tiles, "_MOST_CELLS", 13)
    monkeypatch.setattr(_tiles, "_MOST_POINTS", 300)
    same(run_stage(TerrainGrid(params), cloud, workers=3), heights, source)
    order = np.random.default_rng(1).permutation(len(cloud["x"]))
    shuffled = {n: v[order] for n, v in cloud.items()}
    side = max(facts.bounds.width, facts.bounds.height, 9.0)
    for edge, workers in ((side / 1.7, 1), (side / 5.3, 3)):
        same(run_stage(TerrainGrid(params), shuffled, block_edge=edge, workers=workers), heights, source)


@pytest.mark.parametrize("neighbours", [1, 2, 12])
def test_terrain_grid_inverse_distance_has_the_bits_of_the_whole(neighbours, monkeypatch):
    cloud = lattice(1.0, 40, lambda x, y: (x - 20) ** 2 + (y - 21) ** 2 > 9**2)  # full of equal distances
    facts = facts_of(cloud)
    params = TerrainGridParams(cell=0.5, method="inverse_distance", neighbours=neighbours, search_radius=7.0)
    heights, source = expected(cloud, facts, params)
    assert (source == HeightSource.EMPTY).any()
    monkeypatch.setattr(_tiles, "_MOST_CELLS", 13)
    same(run_stage(TerrainGrid(params), cloud), heights, source)
    order = np.random.default_rng(1).permutation(len(cloud["x"]))
    shuffled = {n: v[order] for n, v in cloud.items()}
    same(run_stage(TerrainGrid(params), shuffled, block_edge=9.7, workers=2), heights, source)


class Fetches:
    """Gives points of a cloud, and remembers for what bounds."""

    def __init__(self, cloud):
        self.cloud = cloud
        self.asked = []

    def __call__(self, bounds):
        self.asked.append(bounds)
        return Points({n: v[self.inside(bounds)] for n, v in self.cloud.items()})

    def inside(self, b):
        x, y = self.cloud["x"], self.cloud["y"]
        return (x >= b.x0) & (x < b.x1) & (y >= b.y0) & (y < b.y1)


def drawn(cloud, facts, params, block, buffer):
    """Return what one block draws, the cells it draws and what it fetched."""
    stage = TerrainGrid(params).resolved(facts)
    everything = Points(cloud)
    whole = whole_cloud_context(facts, len(everything))
    solution = stage.solve(stage.merge([stage.summarise(everything, whole).part]), facts)
    fetch = Fetches(cloud)
    buffered = block.grown(buffer)
    inside = fetch.inside(buffered)
    context = Context(facts, fetch.inside(block)[inside], block, buffered, fetch)
    drawing = stage.draw(Points({n: v[inside] for n, v in cloud.items()}), context, solution)
    window = stage.canvas(facts)[0].window
    row, column = drawing.window.row - window.row, drawing.window.column - window.column
    cells = slice(row, row + drawing.window.rows), slice(column, column + drawing.window.columns)
    return drawing, cells, fetch.asked


def test_terrain_grid_looks_further_where_the_buffer_does_not_settle_a_cell(monkeypatch):
    rng = np.random.default_rng(8)
    x, y = rng.uniform(0, 120, (2, 9000))
    gap = (np.abs(x - 60) < 12) & (y > 20) & (y < 100)
    cloud = columns_of(x[~gap], y[~gap])
    facts = facts_of(cloud)
    params = TerrainGridParams(cell=0.5, longest_edge=30.0)
    heights, source = expected(cloud, facts, params)
    # A block in the gap, without a point of its own or of its buffer, under triangles of points outside.
    drawing, cells, asked = drawn(cloud, facts, params, Bounds(55.0, 40.0, 65.0, 60.0), 3.0)
    assert asked
    assert max(b.width for b in asked) < 80
    assert drawing.share == 0
    assert (drawing.arrays[1] == HeightSource.INTERPOLATED).all()
    assert drawing.arrays[0].tobytes() == heights[cells].tobytes()
    # A block beside it, whose rim is wrong from its own points and buffer alone.
    drawing, cells, asked = drawn(cloud, facts, params, Bounds(30.0, 40.0, 50.0, 60.0), 1.0)
    assert asked
    assert drawing.arrays[0].tobytes() == heights[cells].tobytes()
    assert drawing.arrays[1].tobytes() == source[cells].tobytes()

    # Were the triangles of the first look believed, cells would differ.
    monkeypatch.setattr(_tin_tiles, "judge_circles", lambda *args: args[-2].fill(PROVEN))
    drawing, cells, _ = drawn(cloud, facts, params, Bounds(30.0, 40.0, 50.0, 60.0), 1.0)
    assert drawing.arrays[0].tobytes() != heights[cells].tobytes()


def test_terrain_grid_of_an_even_cloud_is_settled_by_the_buffer():
    x, y = np.random.default_rng(9).uniform(0, 100, (2, 40_000))
    cloud = columns_of(x, y)
    facts = facts_of(cloud)
    params = TerrainGridParams(cell=0.5)
    heights, _ = expected(cloud, facts, params)
    reach = TerrainGrid(params).resolved(facts).reach()
    assert reach == 6.0
    for block in (
        Bounds(40.0, 40.0, 60.0, 60.0),
        Bounds(0.0, 0.0, 30.0, 30.0),
        Bounds(70.0, 30.0, 101.0, 60.0),
    ):
        drawing, cells, asked = drawn(cloud, facts, params, block, reach)
        assert not asked
        assert drawing.arrays[0].tobytes() == heights[cells].tobytes()


def test_cells_of_blocks_partition_the_window():
    cloud = columns_of(*np.random.default_rng(2).uniform(0, 50, (2, 500)))
    facts = replace(facts_of(cloud), bounds=Bounds(0.1, 0.3, 49.9, 47.2))
    window = TerrainGrid(TerrainGridParams(cell=2.0)).resolved(facts).canvas(facts)[0].window
    seen = np.zeros(window.shape, int)
    xs, ys = [0.1, 3.0, 17.0, 17.1, 17.2, 49.0, 49.9], [0.3, 20.0, 47.2]
    for x0, x1 in pairwise(xs):
        for y0, y1 in pairwise(ys):
            part = cells_of_block(window, Bounds(x0, y0, x1, y1), facts.bounds)
            row, column = part.row - window.row, part.column - window.column
            seen[row : row + part.rows, column : column + part.columns] += 1
    assert (seen == 1).all()


EVERYWHERE = np.array([-np.inf, -np.inf, np.inf, np.inf])


def natural_of_all(cloud, facts, params):
    """Return heights from the mesh of all points at once, and how many cells have them."""
    sites = sites_of(cloud["x"], cloud["y"], cloud["z"], facts.resolution)
    stage = TerrainGrid(params).resolved(facts)
    window, cell = stage.canvas(facts)[0].window, params.cell
    columns = substeps(sites, window.left + cell / 2, cell, window.columns, along=0)
    rows = substeps(sites, window.bottom + cell / 2, cell, window.rows, along=1)
    heights, state = np.full(window.shape, np.nan), np.zeros(window.shape, np.uint8)
    mesh, used = triangle_mesh(sites.steps)
    if used:
        radius = stage.params.longest_edge / 2 / sites.step
        everything = (EVERYWHERE, np.array([0.0, 0.0, 1e9, 1e9]))
        natural_heights(sites.steps, sites.z, mesh[:used], columns, rows, radius, *everything, heights, state)
    return heights


def expected_triangles(cloud, facts, params):
    """Return which cells' centres lie under a triangle that counts."""
    sites = sites_of(cloud["x"], cloud["y"], cloud["z"], facts.resolution)
    stage = TerrainGrid(params).resolved(facts)
    window, cell = stage.canvas(facts)[0].window, params.cell
    columns = substeps(sites, window.left + cell / 2, cell, window.columns, along=0)
    rows = substeps(sites, window.bottom + cell / 2, cell, window.rows, along=1)
    reach = stage.params.longest_edge / sites.step
    return ~np.isnan(tin_heights(sites.steps, sites.z, triangulate(sites.steps), columns, rows, reach))


@pytest.mark.parametrize(
    ("name", "cloud", "given"), list(clouds()), ids=lambda v: v if isinstance(v, str) else ""
)
def test_natural_neighbours_in_tiles_and_blocks_have_the_bits_of_the_whole(name, cloud, given, monkeypatch):
    facts = facts_of(cloud)
    linear = TerrainGridParams(cell=0.5, **given)
    params = TerrainGridParams(cell=0.5, method="natural_neighbour", **given)
    heights, source = expected(cloud, facts, linear)
    natural = natural_of_all(cloud, facts, params)
    # What triangles hold; the rim's cells take a point of theirs, as with any method.
    bridged = expected_triangles(cloud, facts, linear)
    taken = bridged & ~np.isnan(natural)
    heights[taken] = natural[taken]
    if name not in {"one", "two", "three far apart", "a line"}:
        assert taken.sum() > 0.5 * bridged.sum()
    run = run_stage(TerrainGrid(params), cloud)
    same(run, heights, source)
    monkeypatch.setattr(_tiles, "_MOST_CELLS", 13)
    monkeypatch.setattr(_tiles, "_MOST_POINTS", 300)
    same(run_stage(TerrainGrid(params), cloud, workers=3), heights, source)
    order = np.random.default_rng(1).permutation(len(cloud["x"]))
    shuffled = {n: v[order] for n, v in cloud.items()}
    side = max(facts.bounds.width, facts.bounds.height, 9.0)
    for edge, workers in ((side / 1.7, 1), (side / 5.3, 3)):
        same(run_stage(TerrainGrid(params), shuffled, block_edge=edge, workers=workers), heights, source)

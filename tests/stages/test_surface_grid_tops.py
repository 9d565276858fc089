"""The surface model: what gives a cell its height, which gaps are bridged, and the same bits in blocks."""

import numpy as np
import pytest

from cloudprep.stages.surface.surface_grid import SurfaceGrid, SurfaceGridParams, SurfaceSource
from cloudprep.testing import run_stage

ORIGIN = (412_000.0, 5_654_000.0)


def cloud_of(x, y, z, **columns):
    n = len(x)
    return {
        "x": np.asarray(x, float),
        "y": np.asarray(y, float),
        "z": np.asarray(z, float),
        "classification": np.full(n, 1, np.uint8),
        "withheld": np.zeros(n, bool),
        "return_number": np.ones(n, np.uint8),
        **{name: np.asarray(values) for name, values in columns.items()},
    }


def surface(cloud, block_edge=None, workers=1, **params):
    run = run_stage(SurfaceGrid(SurfaceGridParams(**params)), cloud, block_edge=block_edge, workers=workers)
    dsm, source = run.result.grids
    return dsm.values, source.values, run.result


def scattered(count=4000, side=60.0, seed=1):
    x, y = np.round(np.random.default_rng(seed).uniform(0, side, (2, count)), 3)
    return x, y


def test_surface_cell_takes_its_highest_point():
    x, y = scattered()
    z = np.round(np.random.default_rng(2).normal(100, 5, len(x)), 3)
    dsm, source, result = surface(cloud_of(x, y, z), cell=2.0)
    highest = np.full(dsm.shape, -np.inf)
    np.maximum.at(highest, (np.floor(y / 2).astype(int), np.floor(x / 2).astype(int)), z)
    assert np.array_equal(dsm[source == SurfaceSource.MEASURED], highest[source == SurfaceSource.MEASURED])
    assert np.array_equal(source == SurfaceSource.MEASURED, np.isfinite(highest))
    assert result.figures["surface.points"] == len(x)


def test_surface_quantile_takes_the_point_of_that_rank():
    rng = np.random.default_rng(3)
    x, y = scattered(6000, 20.0)
    z = np.round(rng.normal(100, 5, len(x)), 2)
    dsm, source, _ = surface(cloud_of(x, y, z), cell=4.0, quantile=0.9)
    for row in range(5):
        for column in range(5):
            of_cell = np.sort(z[(x // 4 == column) & (y // 4 == row)])
            # Definition 1 of Hyndman and Fan 1996, numpy's inverted_cdf.
            assert dsm[row, column] == np.quantile(of_cell, 0.9, method="inverted_cdf")
    assert (source == SurfaceSource.MEASURED).all()


def test_surface_quantile_of_ten_points_is_exact():
    z = np.arange(10.0)
    cloud = cloud_of(np.linspace(0.1, 0.9, 10), np.full(10, 0.5), z)
    for share, height in ((0.9, 8.0), (0.91, 9.0), (0.1, 0.0), (0.3, 2.0), (1.0, 9.0)):
        assert surface(cloud, cell=1.0, quantile=share)[0][0, 0] == height


def test_surface_leaves_out_noise_withheld_and_later_returns():
    x = np.array([0.5, 0.5, 0.5, 0.5, 0.5, 0.5])
    z = np.array([1.0, 9.0, 8.0, 7.0, 6.0, np.nan])
    cloud = cloud_of(
        x,
        x,
        z,
        classification=np.array([1, 18, 7, 1, 1, 1], np.uint8),
        withheld=np.array([0, 0, 0, 1, 0, 0], bool),
        return_number=np.array([1, 1, 1, 1, 2, 1], np.uint8),
    )
    assert surface(cloud, cell=1.0)[0][0, 0] == 1.0
    assert surface(cloud, cell=1.0, returns="all")[0][0, 0] == 6.0
    assert surface(cloud, cell=1.0, left_out=())[0][0, 0] == 9.0


def test_surface_counts_every_point_where_no_returns_are_told():
    x = np.array([0.5, 0.5])
    never = cloud_of(x, x, [1.0, 2.0], return_number=np.zeros(2, np.uint8))
    assert surface(never, cell=1.0)[0][0, 0] == 2.0
    del never["return_number"]
    assert surface(never, cell=1.0)[0][0, 0] == 2.0


def test_surface_bridges_gaps_that_no_wider_disc_fits_into():
    x, y = scattered(20_000)
    centres, radii = np.array([[15.0, 15.0], [40.0, 20.0], [25.0, 45.0]]), (1.2, 3.5, 8.0)
    keep = np.ones(len(x), bool)
    for (cx, cy), radius in zip(centres, radii, strict=True):
        keep &= (x - cx) ** 2 + (y - cy) ** 2 > radius**2
    dsm, source, _ = surface(cloud_of(x[keep], y[keep], x[keep]), cell=0.5, widest_gap=5.0)
    inside = [source[int(cy * 2), int(cx * 2)] for cx, cy in centres]
    assert inside == [SurfaceSource.INTERPOLATED, SurfaceSource.EMPTY, SurfaceSource.EMPTY]
    # A plane stays one across the gap.
    row, column = 30, 30
    assert dsm[row, column] == pytest.approx((column + 0.5) * 0.5, abs=1e-9)
    assert np.array_equal(np.isnan(dsm), source == SurfaceSource.EMPTY)
    assert source[:2].any()


def test_surface_draws_nothing_beyond_the_rim():
    x, y = scattered(20_000)
    keep = x + y < 55  # a slanted rim
    dsm, source, _ = surface(cloud_of(x[keep], y[keep], x[keep]), cell=0.5, widest_gap=5.0)
    rows, columns = np.nonzero(source == SurfaceSource.INTERPOLATED)
    assert ((rows + columns + 1) * 0.5 < 55).all()
    assert len(rows) > 500
    assert np.isnan(dsm[-1, -1])


def test_surface_without_bridging_has_measured_cells_only():
    x, y = scattered(3000)
    _, source, result = surface(cloud_of(x, y, x), cell=0.5, widest_gap=0.0)
    assert set(np.unique(source)) == {SurfaceSource.EMPTY, SurfaceSource.MEASURED}
    assert result.figures["surface.interpolated_share"] == 0


def lattice(step, side):
    x, y = (a.ravel() for a in np.meshgrid(np.arange(0, side, step), np.arange(0, side, step)))
    keep = (x - side / 2) ** 2 + (y - side / 3) ** 2 > (side / 6) ** 2
    return x[keep], y[keep]


@pytest.mark.parametrize(
    ("places", "cell", "gap"),
    [
        (scattered(1500), 0.5, 4.0),
        (scattered(1500), 0.25, 7.0),
        (lattice(1.0, 40), 0.5, 9.0),  # every circle has four points, gaps are round
        (lattice(2.0, 60), 0.4, 30.0),
        (scattered(300, 5.0), 2.0, 3.0),
    ],
)
def test_surface_in_blocks_has_the_bits_of_the_whole(places, cell, gap):
    x, y = places
    z = np.round(np.random.default_rng(5).normal(100, 3, len(x)), 3)
    z[::7] = z[0]
    cloud = cloud_of(x, y, z)
    dsm, source, result = surface(cloud, cell=cell, widest_gap=gap)
    assert (source == SurfaceSource.INTERPOLATED).any() or cell == 2.0
    order = np.random.default_rng(6).permutation(len(x))
    shuffled = {name: values[order] for name, values in cloud.items()}
    for edge, workers in ((23.0, 1), (9.1, 3)):
        again, source_again, figures = surface(shuffled, edge, workers, cell=cell, widest_gap=gap)
        assert again.tobytes() == dsm.tobytes()
        assert source_again.tobytes() == source.tobytes()
        assert figures.figures == result.figures


def test_surface_without_points_that_count_warns():
    x, y = scattered(100)
    cloud = cloud_of(x, y, x, classification=np.full(100, 7, np.uint8))
    dsm, _, result = surface(cloud)
    assert np.isnan(dsm).all()
    assert result.warnings == ["no points that count: the surface grid is empty"]

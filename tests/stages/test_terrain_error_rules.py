"""The standard error where it can be told by hand: planes, gaps, slopes, nothing at all."""

import numpy as np
import pytest

from cloudprep.model.bounds import Bounds
from cloudprep.model.grid import Grid, Lattice
from cloudprep.stages.surface._error_tiles import NODE
from cloudprep.stages.surface.terrain_error import _BINS, TerrainError
from cloudprep.testing import run_stage

SIZE = 60.0
ORIGIN = (412_000.0, 5_654_000.0)


def plane(slope=0.0, noise=0.05, density=4.0, seed=1, horizontal=0.0):
    rng = np.random.default_rng(seed)
    n = int(density * SIZE * SIZE)
    x, y = rng.uniform(0, SIZE, (2, n))
    z = 100 + slope * x + rng.normal(0, noise, n)
    return x + rng.normal(0, horizontal, n) if horizontal else x, y, z


def judged(x, y, z, slope=0.0, cell=1.0, dtm=None, block_edge=None, **params):
    columns = {"x": x, "y": y, "z": z, "classification": np.full(len(x), 2, np.uint8)}
    window = Lattice(cell, ORIGIN).window(Bounds(0, 0, SIZE, SIZE))
    if dtm is None:
        dtm = np.tile(100 + slope * (np.arange(window.columns) + 0.5) * cell, (window.rows, 1))
    stage = TerrainError(TerrainError.Params(**params))
    rasters = {"dtm": Grid("dtm", dtm, window, "height")}
    result = run_stage(stage, columns, rasters=rasters, block_edge=block_edge).result
    return (*(grid.values for grid in result.grids), result.figures, result.warnings)


def test_on_a_plane_the_error_is_the_noise_averaged_by_three_corners():
    errors, roughness, figures, warnings = judged(*plane(), vertical_error=0.05)
    inner = np.s_[5:-5, 5:-5]
    # Weights of a place taken at random within a triangle: the mean of their squares' sum is 1/2.
    assert np.mean(errors[inner] ** 2) == pytest.approx(0.05**2 / 2, rel=0.12)
    assert np.median(roughness[inner]) == pytest.approx(0.05, rel=0.05)
    assert figures["terrain_error.even_ground"] == pytest.approx(0.05, rel=0.15)
    assert figures["terrain_error.unknown_share"] == 0.0
    assert not warnings


def test_horizontal_errors_count_by_the_slope():
    flat = judged(*plane(), vertical_error=0.05, horizontal_error=0.2)[0]
    steep = judged(*plane(slope=0.5, horizontal=0.2), slope=0.5, vertical_error=0.05, horizontal_error=0.2)[0]
    inner = np.s_[5:-5, 5:-5]
    ratio = np.mean(steep[inner] ** 2) / np.mean(flat[inner] ** 2)
    assert ratio == pytest.approx((0.05**2 + 0.1**2) / 0.05**2, rel=0.12)


def test_rough_ground_and_distance_from_support_make_it_larger():
    rng = np.random.default_rng(2)
    x, y, z = plane(noise=0.02)
    rough = x > 30
    steps = Lattice(1.0)
    bumps = rng.normal(0, 0.3, (61, 61))
    z = z + np.where(rough, bumps[steps.row_of(y), steps.column_of(x)], 0.0)
    gap = (np.abs(x - 45) < 4) & (np.abs(y - 30) < 4)
    errors, roughness, _, _ = judged(x[~gap], y[~gap], z[~gap], vertical_error=0.02)
    calm, bumpy = np.s_[20:40, 8:22], np.s_[8:22, 38:52]
    assert np.nanmedian(roughness[bumpy]) > 5 * np.nanmedian(roughness[calm])
    assert np.nanmedian(errors[bumpy]) > 5 * np.nanmedian(errors[calm])
    assert errors[30, 45] > 1.5 * np.nanmedian(errors[bumpy])


def test_a_hill_across_a_gap_is_expected():
    x, y, z = plane(noise=0.02)
    hill = 0.01 * ((x - 30) ** 2 + (y - 30) ** 2)
    gap = (np.abs(x - 30) < 6) & (np.abs(y - 30) < 6)
    window = np.arange(60) + 0.5
    bowl = 100 + 0.01 * ((window[None, :] - 30) ** 2 + (window[:, None] - 30) ** 2)
    errors = judged(x[~gap], y[~gap], (z + hill)[~gap], dtm=bowl, vertical_error=0.02)[0]
    # The bowl lies up to 0.36 m below any triangle across the gap; the plane beside knows nothing of it.
    assert errors[30, 30] > 0.1
    assert judged(x[~gap], y[~gap], z[~gap], vertical_error=0.02)[0][30, 30] < 0.06


@pytest.mark.parametrize("slope", [0.0, 0.2, 0.5])
def test_beyond_the_outermost_points_the_slope_counts(slope):
    """There the nearest point's height is all there is: it is off by the slope times the distance."""
    x, y, z = plane(slope=slope, noise=0.02, density=9.0)
    near = x < 30.2
    columns = np.arange(60) + 0.5
    dtm = np.tile(100 + slope * np.minimum(columns, 30.2), (60, 1))
    errors = judged(x[near], y[near], z[near], dtm=dtm, vertical_error=0.02)[0]
    inside, outside = errors[5:-5, 15:25], errors[5:-5, 30]
    # The centres lie at least 0.3 m beyond; the terrain shows at least a third of the slope there.
    assert np.all(outside >= slope / 3 * 0.3)
    assert np.median(outside) > 0.25 * slope * 0.3 + np.median(inside)
    if slope == 0.0:
        assert np.median(outside) < 2.5 * np.median(inside)


def test_nothing_is_said_where_nothing_is_known():
    dtm = np.full((60, 60), 100.0)
    dtm[10:20, 10:20] = np.nan
    x, y, z = plane()
    near = x < 15
    errors, _, figures, _ = judged(x[near], y[near], z[near], dtm=dtm, bin=1.0)
    assert np.isnan(errors[10:20, 10:20]).all()
    assert np.isfinite(errors[30, 5])
    assert np.isnan(errors[30, 50])
    assert 0 < figures["terrain_error.unknown_share"] < 1


def test_noise_that_was_not_declared_is_said():
    assert "noisier than declared" in judged(*plane(noise=0.1), vertical_error=0.03)[3][0]
    assert "too large" in judged(*plane(noise=0.01), vertical_error=0.05)[3][0]


@pytest.mark.parametrize("cell", [0.3, 0.7])
def test_cells_that_divide_no_kilometre_are_the_same_in_blocks(cell):
    x, y, z = plane(slope=0.2, density=1.0)
    whole = judged(x, y, z, slope=0.2, cell=cell)
    parts = judged(x, y, z, slope=0.2, cell=cell, block_edge=13.7)
    assert all(np.array_equal(a, b, equal_nan=True) for a, b in zip(whole[:2], parts[:2], strict=True))
    assert whole[2] == parts[2]


def test_the_systematic_error_is_declared_and_not_added():
    one, two = (judged(*plane(density=1.0), systematic_error=error) for error in (0.0, 0.1))
    assert np.array_equal(one[0], two[0])
    assert two[2]["terrain_error.systematic"] == 0.1


@pytest.mark.parametrize("edge", _BINS)
def test_squares_of_bins_are_whole_parts_of_a_kilometre(edge):
    """So a cloud that is moved by kilometres keeps them, and its standard errors to the bit."""
    squares = 1000.0 / (NODE * edge)
    assert squares == pytest.approx(round(squares), abs=1e-9)

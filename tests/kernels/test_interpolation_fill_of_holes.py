"""Filling: what is touched, how far it reaches, and what a membrane must look like."""

import numpy as np
import pytest
from scipy.sparse import coo_matrix
from scipy.sparse.linalg import spsolve

from cloudprep.kernels.interpolation_fill import nearest_fill, smooth_fill

ROW, COLUMN = np.mgrid[:60, :90].astype(float)
PLANE = 100 + 0.5 * COLUMN - 0.2 * ROW
WAVES = PLANE + 3 * np.sin(COLUMN / 6) + 2 * np.cos(ROW / 5)


def with_hole(values, *, rows=slice(15, 45), columns=slice(20, 70)):
    holed = values.copy()
    holed[rows, columns] = np.nan
    return holed


@pytest.mark.parametrize("fill", [nearest_fill, smooth_fill])
def test_interpolation_fill_keeps_known_heights_and_fills_the_rest(fill):
    holed = with_hole(WAVES)
    before = holed.copy()
    filled = fill(holed, np.inf)
    assert np.array_equal(holed, before, equal_nan=True)
    known = ~np.isnan(holed)
    assert np.array_equal(filled[known], holed[known])
    assert not np.isnan(filled).any()


@pytest.mark.parametrize("fill", [nearest_fill, smooth_fill])
def test_interpolation_fill_stops_at_its_distance(fill):
    holed = np.full((20, 41), np.nan)
    holed[:, 0] = 5.0
    filled = fill(holed, 10.0)
    assert (~np.isnan(filled)).all(axis=0).tolist() == [c <= 10 for c in range(41)]


@pytest.mark.parametrize("fill", [nearest_fill, smooth_fill])
@pytest.mark.parametrize("grid", [np.full((5, 7), np.nan), PLANE], ids=["empty", "full"])
def test_interpolation_fill_leaves_empty_and_full_grids_alone(fill, grid):
    assert np.array_equal(fill(grid, np.inf), grid, equal_nan=True)


def test_interpolation_fill_by_the_nearest_cell_takes_its_height():
    holed = np.array([[1.0, np.nan, np.nan, np.nan, 9.0]])
    assert nearest_fill(holed, 1.0).tolist()[0][1::2] == [1.0, 9.0]
    assert np.isnan(nearest_fill(holed, 1.0)[0, 2])


def membrane(holed):
    """Solve Laplace's equation on the empty cells directly."""
    empty = np.isnan(holed)
    number = np.full(holed.shape, -1)
    number[empty] = np.arange(empty.sum())
    size = int(empty.sum())
    entries, right, degree = [], np.zeros(size), np.zeros(size)
    for r, c in np.argwhere(empty):
        k = number[r, c]
        for nr, nc in ((r + 1, c), (r - 1, c), (r, c + 1), (r, c - 1)):
            if 0 <= nr < holed.shape[0] and 0 <= nc < holed.shape[1]:
                degree[k] += 1
                if empty[nr, nc]:
                    entries.append((k, number[nr, nc], -1.0))
                else:
                    right[k] += holed[nr, nc]
    entries += [(k, k, degree[k]) for k in range(size)]
    i, j, v = zip(*entries, strict=True)
    solved = holed.copy()
    solved[empty] = spsolve(coo_matrix((v, (i, j))).tocsr(), right)
    return solved


def scattered():
    holed = WAVES.copy()
    holed[np.random.default_rng(0).random(WAVES.shape) < 0.9] = np.nan
    return holed


@pytest.mark.parametrize(
    "holed",
    [
        with_hole(PLANE),
        with_hole(WAVES),
        with_hole(WAVES, rows=slice(None), columns=slice(0, 30)),
        scattered(),
    ],
    ids=["plane", "waves", "open to one side", "scattered"],
)
def test_interpolation_fill_by_a_membrane_is_close_to_the_direct_solution(holed):
    exact = membrane(holed)
    assert np.abs(smooth_fill(holed, np.inf) - exact).max() < 0.005 * np.ptp(exact)

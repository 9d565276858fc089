"""Raster kernels that share rows among threads: the same bits for any number of them."""

import numpy as np
import pytest

from cloudprep.kernels.ground_fine import fine_surface
from cloudprep.kernels.ground_heights import BINS, packed
from cloudprep.kernels.ground_seeds import footprint
from cloudprep.kernels.opening_disk import closed_by_disk, opened_by_disk
from cloudprep.kernels.opening_lines import directions_dropping
from cloudprep.kernels.thin_plate import SurfaceFitter

ROWS, COLUMNS = 260, 340


def terrain():
    """Return rough land with things on it, and the cells that count: several strips of them."""
    rng = np.random.default_rng(3)
    row, column = np.indices((ROWS, COLUMNS))
    z = 5 * np.sin(row / 40) + 3 * np.cos(column / 25) + rng.normal(0, 0.2, (ROWS, COLUMNS))
    z += 8.0 * (rng.random((ROWS, COLUMNS)) < 0.03)
    inside = rng.random((ROWS, COLUMNS)) < 0.97
    inside[100:140, 200:260] = False
    return z.astype(np.float32), inside


@pytest.mark.parametrize("threads", [2, 3])
@pytest.mark.parametrize("radius", [1, 4, 9.5, 18])
@pytest.mark.parametrize("what", [opened_by_disk, closed_by_disk])
def test_openings_by_disks(what, radius, threads):
    z, inside = terrain()
    np.testing.assert_array_equal(what(z, radius, inside, threads=threads), what(z, radius, inside))


@pytest.mark.parametrize("length", [10.0, 50.0])
def test_directions_in_which_profiles_drop(length):
    z, inside = terrain()
    threshold = np.full(z.shape, 0.3)
    alone = directions_dropping(z, length, threshold, inside)
    assert alone.any()
    np.testing.assert_array_equal(directions_dropping(z, length, threshold, inside, threads=3), alone)


def test_footprints():
    _, inside = terrain()
    np.testing.assert_array_equal(footprint(inside, 3.0, threads=2), footprint(inside, 3.0))


@pytest.mark.parametrize("threads", [2, 3])
@pytest.mark.parametrize(
    ("rows", "columns", "stiffness"), [(260, 340, 0.1), (385, 333, 10.0), (641, 100, 1e-3)]
)
def test_thin_plates(rows, columns, stiffness, threads):
    rng = np.random.default_rng(rows)
    values = rng.normal(0, 1, (rows, columns)) + np.linspace(0, 30, columns)
    weights = (rng.random((rows, columns)) < 0.4) * rng.random((rows, columns))
    weights[60:130, 20:80] = 0.0  # far from data
    alone = SurfaceFitter((rows, columns))
    shared = SurfaceFitter((rows, columns), threads=threads)
    for start in (None, values):
        expected = alone.fit(values, weights, stiffness, start=start, tolerance=1e-3)
        np.testing.assert_array_equal(
            shared.fit(values, weights, stiffness, start=start, tolerance=1e-3), expected
        )
    assert alone.rounds > 1


def test_the_finer_surface():
    rng = np.random.default_rng(5)
    counts = np.zeros((ROWS, COLUMNS, BINS), np.uint16)
    row, column = np.indices((ROWS, COLUMNS))
    for _ in range(4):
        place = np.clip(rng.normal(34, 2.0, row.shape).round(), 0, BINS - 1).astype(int)
        place += 12 * (rng.random(row.shape) < 0.2)
        counts[row, column, place] += 1
    coarse = 5 * np.sin(row / 40) + 3 * np.cos(column / 25)
    alone = fine_surface(packed(counts), coarse, cell=1.0)
    shared = fine_surface(packed(counts), coarse, cell=1.0, threads=3)
    assert alone is not None
    assert shared is not None
    for ours, theirs in zip(shared, alone, strict=True):
        np.testing.assert_array_equal(ours, theirs)

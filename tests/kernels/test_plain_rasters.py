"""Rasters, cells and sorting without compiled code (SciPy's filters, NumPy's sorts): the same bits."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from cloudprep.kernels import bilinear, cell_summary, opening, opening_disk, sorting

if TYPE_CHECKING:
    from collections.abc import Callable

    Both = Callable[[Callable[[], object]], tuple[object, object]]

RNG = np.random.default_rng(42)
SHAPES = ((40, 33), (1, 50), (7, 1), (1, 1), (0, 5))


@pytest.fixture
def both(monkeypatch: pytest.MonkeyPatch) -> Both:
    """Call something with compiled code and without."""

    def call(function: Callable[[], object]) -> tuple[object, object]:
        compiled = function()
        with monkeypatch.context() as off:
            for module in (bilinear, cell_summary, opening, opening_disk, sorting):
                off.setattr(module, "COMPILED", False)
            return compiled, function()

    return call


def assert_same(pair: tuple[object, object]) -> None:
    assert pair[0].dtype == pair[1].dtype
    np.testing.assert_array_equal(*pair)


def raster(shape: tuple[int, int], dtype: type) -> np.ndarray:
    """Return whole heights, so that many are alike."""
    return RNG.integers(-9, 30, shape).astype(dtype)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("size", [1, 3, 9, 101])
def test_squares_open_the_same(both: Both, shape: tuple[int, int], dtype: type, size: int) -> None:
    values = raster(shape, dtype)
    values[RNG.random(shape) < 0.2] = np.nan
    for what in (opening.erosion, opening.dilation, opening.opening):
        assert_same(both(lambda w=what: w(values, size)))


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("radius", [1, 1.5, 4.3, 12])
def test_disks_open_and_close_the_same(both: Both, shape: tuple[int, int], radius: float) -> None:
    values, inside = raster(shape, np.float32), RNG.random(shape) < 0.8
    values[~inside] = np.nan
    for what in (opening_disk.opened_by_disk, opening_disk.closed_by_disk):
        assert_same(both(lambda w=what: w(values, radius, inside)))


@pytest.mark.parametrize("shape", SHAPES)
def test_readings_between_centres_are_the_same(both: Both, shape: tuple[int, int]) -> None:
    values = RNG.normal(size=shape)
    values[RNG.random(shape) < 0.3] = np.nan
    across, up = RNG.uniform(-2, shape[1] + 2, 500), RNG.uniform(-2, shape[0] + 2, 500)
    across[:100], up[:100] = np.round(across[:100] * 2) / 2, np.round(up[:100] * 2) / 2
    assert_same(both(lambda: bilinear.bilinear(values, across, up)))


@pytest.mark.parametrize("count", [0, 1, 2000])
def test_lowest_points_of_cells_are_the_same(both: Both, count: int) -> None:
    column, row = RNG.integers(0, 12, count), RNG.integers(0, 9, count)
    x, y, z = RNG.integers(0, 4, (3, count)).astype(np.float64)
    assert_same(both(lambda: cell_summary.lowest_per_cell(column, row, z, (9, 12))))

    def lowest() -> np.ndarray:
        index = cell_summary.lowest_point_per_cell(column, row, x, y, z, (9, 12))
        # Which of points in the same place is found is left open.
        return np.where(index >= 0, np.stack([x, y, z, np.ones(count)])[:, index], 0.0) if count else index

    assert_same(both(lowest))


def test_points_outside_the_raster_are_refused_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cell_summary, "COMPILED", False)
    one, two, z = np.zeros(2, np.int64), np.array([0, 3]), np.zeros(2)
    for call in (
        lambda: cell_summary.lowest_per_cell(two, one, z, (1, 3)),
        lambda: cell_summary.lowest_point_per_cell(one, two, z, z, z, (1, 3)),
    ):
        with pytest.raises(ValueError, match="1 of 2 points lie outside"):
            call()


@pytest.mark.parametrize("largest", [1, 5, 2000, 2**40])
@pytest.mark.parametrize("count", [0, 1, 3000])
def test_sorting_is_the_same(both: Both, count: int, largest: int) -> None:
    keys = RNG.integers(0, largest, count)
    assert_same(both(lambda: sorting.sorted_order(keys)))

"""Curvatures of rasters: what noise makes of them is known, and a face doesn't outweigh all else."""

import numpy as np
import pytest

from cloudprep.kernels.height_error import squared_curvatures

CELL, LAG, SIZE = 0.5, 3, 40


def test_independent_heights_have_second_differences_of_six_times_their_variance():
    """Variances of independent values add: 1 + 1 + 4."""
    heights = np.random.default_rng(1).normal(0, 0.2, (200, 200))
    found = squared_curvatures(heights, CELL, LAG, SIZE, 0.0)[80:120, 80:120]
    assert found == pytest.approx(6 * 0.04 / (LAG * CELL) ** 4, rel=0.1)
    assert squared_curvatures(heights, CELL, LAG, SIZE, 0.04)[100, 100] < 0.1 * found.mean()


def test_a_plane_is_not_curved_and_a_missing_height_tells_nothing():
    row, column = np.mgrid[:60, :60]
    plane = 0.25 * row - 0.5 * column
    plane[30, 30] = np.nan
    assert (squared_curvatures(plane, CELL, LAG, SIZE, 0.0) == 0).all()
    assert (squared_curvatures(np.full((9, 9), np.nan), CELL, LAG, SIZE, 0.0) == 0).all()


def test_a_face_counts_by_its_share_of_the_ground():
    """A step of 10 m: of 81 columns around 2 * LAG have second differences, along one of two axes."""
    heights = np.where(np.arange(200) < 100, 0.0, 10.0) + np.zeros((200, 1))
    found = squared_curvatures(heights, CELL, LAG, SIZE, 0.0)[100, 100]
    mean = 10 * 2 * LAG / 81 / 2
    assert found == pytest.approx(np.pi / 2 * mean**2 / (LAG * CELL) ** 4, rel=1e-6)

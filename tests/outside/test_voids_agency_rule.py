"""Voids and coverage against figures and formulas from outside the project."""

import math

import numpy as np
import pytest
from scipy import ndimage

from cloudprep.kernels.interpolation_fill import smooth_fill
from cloudprep.kernels.voids import empty_squares, rim_distance_fill, within_reach
from cloudprep.model.bounds import Bounds
from cloudprep.model.site import SiteFacts
from cloudprep.stages.surface.report_voids import ReportVoids
from cloudprep.testing import run_stage


def _site(spacing):
    return SiteFacts(1000, Bounds(0, 0, 100, 100), 0.0, 1.0, spacing, False)


# USGS Lidar Base Specification, table of quality levels: aggregate nominal pulse spacing of QL1, QL2, QL3
# (from memory), and the areas of (4 spacings)^2, m2 (arithmetic).
@pytest.mark.parametrize(("spacing", "area"), [(0.35, 1.96), (0.71, 8.07), (1.41, 31.8)])
def test_least_void_of_the_quality_levels(spacing, area):
    stage = ReportVoids(ReportVoids.Params(of="first_returns")).resolved(_site(spacing * 0.97))
    assert stage.params.pulse_spacing == spacing
    assert stage._least_area == pytest.approx(area, rel=0.002)


# Points scattered by chance: a cell of k expected points is empty with a chance of e^-k (Poisson 1837). Cells
# of twice the spacing expect four.
def test_share_of_scattered_points_is_that_of_poisson():
    rng = np.random.default_rng(3)
    side, spacing = 400.0, 1.0
    n = int(side**2 / spacing**2)
    columns = {"x": rng.uniform(0, side, n), "y": rng.uniform(0, side, n), "z": np.zeros(n)}
    stage = ReportVoids(ReportVoids.Params(of="first_returns", pulse_spacing=spacing))
    share = run_stage(stage, columns).result.figures["coverage.share"]
    assert share == pytest.approx(1 - math.exp(-4), abs=4 * math.sqrt(0.0183 * 0.9817 / (n / 4)))


def test_squares_and_reach_are_those_of_scipy():
    rng = np.random.default_rng(5)
    empty = ndimage.gaussian_filter(rng.normal(size=(90, 110)), 2.0) > 0
    # scipy.ndimage: morphological opening, closing, filling of holes.
    assert np.array_equal(empty_squares(empty, 5), ndimage.binary_opening(empty, np.ones((5, 5))))
    have = np.pad(rng.random((60, 70)) < 0.2, 20)
    have[:, 40:44] = False
    closed = ndimage.binary_closing(have, np.ones((7, 7)))
    assert np.array_equal(within_reach(have, 7), ndimage.binary_fill_holes(closed))


# x^2 - y^2 and x y solve Laplace's equation also on a lattice of cells (five-point formula): a membrane
# stretched over the rim of a hole must be just that.
@pytest.mark.parametrize("height", [lambda x, y: x * x - y * y, lambda x, y: x * y + 3 * x])
def test_a_membrane_over_a_void_is_harmonic(height):
    y, x = np.mgrid[0:40, 0:50] - 20.0
    z = height(x, y)
    holed = z.copy()
    holed[12:26, 15:33] = np.nan
    assert smooth_fill(holed, math.inf) == pytest.approx(z, abs=0.005 * np.ptp(z))


# Shepard 1968: by hand, from four neighbours of one cell, two known cells at 1 and 2.
def test_inverse_distance_by_hand():
    z = np.array([[np.nan, np.nan, np.nan, np.nan], [6.0, np.nan, np.nan, 3.0]])
    group = np.array([[False] * 4, [False, True, True, False]])
    filled = rim_distance_fill(z, group, 2.0)
    assert filled[1, 1] == pytest.approx((6.0 / 1 + 3.0 / 4) / (1 + 1 / 4))
    assert filled[1, 2] == pytest.approx((6.0 / 4 + 3.0 / 1) / (1 + 1 / 4))

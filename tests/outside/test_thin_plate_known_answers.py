"""The fitted plate against answers that are known without solving its equations.

Sources: the frequency response of a smoother with second differences follows from its Fourier transform, see
P. Eilers, "A perfect smoother", Analytical Chemistry 75(14), 2003 (one dimension; in two the squared
differences add up to (a + b)^2); the curve through points that bends least is the natural cubic spline
(J. Holladay, Mathematical Tables and Other Aids to Computation 11, 1957), here
scipy.interpolate.CubicSpline.
"""

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from cloudprep.kernels.thin_plate import fit_surface


@pytest.mark.parametrize("stiffness", [0.1, 1.0, 10.0, 1000.0])
@pytest.mark.parametrize(("along", "across"), [(8.0, np.inf), (np.inf, 12.0), (10.0, 15.0)])
def test_waves_are_damped_as_the_fourier_transform_says(along, across, stiffness):
    y, x = np.mgrid[:200, :220]
    wave = np.cos(2 * np.pi * x / along) * np.cos(2 * np.pi * y / across)
    a, b = 2 - 2 * np.cos(2 * np.pi / along), 2 - 2 * np.cos(2 * np.pi / across)
    expected = wave / (1 + stiffness * (a + b) ** 2)
    found = fit_surface(wave, np.ones(wave.shape), stiffness, tolerance=1e-5)
    # The edge is felt for a few times the fourth root of the stiffness: at 60 cells no more.
    inner = np.s_[60:-60, 60:-60]
    assert np.abs(found - expected)[inner].max() < 1e-3


@pytest.mark.parametrize("as_columns", [False, True])
def test_the_least_bent_line_through_points_is_the_natural_cubic_spline(as_columns):
    rng = np.random.default_rng(1)
    knots = np.arange(30, 300, 30)
    heights = rng.normal(0, 5, knots.size)
    values, weights = np.full((5, 300), np.nan), np.zeros((5, 300))
    values[:, knots], weights[:, knots] = heights, 1
    if as_columns:
        values, weights = values.T.copy(), weights.T.copy()
    # Hardly any stiffness, so that the curve goes through the points; equal in all rows.
    found = fit_surface(values, weights, 1e-4, tolerance=1e-4, free_reach=np.inf)
    found = found.T[2] if as_columns else found[2]
    # The ends go on straight, as a natural spline's do.
    within = np.arange(30, 271)
    expected = CubicSpline(knots, heights, bc_type="natural")(within)
    # Cells 1/30 of the distance apart: the second difference is a curvature but for about a thousandth.
    assert np.abs(found[within] - expected).max() < 0.005 * np.ptp(heights)
    ends = np.r_[np.diff(found[:31], 2), np.diff(found[270:], 2)]
    assert np.abs(ends).max() < 1e-3

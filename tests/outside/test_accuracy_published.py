"""Accuracy figures against published examples.

PERS vol. 80, May 2014, p. 397, "Mapping Matters", tables 2 and 3: seven checkpoints; the page prints sample
standard deviations of 0.075, 0.073 and 0.030 m.

ASPRS Positional Accuracy Standards for Digital Geospatial Data, Edition 1 (2014), annex D (from memory; every
statistic reproduces from the inputs): five checkpoints.
"""

import numpy as np
import pytest

from cloudprep.kernels.accuracy import residual_statistics, with_survey_error

PERS = np.array(
    [
        (-0.060, 0.080, 0.055),
        (0.100, -0.045, -0.006),
        (-0.060, 0.080, -0.017),
        (-0.112, 0.007, 0.042),
        (-0.120, 0.150, -0.011),
        (-0.100, -0.045, 0.013),
        (-0.060, 0.080, 0.048),
    ]
)
ANNEX_D = np.array(
    [
        (-0.140, -0.070, -0.071),
        (-0.100, -0.100, 0.010),
        (0.017, -0.070, 0.102),
        (-0.070, 0.150, -0.100),
        (0.130, 0.120, 0.087),
    ]
)


@pytest.mark.parametrize(("axis", "printed"), [(0, 0.075), (1, 0.073), (2, 0.030)])
def test_pers_2014_standard_deviations(axis, printed):
    assert round(residual_statistics(PERS[:, axis]).deviation, 3) == printed


def test_pers_2014_rmse_and_95_percent():
    found = residual_statistics(PERS[:, 2])
    assert found.rmse == pytest.approx(0.03318, abs=5e-6)
    assert found.nva_95 == pytest.approx(0.0650, abs=5e-5)
    # "A mean beyond 25-50 % of the RMSE points to a bias": 0.0177 of 0.0332 is 53 %.
    assert found.biased


@pytest.mark.parametrize(
    ("axis", "mean", "deviation", "rmse"),
    [(0, -0.033, 0.108, 0.102), (1, 0.006, 0.119, 0.106), (2, 0.006, 0.091, 0.081)],
)
def test_asprs_2014_annex_d(axis, mean, deviation, rmse):
    found = residual_statistics(ANNEX_D[:, axis])
    assert round(found.mean, 3) == mean
    assert round(found.deviation, 3) == deviation
    assert found.rmse == pytest.approx(rmse, abs=6e-4)


def test_asprs_2014_annex_d_vertical_95_percent():
    assert residual_statistics(ANNEX_D[:, 2]).nva_95 == pytest.approx(0.160, abs=6e-4)


def test_asprs_2023_takes_the_survey_in():
    """Constructed: 3.0 cm fit and 2.0 cm survey make 3.606 cm (Edition 2, 2023)."""
    assert with_survey_error(3.0, 2.0) == pytest.approx(3.606, abs=5e-4)


def test_statistics_agree_with_scipy():
    """Outside check: scipy.stats on the same numbers."""
    from scipy import stats

    d = np.random.default_rng(8).gumbel(0.02, 0.1, 40)
    found = residual_statistics(d)
    assert found.skew == pytest.approx(stats.skew(d))
    assert found.bias_p == pytest.approx(stats.ttest_1samp(d, 0.0).pvalue)
    assert found.nmad == pytest.approx(stats.median_abs_deviation(d, scale="normal"), rel=1e-4)

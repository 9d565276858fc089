"""Statistics of residuals, and what two editions of a standard make of them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

if TYPE_CHECKING:
    from numpy.typing import NDArray

NVA_FACTOR = 1.96
"""Factor from the RMSE to 95 % where errors are normal (ASPRS 2014)."""
BIASED_SHARE = 0.25
"""A mean beyond this share of the RMSE points to a bias (PERS 80:397, May 2014: 25 to 50 %)."""
FEWEST_TESTED = 30
"""Checkpoints that the tested form needs (ASPRS Edition 2, 2023)."""
_FEW = 2


@dataclass(frozen=True)
class ResidualStatistics:
    """Figures of residuals, in their own unit.

    Parameters
    ----------
    count : int
        How many.
    mean, median : float
        Of the residuals.
    deviation : float or None
        Standard deviation with n - 1; None for a single one.
    rmse : float
        Root of the mean square (divided by n).
    nmad : float
        1.4826 times the median distance from the median: a deviation that blunders don't move.
    skew : float or None
        Third moment over the cube of the deviation (both with n); None where there is no spread.
    lowest, highest : float
        Extremes.
    percentile_95 : float
        95th percentile of the sizes, linear between ranks.
    bias_p : float or None
        Chance of a mean this far from 0 if there were no bias (two-sided t test); None for a single one.
    """

    count: int
    mean: float
    median: float
    deviation: float | None
    rmse: float
    nmad: float
    skew: float | None
    lowest: float
    highest: float
    percentile_95: float
    bias_p: float | None

    @property
    def nva_95(self) -> float:
        """1.96 times the RMSE: vertical accuracy at 95 % over open ground (ASPRS 2014)."""
        return NVA_FACTOR * self.rmse

    @property
    def biased(self) -> bool:
        """Whether the mean is larger than a quarter of the RMSE."""
        return abs(self.mean) > BIASED_SHARE * self.rmse


def residual_statistics(residuals: NDArray[np.float64]) -> ResidualStatistics:
    """Return the figures of residuals.

    Parameters
    ----------
    residuals : ndarray of float64, shape (n,)
        At least one, none of them NaN.

    Examples
    --------
    >>> found = residual_statistics(np.array([0.055, -0.006, -0.017, 0.042, -0.011, 0.013, 0.048]))
    >>> round(found.mean, 5), round(found.deviation, 3), round(found.rmse, 5), round(found.nva_95, 3)
    (0.01771, 0.03, 0.03318, 0.065)
    """
    d = np.asarray(residuals, np.float64)
    n = len(d)
    mean, median = float(d.mean()), float(np.median(d))
    spread = float(d.std())
    deviation = float(d.std(ddof=1)) if n >= _FEW else None
    bias = None
    if deviation is not None:
        t = abs(mean) / (deviation / math.sqrt(n)) if deviation > 0 else math.inf if mean else 0.0
        bias = float(2 * stats.t.sf(t, n - 1))
    # The smallest spread that isn't rounding alone.
    real = spread > 1e-12 * max(1.0, abs(mean))
    return ResidualStatistics(
        count=n,
        mean=mean,
        median=median,
        deviation=deviation,
        rmse=float(np.sqrt(np.mean(d * d))),
        nmad=float(1.4826 * np.median(np.abs(d - median))),
        skew=float(np.mean((d - mean) ** 3) / spread**3) if real else None,
        lowest=float(d.min()),
        highest=float(d.max()),
        percentile_95=float(np.percentile(np.abs(d), 95)),
        bias_p=bias,
    )


def with_survey_error(rmse: float, survey: float) -> float:
    """Return the vertical accuracy with the error of the checkpoints' own survey in it.

    ``sqrt(rmse^2 + survey^2)`` (ASPRS Edition 2, 2023: both RMSE).

    >>> round(with_survey_error(0.03, 0.02), 5)
    0.03606
    """
    return math.hypot(rmse, survey)

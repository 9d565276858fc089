"""How uncertain a volume is whose heights are: what averages out, what does in part, and what doesn't."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.spatial.distance import pdist

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

TWO_SIDED_95 = 1.96
# Where an area holds this many squares of the range, its edge doesn't matter.
_MANY_RANGES = 60.0
_MOST_PLACES = 1500


@dataclass(frozen=True)
class HeightErrors:
    """Errors of heights, or of differences of heights; standard deviations in metres.

    Parameters
    ----------
    random : float
        From cell to cell, each for itself. Left 0 where a raster tells it.
    correlated : float
        Of errors that neighbours share (the root of a spherical variogram's sill).
    reach : float
        How far they share it (the variogram's range), m.
    systematic : float
        Alike everywhere: a datum, a lever arm.
    """

    random: float = 0.0
    correlated: float = 0.0
    reach: float = 0.0
    systematic: float = 0.0


@dataclass(frozen=True)
class VolumeError:
    """Standard deviations of a volume, m3, by cause."""

    random: float
    correlated: float
    systematic: float

    @property
    def total(self) -> float:
        """The root of the sum of the squares."""
        return math.sqrt(self.random**2 + self.correlated**2 + self.systematic**2)

    @property
    def interval_95(self) -> float:
        """Half the width of a 95 % interval, where errors are normal."""
        return TWO_SIDED_95 * self.total


def anderson_error(
    cells: int, cell: float, *, random: float, sill: float, reach: float, systematic: float
) -> VolumeError:
    """Return the standard deviations of a volume over many cells, in closed form.

    Parameters
    ----------
    cells : int
        How many.
    cell : float
        Side of a cell, m.
    random : float
        Standard deviation of a cell's error, m.
    sill, reach : float
        Of a spherical variogram: m2 and m.
    systematic : float
        Error alike everywhere, m.

    Notes
    -----
    Anderson 2019, "Uncertainty in quantitative analyses of topographic change", Earth Surf. Process. Landf.
    44:1015-1033: ``sqrt(n) L^2 s``, ``0.79 a sqrt(n) L s_c`` and ``n L^2 s_sys``; 0.79 is the root of pi / 5,
    the integral of a spherical covariance over the plane. It holds where the area is much larger than the
    reach.
    """
    return VolumeError(
        random=math.sqrt(cells) * cell**2 * random,
        correlated=0.79 * reach * math.sqrt(cells) * cell * math.sqrt(sill),
        systematic=cells * cell**2 * systematic,
    )


def correlated_error(x: Floats, y: Floats, area: float, deviation: float, reach: float) -> float:
    """Return the standard deviation (m3) that correlated errors give a volume over an area of any shape.

    Parameters
    ----------
    x, y : ndarray of float64, shape (n,)
        Places that fill the area evenly, m.
    area : float
        m2.
    deviation, reach : float
        Of a spherical covariance: standard deviation and reach, m.

    Notes
    -----
    The variance is the square of the area times the mean covariance of two places in it. Where the area is
    much larger than the reach that is Anderson's closed form, which is used then.
    """
    if deviation == 0 or reach == 0 or area == 0 or len(x) == 0:
        return 0.0
    if area > _MANY_RANGES * reach**2:
        return math.sqrt(math.pi / 5) * reach * math.sqrt(area) * deviation
    step = max(1, math.ceil(len(x) / _MOST_PLACES))
    places = np.c_[x[::step], y[::step]]
    n = len(places)
    if n == 1:
        return area * deviation
    h = pdist(places) / reach
    shared = np.where(h < 1, 1 - 1.5 * h + 0.5 * h**3, 0.0)
    # A place stands for a small area, within which it shares almost all.
    own = min(1.0, max(0.0, 1 - 1.5 * 0.52 * math.sqrt(area / n) / reach))
    mean = (2 * shared.sum() + n * own) / n**2
    return area * deviation * math.sqrt(mean)

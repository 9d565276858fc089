"""How uncertain a volume is whose heights are: what averages out, what does in part, and what doesn't."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import brentq
from scipy.spatial.distance import cdist
from scipy.special import ndtr

from cloudprep.kernels.pairs import shared_by_pairs

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

TWO_SIDED_95 = 1.96
# Where an area holds this many squares of the range, its edge doesn't matter.
_MANY_RANGES = 60.0
_MOST_PLACES = 800


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
    """Standard deviations of a volume, m3, by cause.

    Parameters
    ----------
    random, correlated, systematic : float
        Of errors that each cell has for itself, that neighbours share, and that are alike everywhere.
    offset : float
        By how much the volume is expected to be too large: the lowest of many heights with errors lies below
        the lowest true one.
    resampling : float
        Of reading one raster between its cell centres.
    """

    random: float
    correlated: float
    systematic: float
    offset: float = 0.0
    resampling: float = 0.0

    @property
    def total(self) -> float:
        """The root of the sum of the squares."""
        parts = self.random, self.correlated, self.systematic, self.resampling
        return math.sqrt(sum(part**2 for part in parts))

    @property
    def interval_95(self) -> float:
        """Half the width of a 95 % interval around the volume, where errors are normal."""
        total = self.total
        if self.offset == 0 or total == 0:
            return TWO_SIDED_95 * total + abs(self.offset)
        away = abs(self.offset) / total

        def missed(half: float) -> float:
            return float(ndtr(half - away) - ndtr(-half - away)) - 0.95

        return total * float(brentq(missed, 0.0, away + 10.0))


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
    across, north = x[::step], y[::step]
    n = len(across)
    if n == 1:
        return area * deviation
    shared = shared_by_pairs(across, north, np.ones(n), reach)
    # A place stands for a small area, within which it shares almost all.
    own = min(1.0, max(0.0, 1 - 1.5 * 0.52 * math.sqrt(area / n) / reach))
    mean = (2 * shared + n * own) / n**2
    return area * deviation * math.sqrt(mean)


def lattice_sum(cell: float, reach: float) -> float:
    """Return by how much cells' errors that share something add up to more variance than independent ones.

    Parameters
    ----------
    cell : float
        Side of a cell, m.
    reach : float
        Of a spherical covariance, m.

    Examples
    --------
    >>> lattice_sum(1.0, 0.9), round(lattice_sum(1.0, 20.0) / 20**2, 3)  # pi / 5 is 0.628
    (1.0, 0.628)
    """
    k = math.ceil(reach / cell)
    offsets = np.arange(-k, k + 1) * cell
    return float(spherical(np.hypot(offsets[:, None], offsets) / max(reach, 1e-12)).sum())


def edge_error(
    inside: tuple[Floats, Floats],
    area: float,
    edge: tuple[Floats, Floats],
    weights: Floats,
    length: float,
    deviation: float,
    reach: float,
) -> float:
    """Return the standard deviation (m3) of a volume from shared errors, for a base that the edge carries.

    Parameters
    ----------
    inside : tuple of ndarray of float64, shape (n,)
        Places that fill the area evenly, m.
    area : float
        m2.
    edge : tuple of ndarray of float64, shape (m,)
        Places along the edge, in their order, m.
    weights : ndarray of float64, shape (m,)
        By how much the volume falls where the height at that place rises, m2; their sum is the area.
    length : float
        Distance of these places, m.
    deviation, reach : float
        Of a spherical covariance: standard deviation and reach, m.

    Notes
    -----
    The volume is the area's heights less the edge's, weighted: its variance is that of the area, that of the
    edge, less twice what both share. An area much larger than the reach shares half of the covariance's
    integral over the plane with a place on its edge.
    """
    if deviation == 0 or reach == 0 or area == 0 or len(inside[0]) == 0:
        return 0.0
    own = correlated_error(*inside, area, 1.0, reach) ** 2
    of_edge = along_edge(edge, weights, length, reach)
    places, summed = _thinned(edge, weights)
    if area > _MANY_RANGES * reach**2:
        both = float(summed.sum()) * math.pi / 10 * reach**2
    else:
        thin = max(1, math.ceil(len(inside[0]) / _MOST_PLACES))
        filling = np.c_[inside[0][::thin], inside[1][::thin]]
        shared = spherical(cdist(places, filling) / reach).mean(axis=1)
        both = area * float((summed * shared).sum())
    return deviation * math.sqrt(max(0.0, own + of_edge - 2 * both))


def along_edge(edge: tuple[Floats, Floats], weights: Floats, length: float, reach: float) -> float:
    """Return the variance of a weighted sum of heights along an edge, for correlated errors of variance 1.

    Parameters
    ----------
    edge : tuple of ndarray of float64, shape (m,)
        Places in their order, m.
    weights : ndarray of float64, shape (m,)
        Of the heights there.
    length : float
        Distance of these places, m.
    reach : float
        Of a spherical covariance, m.
    """
    places, summed = _thinned(edge, weights)
    apart = 2 * shared_by_pairs(places[:, 0], places[:, 1], summed, reach)
    step = max(1, math.ceil(len(weights) / _MOST_PLACES))
    return apart + float((summed**2).sum()) * _within(length * step / reach)


def _thinned(edge: tuple[Floats, Floats], weights: Floats) -> tuple[Floats, Floats]:
    """Return every so many places, each with the weights of those around."""
    step = max(1, math.ceil(len(weights) / _MOST_PLACES))
    starts = np.arange(0, len(weights), step)
    middle = np.minimum(starts + step // 2, len(weights) - 1)
    return np.c_[edge[0][middle], edge[1][middle]], np.add.reduceat(weights, starts)


def spherical(h: Floats) -> Floats:
    """Return the spherical covariance of places so many reaches apart; 1 at the same place."""
    h = np.minimum(h, 1.0)
    return np.asarray(1 - h * (1.5 - 0.5 * h * h))


def _within(length: float) -> float:
    """Return the mean covariance of two places on a straight piece so many reaches long."""
    if length < 1:
        return 1 - 0.5 * length + 0.05 * length**3
    return 0.75 / length - 0.2 / length**2

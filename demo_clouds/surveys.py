"""Two dates of the quarry, surveyed as often as wanted, with errors whose kinds are known.

On the second date a stockpile has been taken away and the floor below it dug out. Coordinates are metres from
the site's south-west corner.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from . import terrain
from .twin import SIGMA, SPACING

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

WINDOW = (74.0, 108.0, 138.0, 174.0)
"""West, south, east, north of what is surveyed: the quarry's floor with two stockpiles."""
STOCKPILE, CUT = terrain.PILES[2], terrain.PILES[1]
"""Centre x, y and height of the stockpile that stays, and of the one that is taken away."""
STOCKPILE_RADIUS, CUT_RADIUS = 14.0, 10.5
"""Circles around them that reach the floor, m."""
STABLE = (76.0, 134.0, 102.0, 172.0)
"""West, south, east, north of floor that nobody touches."""
DUG = 1.0  # depth of the pit below the stockpile that was taken away, m


def ground(x: Array, y: Array, *, later: bool = False) -> Array:
    """Return the true height of the ground on either date, m."""
    if not later:
        return terrain.height(x, y)
    left = tuple(pile for pile in terrain.PILES if pile != CUT)
    away = np.hypot(x - CUT[0], y - CUT[1])
    pit = np.clip(DUG - terrain.REPOSE * (away - 4.0), 0.0, DUG)
    return np.asarray(terrain.height(x, y, left) - pit)


@dataclass(frozen=True)
class SurveyErrors:
    """How a survey is off; standard deviations, m.

    Parameters
    ----------
    point : float
        From point to point: that of the photogrammetric twin.
    shared : float
        What neighbours share: the amplitude of its ripple.
    reach : float
        How far they share it (range of a spherical variogram).
    datum : float
        What all points of one survey are off by.
    """

    point: float = SIGMA
    shared: float = 0.015
    reach: float = 9.0
    datum: float = 0.008


class Survey:
    """One survey's errors, drawn once and the same wherever they are looked up.

    Parameters
    ----------
    errors : SurveyErrors
        Their kinds.
    rng : numpy Generator
        Chance.
    """

    _STEP = 0.5

    def __init__(self, errors: SurveyErrors, rng: np.random.Generator) -> None:
        self.errors, self._rng = errors, rng
        self._datum = errors.datum * float(rng.standard_normal())
        west, south, east, north = WINDOW
        shape = (math.ceil((north - south) / self._STEP), math.ceil((east - west) / self._STEP))
        self.field = shared_field(shape, self._STEP, errors.shared, errors.reach, rng)

    def cells(self, x: Array, y: Array, cell: float) -> Array:
        """Return errors of cells that hold the mean of their points, at cell centres."""
        in_cell = (cell / SPACING) ** 2
        own = self.errors.point / math.sqrt(in_cell) * self._rng.standard_normal(x.shape)
        return self.common(x, y) + own

    def points(self, x: Array, y: Array) -> Array:
        """Return errors of single points."""
        return self.common(x, y) + self.errors.point * self._rng.standard_normal(x.shape)

    def common(self, x: Array, y: Array) -> Array:
        """Return what neighbours share, and the datum's error."""
        column = np.clip(((x - WINDOW[0]) / self._STEP).astype(np.int64), 0, self.field.shape[1] - 1)
        row = np.clip(((y - WINDOW[1]) / self._STEP).astype(np.int64), 0, self.field.shape[0] - 1)
        return self._datum + self.field[row, column]


def shared_field(
    shape: tuple[int, int], cell: float, deviation: float, reach: float, rng: np.random.Generator
) -> Array:
    """Return a field of errors that neighbours share, on cells.

    Notes
    -----
    White noise in space, summed over balls as wide as the reach, has a spherical covariance: the overlap of
    two balls (Matheron 1965). Here by the root of its discrete Fourier transform; what wraps around is cut
    off.
    """
    k = math.ceil(reach / 2 / cell)
    rows, columns = shape[0] + 2 * k, shape[1] + 2 * k
    root = _root(rows, columns, reach / cell)
    white = np.fft.rfft2(rng.standard_normal((rows, columns)))
    return np.asarray(deviation * np.fft.irfft2(white * root, (rows, columns))[: shape[0], : shape[1]])


@cache
def _root(rows: int, columns: int, reach: float) -> Array:
    """Return the root of the covariance's transform, for a reach in cells; the same for many surveys."""
    y, x = np.meshgrid(np.fft.fftfreq(rows, 1 / rows), np.fft.fftfreq(columns, 1 / columns), indexing="ij")
    spectrum = np.fft.rfft2(np.maximum(0.0, _overlap(np.hypot(x, y) / reach)))
    return np.asarray(np.sqrt(np.maximum(spectrum.real, 0.0)))


def _overlap(h: Array) -> Array:
    """Return the spherical covariance of places so many reaches apart."""
    return np.where(h < 1, 1 - 1.5 * h + 0.5 * h**3, 0.0)

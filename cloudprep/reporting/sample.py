"""A thinned sample of a site's points, for pictures that can't show all of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.model.classes import NOISE_CODES

if TYPE_CHECKING:
    from numpy.typing import NDArray

MOST_POINTS = 150_000
# Of a class that is rare, so many points are kept before the rest is shared among the common ones.
_RARE = 4_000
_NOISE = 20_000


@dataclass(frozen=True)
class Sample:
    """Points chosen by a hash of where they lie: the same whatever the order of points, files and blocks.

    Rare classes and noise are kept better than common ones.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (n,)
        Metres from the site's origin; heights have the zero of the cloud.
    classification : ndarray of uint8, shape (n,)
        Class codes after the run.
    height : ndarray of float32, shape (n,)
        Height above the ground straight below, m, from coarse cells; NaN where no ground is known.
    flight : ndarray of uint16, shape (n,)
        Number of the input that a point came from, counted from 0.
    total : int
        How many points the site has.
    origin : tuple of float
        Easting and northing of the local zero, m.
    horizontal_unit, vertical_unit : float
        Metres in one unit of the clouds' plan and heights.
    vertical_name : str
        That unit's name, for people: ``m``, ``ft``, ``ftUS``.
    """

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    z: NDArray[np.float64]
    classification: NDArray[np.uint8]
    height: NDArray[np.float32]
    flight: NDArray[np.uint16]
    total: int
    origin: tuple[float, float] = (0.0, 0.0)
    horizontal_unit: float = 1.0
    vertical_unit: float = 1.0
    vertical_name: str = "m"

    def __len__(self) -> int:
        return len(self.x)


def shares_to_keep(counts: NDArray[np.int64], most: int = MOST_POINTS) -> NDArray[np.float64]:
    """Return which share of each class's points a sample keeps.

    Every class keeps all its points up to a few thousand (noise up to twenty thousand); what is left of the
    sample is shared by the common classes by their numbers.

    Parameters
    ----------
    counts : ndarray of int64, shape (256,)
        Points of each class code.
    most : int
        Points of the sample, about.

    Returns
    -------
    ndarray of float64, shape (256,)
        0 to 1; 1 for codes without points.

    Examples
    --------
    >>> counts = np.zeros(256, np.int64)
    >>> counts[[1, 2, 7]] = 1_000_000, 500_000, 100
    >>> shares_to_keep(counts, most=30_000)[[1, 2, 7]].round(4).tolist()
    [0.0193, 0.0212, 1.0]
    """
    counts = np.asarray(counts, np.float64)
    if counts.sum() <= most:
        return np.ones(256)
    least = np.full(256, float(_RARE))
    least[list(NOISE_CODES)] = _NOISE
    # Where there are many classes, none may take more than its part.
    least = np.minimum(least, most / 16)
    kept = np.minimum(counts, least)
    even = (most - kept.sum()) / max(float((counts - kept).sum()), 1.0)
    kept += np.clip(even, 0.0, 1.0) * (counts - kept)
    shares = np.ones(256)
    np.divide(kept, counts, out=shares, where=counts > 0)
    return shares

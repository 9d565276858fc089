"""The truth of the site: where the ground is, and what each point of a flight really hit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import laspy
import numpy as np

from . import place, terrain

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    Array = NDArray[np.float64]


@dataclass(frozen=True)
class Truth:
    """What is true of a flight's points, in the flight's order; arrays of shape (n,).

    Parameters
    ----------
    classification : ndarray of uint8
        LAS class codes.
    kind : ndarray of uint8
        :class:`demo_clouds.kinds.Kind`, finer than the classes.
    ground : ndarray of float64
        Height of the true ground above or below the point, m.
    """

    classification: NDArray[np.uint8]
    kind: NDArray[np.uint8]
    ground: Array


def true_ground(x: Array, y: Array) -> Array:
    """Return the true height of the ground at eastings and northings of the site (m).

    Under the pond it is the bed, which no flight measures (see :func:`is_water`); under buildings and the
    bridge it is the ground below.

    Parameters
    ----------
    x, y : ndarray of the same shape
        Easting and northing, m.

    Returns
    -------
    ndarray
        Heights, m.
    """
    return terrain.height(np.asarray(x) - place.ORIGIN[0], np.asarray(y) - place.ORIGIN[1])


def is_water(x: Array, y: Array) -> NDArray[np.bool_]:
    """Tell where the pond is, at eastings and northings of the site (m)."""
    return terrain.is_water(np.asarray(x) - place.ORIGIN[0], np.asarray(y) - place.ORIGIN[1])


def truth_of(flight: Path) -> Path:
    """Return the truth file that belongs to a flight of a generated site."""
    return flight.parent.parent / "truth" / f"{flight.stem}_truth.laz"


def read_truth(path: Path) -> Truth:
    """Read a truth file.

    Parameters
    ----------
    path : Path
        See :func:`truth_of`.
    """
    las = laspy.read(str(path))
    return Truth(
        np.asarray(las.classification, np.uint8),
        np.asarray(las["kind"]),
        np.asarray(las["true_ground"], np.float64),
    )

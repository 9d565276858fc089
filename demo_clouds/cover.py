"""What grows or lies on the ground, and where."""

from __future__ import annotations

from enum import IntEnum
from typing import TYPE_CHECKING

import numpy as np

from . import terrain

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Values = NDArray[np.float64]


class Cover(IntEnum):
    """Kinds of ground cover."""

    MEADOW = 0
    ROCK = 1
    ASPHALT = 2
    LITTER = 3
    GRAVEL = 4


# Brightness in the near infrared (a plausible order, not measured) and visible colour.
REFLECTANCE = np.array([0.42, 0.50, 0.13, 0.30, 0.36])
COLOUR = np.array([[96, 128, 62], [196, 186, 164], [92, 92, 96], [104, 88, 62], [158, 150, 138]], np.float64)

_LANE_STOPS = 56.0  # the lower road ends in the meadow


def is_wood(x: Values, y: Values) -> NDArray[np.bool_]:
    """Tell where the wooded slope is."""
    edge = 128.0 + 6.0 * np.sin(x / 11.0)
    return (x > 172.0 + 4.0 * np.sin(y / 9.0)) & (y > edge)


def of_ground(x: Values, y: Values) -> NDArray[np.int64]:
    """Return the cover of the ground at places (metres from the south-west corner)."""
    cover = np.full(x.shape, int(Cover.MEADOW))
    cover[is_wood(x, y)] = Cover.LITTER
    yard = (np.abs(x - 76.0) < 44.0) & (np.abs(y - 71.0) < 33.0)
    cover[yard] = Cover.GRAVEL
    pit = (terrain.quarry_distance(x, y) < 22.0) & (y > 101.0)
    cover[pit] = Cover.ROCK
    cover[(np.abs(x - terrain.LANE_X) < terrain.LANE_HALF) & (y < _LANE_STOPS)] = Cover.GRAVEL
    on_road = np.abs(y - terrain.ROAD_Y) < terrain.ROAD_HALF
    cover[on_road & (np.abs(x - terrain.LANE_X) > terrain.GAP_HALF)] = Cover.ASPHALT
    return cover


def herb_share(x: Values, y: Values) -> Values:
    """Return the share of pulses (0 to 1) that grass and herbs of 0.1 to 0.5 m stop."""
    cover = of_ground(x, y)
    patches = 0.5 + 0.5 * np.sin(x / 13.0 + 1.3 * np.sin(y / 17.0)) * np.sin(y / 10.0 + 0.7)
    share = np.where(cover == Cover.MEADOW, 0.45 * np.clip(2.0 * patches - 0.9, 0.0, 1.0), 0.0)
    return np.where(cover == Cover.LITTER, 0.10, share)

"""The ground of the site as a formula: a hillside with a quarry, stockpiles, a pond and roads.

Coordinates are metres from the site's south-west corner, heights metres.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Heights = NDArray[np.float64]

VALLEY = 204.0
PAD = 203.6  # level of the hall's yard

QUARRY_CENTRE = (88.0, 155.0)
QUARRY_HALF = (58.0, 52.0)
QUARRY_CORNER = 18.0
QUARRY_FLOOR = 206.8
# Distance behind the floor's edge, m, and height above the floor, m: three faces of about 80 degrees with two
# benches between them. The last face is cut off by the hillside.
FACES = ((0.0, 2.0, 9.0, 11.0, 17.0, 20.0, 80.0), (0.0, 12.0, 12.3, 24.3, 24.6, 42.6, 300.0))

# Centre x, y and height of the stockpiles, m; loose rock rests at 35 degrees.
PILES = ((62.0, 140.0, 6.5), (88.0, 124.0, 5.0), (118.0, 158.0, 8.0))
RIDGE = ((58.0, 178.0), (92.0, 184.0), 5.5)
REPOSE = 0.70

POND_CENTRE = (228.0, 100.0)
POND_RADII = (26.0, 15.0)
POND_LEVEL = 203.4
POND_DEPTH = 2.2
POND_BANK = 9.0  # rise of the bank over one more radius, m

ROAD_Y = 24.0
ROAD_HALF = 4.0
LANE_X = 150.0  # the lower road, which passes under the bridge
LANE_HALF = 3.5
LANE_LEVEL = 203.0
LANE_END = 46.0  # from here on it climbs out of its cutting
GAP_HALF = 6.0  # half the clear width between the abutments


def _smooth(t: Heights) -> Heights:
    t = np.clip(t, 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def _hillside(x: Heights, y: Heights) -> Heights:
    rise = _smooth((y - 88.0 - 9.0 * np.sin(x / 70.0)) / 150.0)
    z = VALLEY + 46.0 * rise + 0.35 * np.sin(x / 31.0 + 0.8) * np.cos(y / 27.0)
    z += 0.12 * np.sin(x / 7.7) * np.sin(y / 6.4 + 1.0)
    gully = (x - 246.0 + 0.3 * (y - 170.0)) / 7.0
    return z - 3.2 * rise * np.exp(-(gully**2))


def _yard(x: Heights, y: Heights, z: Heights) -> Heights:
    outside = np.maximum(np.abs(x - 76.0) - 42.0, np.abs(y - 71.0) - 31.0)
    weight = _smooth(1.0 - outside / 9.0)
    return z + weight * (PAD - z)


def quarry_distance(x: Heights, y: Heights) -> Heights:
    """Return the distance (m) behind the edge of the quarry's floor, <= 0 on the floor."""
    dx = np.abs(x - QUARRY_CENTRE[0]) - QUARRY_HALF[0] + QUARRY_CORNER
    dy = np.abs(y - QUARRY_CENTRE[1]) - QUARRY_HALF[1] + QUARRY_CORNER
    away = np.hypot(np.maximum(dx, 0.0), np.maximum(dy, 0.0)) + np.minimum(np.maximum(dx, dy), 0.0)
    rough = 0.7 * np.sin(x / 4.1 + 0.4) * np.sin(y / 3.7) + 0.18 * np.sin(1.1 * (x + y)) * np.cos(
        0.9 * (x - y)
    )
    return away - QUARRY_CORNER + rough


def _quarry(x: Heights, y: Heights, z: Heights) -> Heights:
    floor = QUARRY_FLOOR + 0.004 * (y - 100.0) + 0.05 * np.sin(x / 2.3) * np.sin(y / 2.9)
    return np.minimum(z, floor + np.interp(quarry_distance(x, y), *FACES))


def _heap(height: float, away: Heights) -> Heights:
    """Return a cone's height with its tip rounded over about a metre."""
    return height - REPOSE * (np.sqrt(away**2 + 1.0) - 1.0)


def pile_height(x: Heights, y: Heights, piles: Sequence[tuple[float, float, float]] = PILES) -> Heights:
    """Return how high (m) the stockpiles stand above the quarry's nominal floor (negative beside them)."""
    (ax, ay), (bx, by), height = RIDGE
    along = ((x - ax) * (bx - ax) + (y - ay) * (by - ay)) / ((bx - ax) ** 2 + (by - ay) ** 2)
    along = np.clip(along, 0.0, 1.0)
    best = _heap(height, np.hypot(x - ax - along * (bx - ax), y - ay - along * (by - ay)))
    for px, py, top in piles:
        best = np.maximum(best, _heap(top, np.hypot(x - px, y - py)))
    return best


def pond_reach(x: Heights, y: Heights) -> Heights:
    """Return the relative distance from the pond's centre: below 1 there is water."""
    return np.hypot((x - POND_CENTRE[0]) / POND_RADII[0], (y - POND_CENTRE[1]) / POND_RADII[1])


def _pond(x: Heights, y: Heights, z: Heights) -> Heights:
    reach = pond_reach(x, y)
    bed = POND_DEPTH * (reach**2 - 1.0)
    bank = POND_BANK * (reach - 1.0)
    return np.minimum(z, POND_LEVEL + np.where(reach < 1.0, bed, bank))


def road_level(x: Heights) -> Heights:
    """Return the height (m) of the upper road's crown; it climbs to the bridge and down again."""
    return VALLEY - 0.3 + 6.2 * _smooth((x - 30.0) / 80.0) * _smooth((278.0 - x) / 80.0)


def _roads(x: Heights, y: Heights, z: Heights) -> Heights:
    lane_side = np.maximum(np.abs(x - LANE_X) - LANE_HALF, 0.0)
    beyond = np.maximum(y - LANE_END, 0.0)
    lane_level = LANE_LEVEL + 0.008 * y + 0.10 * beyond + 0.02 * beyond**2
    z = np.minimum(z, lane_level + lane_side / 1.5)
    road_side = np.maximum(np.abs(y - ROAD_Y) - ROAD_HALF, 0.0)
    level = road_level(x)
    # Between the abutments, whose walls are almost upright, the lower road runs through.
    gap = 9.0 * np.maximum(GAP_HALF - np.abs(x - LANE_X), 0.0)
    z = np.where(gap > 0.0, z, np.minimum(z, level + road_side / 1.5))
    return np.maximum(z, level - road_side / 1.6 - gap)


def height(x: Heights, y: Heights, piles: Sequence[tuple[float, float, float]] = PILES) -> Heights:
    """Return the true height of the ground.

    Parameters
    ----------
    x, y : ndarray of the same shape
        Metres from the site's south-west corner.
    piles : sequence of tuple
        Centre x, y and height of the stockpiles that stand there.

    Returns
    -------
    ndarray
        Heights, m. Under the pond it is the bed, under buildings and the bridge the ground below them.
    """
    z = _yard(x, y, _hillside(x, y))
    z = _quarry(x, y, z)
    z = np.maximum(z, QUARRY_FLOOR - 0.2 + pile_height(x, y, piles))
    z = _pond(x, y, z)
    return _roads(x, y, z)


def is_water(x: Heights, y: Heights) -> NDArray[np.bool_]:
    """Tell where the pond covers the ground."""
    return pond_reach(x, y) < 1.0


def steepness(x: Heights, y: Heights, step: float = 0.02) -> Heights:
    """Return the ground's slope as rise over run, by central differences over ``2 * step`` metres."""
    east = height(x + step, y) - height(x - step, y)
    north = height(x, y + step) - height(x, y - step)
    return np.hypot(east, north) / (2.0 * step)

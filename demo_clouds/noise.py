"""What is measured but isn't there: birds, dust, stray light, and echoes that took a detour."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from . import terrain
from .hits import MOST_RETURNS, SEPARATION, Hits, Returns, numbering
from .kinds import Kind
from .lines import approach

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .beams import Beams
    from .dice import Dice

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]

BIRDS = 14
FLOCK = 55
STRAY = 45
LOW_SINGLES = 60
LOW_GROUPS = 8
# Centre (height above the quarry's floor) and half axes of the dust that hangs over the quarry, m.
DUST_CENTRE = (98.0, 150.0, 20.0)
DUST_HALF = (11.0, 9.0, 4.0)

# Nothing on the site stands taller than this above the ground, m.
_TALLEST = 24.0
# False low echoes lie at least this far below the true ground, m.
_BURIED = 1.0


def clear_height(x: Array, y: Array) -> Array:
    """Return a height (m) above everything that stands within 8 m of places in plan."""
    turn = np.arange(12) * (np.pi / 6.0)
    around = [terrain.height(x + r * np.cos(a), y + r * np.sin(a)) for a in turn for r in (4.0, 8.0)]
    highest: Array = np.max([terrain.height(x, y), *around], axis=0) + _TALLEST
    return highest


def _over_site(beams: Beams, ground: Array) -> Index:
    """Return the pulses that land well inside the site."""
    spot = beams.places(np.arange(len(beams)), ground)
    inside = (spot[:, 0] > 12) & (spot[:, 0] < 288) & (spot[:, 1] > 12) & (spot[:, 1] < 228)
    return np.flatnonzero(inside)


def _up(beams: Beams, pulse: Index, ground: Array, above: Array) -> Array:
    """Return the ranges at which pulses are ``above`` metres over everything near their landing place."""
    spot = beams.places(pulse, ground[pulse])
    level = clear_height(spot[:, 0], spot[:, 1]) + above
    ranges: Array = (level - beams.origin[pulse, 2]) / beams.direction[pulse, 2]
    return ranges


def add_birds(hits: Hits, beams: Beams, ground: Array, dice: Dice) -> None:
    """Add single birds, each met by one or a few pulses, and a flock in a loose ball."""
    birds = dice.pick(_over_site(beams, ground), BIRDS)
    ranges = _up(beams, birds, ground, dice.uniform(4.0, 45.0, birds.size))
    for body, turned in zip(beams.places(birds, ranges), dice.uniform(0.0, np.pi, birds.size), strict=True):
        wing = 0.3 * np.array([np.cos(turned), np.sin(turned), 0.1])
        part = beams.near(body[0], body[0], body[1], body[1])
        away, distance = approach(beams.origin[part], beams.direction[part], body - wing, body + wing)
        met = np.flatnonzero(distance < 0.16)
        hits.add(Kind.BIRD, part.start + met, away[met], dice.uniform(0.3, 0.8, met.size), 0.25)

    leader = dice.pick(_over_site(beams, ground), 1)
    centre = beams.places(leader, _up(beams, leader, ground, np.array([14.0])))[0]
    part = beams.near(centre[0] - 6.0, centre[0] + 6.0, centre[1] - 6.0, centre[1] + 6.0)
    px, py = beams.at_height(part, centre[2])
    away2 = ((px - centre[0]) / 6.0) ** 2 + ((py - centre[1]) / 6.0) ** 2
    flock = dice.pick(part.start + np.flatnonzero(away2 < 1.0), FLOCK)
    level = centre[2] + dice.uniform(-2.5, 2.5, flock.size)
    away = (level - beams.origin[flock, 2]) / beams.direction[flock, 2]
    hits.add(Kind.FLOCK, flock, away, dice.uniform(0.3, 0.8, flock.size), 0.25)


def add_dust(hits: Hits, beams: Beams, dice: Dice) -> None:
    """Add a dense cloud of dust that hangs over the quarry, faint but as crowded as the ground."""
    centre = np.add(DUST_CENTRE, (0.0, 0.0, terrain.QUARRY_FLOOR))
    half = np.array(DUST_HALF)
    low, high = centre - half, centre + half
    part = beams.near(low[0], high[0], low[1], high[1])
    start, way = (beams.origin[part] - centre) / half, beams.direction[part] / half
    a, b = (way**2).sum(axis=1), (start * way).sum(axis=1)
    inner = b * b - a * ((start**2).sum(axis=1) - 1.0)
    rows = np.flatnonzero(inner > 0.0)
    root = np.sqrt(inner[rows])
    entry, leaving = (-b[rows] - root) / a[rows], (-b[rows] + root) / a[rows]
    rows = part.start + rows
    for _ in range(3):
        entry = entry + dice.exponential(2.2, rows.size)
        caught = entry < leaving
        rows, entry, leaving = rows[caught], entry[caught], leaving[caught]
        hits.add(Kind.DUST, rows, entry, dice.uniform(0.25, 0.6, rows.size), 0.16)


def _with_room(returns: Returns) -> Index:
    """Return the last rows of pulses that can hold one more return."""
    place, count = numbering(returns.pulse)
    return np.flatnonzero((place == count - 1) & (count < MOST_RETURNS))


def _late(
    returns: Returns, beams: Beams, rows: Index, detour: Array, kind: Kind, dice: Dice
) -> tuple[Returns, Index]:
    """Return false echoes a detour (m) behind some rows, and the rows they belong to."""
    ranges = returns.ranges[rows] + detour
    spot = beams.places(returns.pulse[rows], ranges)
    buried = spot[:, 2] < terrain.height(spot[:, 0], spot[:, 1]) - _BURIED
    rows, ranges = rows[buried], ranges[buried]
    energy = dice.uniform(0.036, 0.09, rows.size)
    return Returns(returns.pulse[rows], ranges, energy, np.full(rows.size, int(kind), np.uint8)), rows


def add_low_echoes(returns: Returns, beams: Beams, dice: Dice) -> Returns:
    """Return the returns with echoes below the ground added, single ones and groups.

    A pulse that was thrown sideways by one surface and back by another comes home late. Half of the
    time its direct echo is lost.
    """
    last = _with_room(returns)
    last = last[np.isin(returns.kind[last], (Kind.GROUND, Kind.HERB, Kind.WATER))]
    spot = beams.places(returns.pulse[last], returns.ranges[last])[:, :2]
    inside = (spot > 8.0).all(axis=1) & (spot < [292.0, 232.0]).all(axis=1)
    last, spot = last[inside], spot[inside]

    singles = dice.pick(last, LOW_SINGLES)
    detour = 1.4 * (9.0 / 1.4) ** dice.uniform(0.0, 1.0, singles.size)
    found = [_late(returns, beams, singles, detour, Kind.LOW_SINGLE, dice)]
    taken = singles
    for middle in dice.pick(np.arange(last.size), LOW_GROUPS):
        near = last[((spot - spot[middle]) ** 2).sum(axis=1) < 1.5**2]
        rows = dice.pick(np.setdiff1d(near, taken), int(dice.one(5.0, 16.0)))
        detour = dice.one(2.0, 6.0) + dice.normal(0.15, rows.size)
        found.append(_late(returns, beams, rows, detour, Kind.LOW_GROUP, dice))
        taken = np.concatenate([taken, rows])
    lost = np.concatenate([rows for _, rows in found])
    lost = lost[dice.uniform(0.0, 1.0, lost.size) < 0.5]
    keep = np.ones(returns.pulse.size, bool)
    keep[lost] = False
    return returns.take(keep).joined(*(echoes for echoes, _ in found))


def add_stray_light(returns: Returns, beams: Beams, ground: Array, dice: Dice) -> Returns:
    """Return the returns with single high echoes of sunlight added, one a pulse, at any height."""
    last = _with_room(returns)
    pulses = np.intersect1d(returns.pulse[last], _over_site(beams, ground))
    pulses = dice.pick(pulses, STRAY)
    ranges = _up(beams, pulses, ground, dice.uniform(2.0, 60.0, pulses.size))
    first = returns.ranges[np.searchsorted(returns.pulse, pulses)]
    apart = ranges < first - SEPARATION
    pulses, ranges = pulses[apart], ranges[apart]
    energy = dice.uniform(0.036, 0.07, pulses.size)
    kind = np.full(pulses.size, int(Kind.STRAY_LIGHT), np.uint8)
    return returns.joined(Returns(pulses, ranges, energy, kind))

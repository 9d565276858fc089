"""A flight over the site: pulses sent through everything that stands there."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from . import cover, landing, terrain
from .hits import Hits
from .kinds import Kind
from .lines import approach
from .solids import enter

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .beams import Beams
    from .dice import Dice
    from .lines import Bars
    from .objects import Works
    from .plants import Crowns, Plants
    from .solids import Solid

    Array = NDArray[np.float64]

FOOTPRINT = 0.075  # half width of a beam at the ground, m


def _ground(hits: Hits, beams: Beams, dice: Dice) -> Array:
    ranges = landing.land(beams)
    count = len(beams)
    everyone = np.arange(count)
    spot = beams.places(everyone, ranges)
    x, y = spot[:, 0], spot[:, 1]
    reflectance = cover.REFLECTANCE[cover.of_ground(x, y)]

    # Water swallows most pulses; near the vertical some come back from the surface, none from the bed.
    surface = (beams.origin[:, 2] - terrain.POND_LEVEL) / -beams.direction[:, 2]
    over = beams.places(everyone, surface)
    wet = terrain.is_water(over[:, 0], over[:, 1]) & (surface < ranges)
    steep = np.abs(beams.angle) * 0.006
    mirrored = wet & (dice.uniform(0.0, 1.0, count) < np.where(steep < 10.0, 0.16, 0.03))
    water = np.flatnonzero(mirrored)
    hits.add(Kind.WATER, water, surface[water], 1.0, dice.uniform(0.1, 0.9, water.size))

    # Herbs and ground are too near to each other for two returns: the pulse reports one or the other.
    dry = ~wet
    herbs = np.flatnonzero(dry & (dice.uniform(0.0, 1.0, count) < cover.herb_share(x, y)))
    tall = dice.uniform(0.1, 0.5, herbs.size)
    hits.add(Kind.HERB, herbs, ranges[herbs] + tall / beams.direction[herbs, 2], 1.0, 0.45)
    dry[herbs] = False
    ground = np.flatnonzero(dry)
    hits.add(Kind.GROUND, ground, ranges[ground], 1.0, reflectance[ground])
    return ranges


def _solid(hits: Hits, beams: Beams, solid: Solid, dice: Dice) -> None:
    x, y = solid.centre
    part = beams.near(x - solid.radius, x + solid.radius, y - solid.radius, y + solid.radius)
    full = enter(solid, beams.origin[part], beams.direction[part])
    wide = enter(solid, beams.origin[part], beams.direction[part], grow=FOOTPRINT)
    inside = np.flatnonzero(np.isfinite(full.entry))
    hits.add(solid.kind, part.start + inside, full.entry[inside], 1.0, solid.reflectance)
    # A beam that only grazes the roof's edge leaves part of itself there and goes on.
    grazing = np.flatnonzero(~np.isfinite(full.entry) & np.isfinite(wide.entry) & ~wide.upright)
    share = dice.uniform(0.15, 0.85, grazing.size)
    hits.add(solid.kind, part.start + grazing, wide.entry[grazing], share, solid.reflectance)


def _bars(hits: Hits, beams: Beams, bars: Bars, dice: Dice) -> None:
    reach = bars.radius + FOOTPRINT
    for start, end in zip(bars.starts, bars.ends, strict=True):
        (x0, y0), (x1, y1) = np.minimum(start, end)[:2], np.maximum(start, end)[:2]
        part = beams.near(x0, x1, y0, y1)
        px, py = beams.at_height(part, 0.5 * (start[2] + end[2]))
        lean = 1.0 + 0.5 * abs(end[2] - start[2])
        near = (px > x0 - lean) & (px < x1 + lean) & (py > y0 - lean) & (py < y1 + lean)
        rows = part.start + np.flatnonzero(near)
        if rows.size:
            ranges, distance = approach(beams.origin[rows], beams.direction[rows], start, end)
            touched = distance < reach
            rows, ranges = rows[touched], ranges[touched]
            opacity = np.clip(bars.opacity * dice.uniform(0.5, 1.3, rows.size), 0.0, 1.0)
            hits.add(bars.kind, rows, ranges, opacity, bars.reflectance)


def _crowns(hits: Hits, beams: Beams, crowns: Crowns, dice: Dice) -> None:
    for centre, radius, half in zip(crowns.centres, crowns.radii, crowns.half_heights, strict=True):
        part = beams.near(centre[0] - radius, centre[0] + radius, centre[1] - radius, centre[1] + radius)
        px, py = beams.at_height(part, centre[2])
        near = (px - centre[0]) ** 2 + (py - centre[1]) ** 2 < (radius + 0.4 * half) ** 2
        rows = part.start + np.flatnonzero(near)
        scale = np.array([radius, radius, half])
        start = (beams.origin[rows] - centre) / scale
        way = beams.direction[rows] / scale
        a, b = (way**2).sum(axis=1), (start * way).sum(axis=1)
        inner = b * b - a * ((start**2).sum(axis=1) - 1.0)
        rows, a, b, root = rows[inner > 0.0], a[inner > 0.0], b[inner > 0.0], np.sqrt(inner[inner > 0.0])
        entry, leaving = (-b - root) / a, (-b + root) / a
        # Leaves stand at random: a pulse meets the next one after a free path.
        for _ in range(4):
            entry = entry + dice.exponential(crowns.free_path, rows.size)
            caught = entry < leaving
            rows, entry, leaving = rows[caught], entry[caught], leaving[caught]
            hits.add(crowns.kind, rows, entry, dice.uniform(0.2, 0.7, rows.size), 0.45)


def scan(beams: Beams, works: Works, plants: Plants, dice: Dice) -> tuple[Hits, Array]:
    """Return everything the pulses meet, and the range (m) of the ground under each.

    Parameters
    ----------
    beams : Beams
        The pulses.
    works, plants : Works, Plants
        What stands on the ground.
    dice : Dice
        Chance: leaves, herbs, water.
    """
    hits = Hits()
    ground = _ground(hits, beams, dice)
    for solid in works.solids:
        _solid(hits, beams, solid, dice)
    for bars in (*works.bars, plants.trunks):
        _bars(hits, beams, bars, dice)
    for crowns in plants.crowns:
        _crowns(hits, beams, crowns, dice)
    return hits, ground

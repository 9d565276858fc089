"""What real things the pulses of a line meet."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..lines import approach  # noqa: TID252 - the installed package bears another name
from ..solids import enter  # noqa: TID252 - the installed package bears another name
from .kinds import Label

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from .chance import Chance
    from .echoes import Gathered
    from .pulses import Pulses, Scanner
    from .site import Block, Crown, Rods, Site

    Array = NDArray[np.float64]

_LANDINGS = 14
_LANDED = 1e-4  # m
# Share of pulses that come back from water.
_MIRRORED = 0.18


def land(site: Site, pulses: Pulses) -> Array:
    """Return the range at which each pulse reaches the ground or the water (m).

    The height where a pulse lands is searched by inserting: the ground is much less steep than the pulses, so
    that each round shrinks the error.
    """
    everyone = np.arange(len(pulses))
    z = site.ground.height(pulses.aim[:, 0], pulses.aim[:, 1])
    moving = everyone
    for _ in range(_LANDINGS):
        landed = site.ground.height(*pulses.at_height(moving, z[moving]))
        settled = np.abs(landed - z[moving]) < _LANDED
        z[moving] = landed
        moving = moving[~settled]
    return pulses.range_at(everyone, z)


def add_ground(found: Gathered, site: Site, pulses: Pulses, chance: Chance) -> Array:
    """Add echoes of ground, water and herbs; return the range of the ground under each pulse."""
    ranges = land(site, pulses)
    everyone = np.arange(len(pulses))
    spot = pulses.places(everyone, ranges)
    wet = site.ground.wet(spot[:, 0], spot[:, 1])
    seen = wet & chance.flags(_MIRRORED, wet.size)
    found.add(Label.WATER, everyone[seen], ranges[seen], 1.0, chance.uniform(0.2, 0.9, int(seen.sum())))
    patch = np.sin(spot[:, 0] / 5.3 + 1.0) * np.sin(spot[:, 1] / 4.7 + 2.0) > 0.3
    herbs = ~wet & patch & chance.flags(site.herbs, wet.size)
    rows = everyone[herbs]
    tall = chance.uniform(0.1, 0.5, rows.size)
    found.add(Label.VEGETATION, rows, ranges[rows] + tall / pulses.direction[rows, 2], 0.8, 0.45)
    rows = everyone[~wet]
    bright = 0.75 + 0.2 * np.sin(spot[rows, 0] / 17.0) * np.sin(spot[rows, 1] / 13.0)
    found.add(Label.GROUND, rows, ranges[rows], 1.0, bright)
    return ranges


def add_blocks(
    found: Gathered, blocks: Sequence[Block], pulses: Pulses, scanner: Scanner, chance: Chance
) -> None:
    """Add echoes of solid bodies, and of beams that only graze their upper edges."""
    for label, solid, bright, span in blocks:
        reach = solid.radius + scanner.footprint
        low = np.array([solid.centre[0] - reach, solid.centre[1] - reach, span[0]])
        high = np.array([solid.centre[0] + reach, solid.centre[1] + reach, span[1]])
        rows = pulses.through(low, high)
        origin, direction = pulses.origin[rows], pulses.direction[rows]
        full = enter(solid, origin, direction).entry
        inside = np.isfinite(full)
        found.add(label, rows[inside], full[inside], 1.0, bright)
        wide = enter(solid, origin, direction, grow=scanner.footprint)
        grazing = ~inside & np.isfinite(wide.entry) & ~wide.upright
        share = chance.uniform(0.2, 0.85, int(grazing.sum()))
        found.add(label, rows[grazing], wide.entry[grazing], share, bright * share)


def add_rods(found: Gathered, rods: Sequence[Rods], pulses: Pulses, scanner: Scanner, chance: Chance) -> None:
    """Add echoes of thin members that a beam touches."""
    for label, starts, ends, radius, opacity, bright in rods:
        reach = radius + scanner.footprint
        for start, end in zip(starts, ends, strict=True):
            rows = pulses.through(np.minimum(start, end) - reach, np.maximum(start, end) + reach)
            if rows.size == 0:
                continue
            ranges, distance = approach(pulses.origin[rows], pulses.direction[rows], start, end)
            touched = distance < reach
            # A thin wire at the rim of a beam sends back too little to be noticed.
            touched &= chance.flags(0.9 if opacity < 0.5 else 1.0, rows.size)
            rows, ranges = rows[touched], ranges[touched]
            stops = np.clip(opacity * chance.uniform(0.6, 1.4, rows.size), 0.0, 1.0)
            found.add(label, rows, ranges, stops, bright)


def add_crowns(found: Gathered, crowns: Sequence[Crown], pulses: Pulses, chance: Chance) -> None:
    """Add echoes of leaves: a pulse inside a crown meets the next one after a free path."""
    for label, centre, radius, half, free_path in crowns:
        axes = np.array([radius, radius, half])
        rows = pulses.through(centre - axes, centre + axes)
        if rows.size == 0:
            continue
        start, way = (pulses.origin[rows] - centre) / axes, pulses.direction[rows] / axes
        a, b = (way**2).sum(axis=1), (start * way).sum(axis=1)
        inner = b * b - a * ((start**2).sum(axis=1) - 1.0)
        met = inner > 0.0
        rows, a, b, root = rows[met], a[met], b[met], np.sqrt(inner[met])
        entry, leaving = (-b - root) / a, (-b + root) / a
        for _ in range(4):
            entry = entry + chance.exponential(free_path, rows.size)
            caught = entry < leaving
            rows, entry, leaving = rows[caught], entry[caught], leaving[caught]
            if rows.size == 0:
                break
            found.add(label, rows, entry, chance.uniform(0.25, 0.8, rows.size), 0.45)

"""What image matching invents: smeared edges, floaters, patches, points below the ground, strays."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .kinds import Label

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .chance import Chance
    from .site import Site

    Array = NDArray[np.float64]

_EDGES, _FLOATERS, _PATCHES, _SUNKEN = 12, 18, 5, 12


def _ceiling(site: Site, x: float, y: float, reach: float) -> float:
    """Return the height of the tallest thing around a place, m."""
    tops = [site.level(x, y)]
    for block in site.blocks:
        cx, cy = block.solid.centre
        if np.hypot(cx - x, cy - y) < block.solid.radius + reach:
            tops.append(block.span[1])
    for crown in site.crowns:
        if np.hypot(*(crown.centre[:2] - [x, y])) < crown.radius + reach:
            tops.append(float(crown.centre[2] + crown.half))
    for rods in site.rods:
        low = np.minimum(rods.starts, rods.ends)[:, :2] - reach
        high = np.maximum(rods.starts, rods.ends)[:, :2] + reach
        over = ((low < [x, y]) & (high > [x, y])).all(axis=1)
        if over.any():
            tops.append(float(np.maximum(rods.starts, rods.ends)[over, 2].max()))
    return max(tops)


def _spread(count: int, spacing: float, chance: Chance) -> float:
    """Return the radius (m) of a clump about as dense as the cloud itself."""
    return float(spacing * max(1.0, (count / 1.5) ** (1.0 / 3.0)) * chance.one(0.6, 1.6))


def _edge(site: Site, spacing: float, chance: Chance) -> Array:
    """Return a smear that hangs beyond a roof's edge."""
    (cx, cy), (long, wide), turned, (_, eaves) = site.roofs[chance.whole(0, len(site.roofs) - 1)]
    out = chance.sign() * (wide / 2 + chance.one(0.5, 2.5) * max(site.scale, 0.4))
    along = chance.one(-0.5, 0.5) * long
    c, s = np.cos(np.radians(turned)), np.sin(np.radians(turned))
    middle = np.array(
        [cx + along * c - out * s, cy + along * s + out * c, eaves + chance.one(-2.5, 1.0) * site.scale]
    )
    count = int(chance.in_scale(4.0, 300.0))
    return np.asarray(middle + chance.ball(0.5 * _spread(count, spacing, chance), count))


def invent(site: Site, density: float, chance: Chance) -> tuple[Array, NDArray[np.uint8]]:
    """Return invented points (n, 3) and their labels.

    Parameters
    ----------
    site : Site
        The scene.
    density : float
        Points a square metre.
    chance : Chance
        Where matching goes wrong.
    """
    length, width = site.extent
    spacing = float(1.0 / np.sqrt(density))
    parts: list[tuple[Label, Array]] = []
    if site.roofs:
        parts += [(Label.EDGE_SMEAR, _edge(site, spacing, chance)) for _ in range(_EDGES)]

    def somewhere() -> tuple[float, float]:
        return chance.one(0.05, 0.95) * length, chance.one(0.05, 0.95) * width

    for _ in range(_FLOATERS):
        x, y = somewhere()
        count = int(chance.in_scale(1.0, 200.0))
        radius = _spread(count, spacing, chance)
        up = 1.5 * radius + 3.0 * spacing + chance.in_scale(2.0, 30.0)
        clump = np.clip(chance.ball(0.5, count), -1.5, 1.5) * radius
        parts.append((Label.SKY_FLOATER, clump + [x, y, _ceiling(site, x, y, radius) + up]))
    for _ in range(_PATCHES):
        x, y = somewhere()
        count = int(chance.one(40.0, 400.0))
        radius = spacing * float(np.sqrt(count / 3.0)) * chance.one(0.8, 1.3)
        clump = np.clip(chance.ball(0.5, count, flat=0.12), -1.5, 1.5) * radius
        up = 1.5 * radius + 3.0 * spacing + chance.one(2.0, 15.0)
        parts.append((Label.PATCH, clump + [x, y, _ceiling(site, x, y, radius) + up]))
    for _ in range(_SUNKEN):
        x, y = somewhere()
        count = int(chance.in_scale(1.0, 150.0))
        radius = _spread(count, spacing, chance)
        around = [site.level(x + a, y + b) for a in (-radius, 0.0, radius) for b in (-radius, 0.0, radius)]
        clump = np.clip(chance.ball(0.5, count), -1.5, 1.5) * radius
        down = 1.6 * radius + 2.0 * spacing + chance.in_scale(0.4, 6.0)
        parts.append((Label.BELOW_SURFACE, clump + [x, y, min(around) - down]))

    count = int(length * width * density * chance.in_scale(1e-4, 2e-3)) + 10
    x, y = chance.uniform(0.0, length, count), chance.uniform(0.0, width, count)
    off = chance.in_scales(6.0 * spacing, 18.0, count)
    level = np.array([_ceiling(site, a, b, 0.5) for a, b in zip(x, y, strict=True)])
    above = chance.flags(0.5, count)
    z = np.where(above, level + off, site.ground.height(x, y) - off)
    parts.append((Label.STRAY_SINGLE, np.column_stack([x, y, z])))
    places = np.concatenate([part for _, part in parts])
    labels = np.concatenate([np.full(len(part), int(what), np.uint8) for what, part in parts])
    return places, labels

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


class _Ceiling:
    """How high things stand around places."""

    def __init__(self, site: Site) -> None:
        self._site = site
        rows = [(*b.solid.centre, b.solid.radius, b.span[1]) for b in site.blocks]
        rows += [(c.centre[0], c.centre[1], c.radius, c.centre[2] + c.half) for c in site.crowns]
        for rods in site.rods:
            middle, half = (rods.starts + rods.ends) / 2, (rods.ends - rods.starts)[:, :2] / 2
            tops = np.maximum(rods.starts, rods.ends)[:, 2]
            reach = np.hypot(half[:, 0], half[:, 1]) + rods.radius
            rows += [(m[0], m[1], r, t) for m, r, t in zip(middle, reach, tops, strict=True)]
        self._things = np.array(rows, np.float64).reshape(-1, 4)

    def over(self, x: float, y: float, reach: float) -> float:
        """Return the height of the tallest thing that comes within ``reach`` of a place (m)."""
        cx, cy, radius, tops = self._things.T
        near = np.hypot(cx - x, cy - y) < radius + reach
        return max(self._site.level(x, y), float(tops[near].max(initial=-np.inf)))


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
    ceiling = _Ceiling(site)
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
        parts.append((Label.SKY_FLOATER, clump + np.array([x, y, ceiling.over(x, y, radius) + up])))
    for _ in range(_PATCHES):
        x, y = somewhere()
        count = int(chance.one(40.0, 400.0))
        radius = spacing * float(np.sqrt(count / 3.0)) * chance.one(0.8, 1.3)
        clump = np.clip(chance.ball(0.5, count, flat=0.12), -1.5, 1.5) * radius
        up = 1.5 * radius + 3.0 * spacing + chance.one(2.0, 15.0)
        parts.append((Label.PATCH, clump + np.array([x, y, ceiling.over(x, y, radius) + up])))
    for _ in range(_SUNKEN):
        x, y = somewhere()
        count = int(chance.in_scale(1.0, 150.0))
        radius = _spread(count, spacing, chance)
        around = [site.level(x + a, y + b) for a in (-radius, 0.0, radius) for b in (-radius, 0.0, radius)]
        clump = np.clip(chance.ball(0.5, count), -1.5, 1.5) * radius
        down = 1.6 * radius + 2.0 * spacing + chance.in_scale(0.4, 6.0)
        parts.append((Label.BELOW_SURFACE, clump + np.array([x, y, min(around) - down])))

    count = int(length * width * density * chance.in_scale(1e-4, 2e-3)) + 10
    px, py = chance.uniform(0.0, length, count), chance.uniform(0.0, width, count)
    off = chance.in_scales(6.0 * spacing, 18.0, count)
    level = np.array([ceiling.over(a, b, 0.5) for a, b in zip(px.tolist(), py.tolist(), strict=True)])
    z = np.where(chance.flags(0.5, count), level + off, site.ground.height(px, py) - off)
    parts.append((Label.STRAY_SINGLE, np.column_stack([px, py, z])))
    places = np.concatenate([part for _, part in parts])
    labels = np.concatenate([np.full(len(part), int(what), np.uint8) for what, part in parts])
    return places, labels

"""Trees, understorey and shrubs of a noise scene."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .kinds import Label
from .lattice import add_rods
from .site import Crown

if TYPE_CHECKING:
    from .site import Site


def _tree(site: Site, x: float, y: float, tall: float, label: Label) -> None:
    chance = site.chance
    base = site.level(x, y)
    share = chance.one(0.5, 0.75)
    radius = max(0.5, chance.one(0.13, 0.2) * tall)
    centre = np.array([x, y, base + tall * (1.0 - share / 2)])
    site.crowns.append(Crown(label, centre, radius, share * tall / 2, chance.one(1.2, 2.2)))
    foot = np.array([x, y, base - 0.1])
    add_rods(site, label, [(foot, foot + np.array([0.0, 0.0, (1.0 - share / 2) * tall]))], 0.15, 0.9, 0.35)


def add_trees(site: Site, area_each: float, tall: tuple[float, float]) -> None:
    """Add a wood or scattered trees: one to ``area_each`` square metres, none below the power line."""
    chance = site.chance
    length, width = site.extent
    count = int(length * width / area_each)
    x, y = chance.uniform(0.0, length, count), chance.uniform(0.0, width, count)
    wet = site.ground.wet(x, y)
    for k in range(count):
        if wet[k] or abs(y[k] - site.strip[0]) < site.strip[1] + 2.0:
            continue
        if any(
            np.hypot(x[k] - roof.centre[0], y[k] - roof.centre[1]) < 0.7 * roof.size[0] + 1.0
            for roof in site.roofs
        ):
            continue
        _tree(site, float(x[k]), float(y[k]), chance.one(*tall), Label.VEGETATION)


def add_lone_trees(site: Site, count: int, tall: tuple[float, float]) -> None:
    """Add trees that stand by themselves."""
    for _ in range(count):
        height = site.chance.one(*tall)
        place = site.spot(0.25 * height + 1.5)
        if place is not None:
            _tree(site, *place, height, Label.LONE_TREE)


def add_understorey(site: Site, area_each: float) -> None:
    """Add loose young growth and saplings of 0.6 to 3 m: few leaves, much air."""
    chance = site.chance
    length, width = site.extent
    for _ in range(int(length * width / area_each)):
        x, y = chance.one(0.0, length), chance.one(0.0, width)
        if site.ground.wet(np.array([x]), np.array([y]))[0]:
            continue
        tall = chance.one(0.6, 3.0)
        centre = np.array([x, y, site.level(x, y) + 0.55 * tall])
        radius, free_path = chance.one(0.35, 0.6) * tall, chance.in_scale(1.5, 12.0)
        site.crowns.append(Crown(Label.UNDERSTOREY, centre, radius, 0.45 * tall, free_path))

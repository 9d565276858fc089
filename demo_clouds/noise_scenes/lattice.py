"""Thin things that people put up: poles, antennas, fences, pylons, cranes, masts, wires."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from ..lines import catenary  # noqa: TID252 - the installed package bears another name
from .kinds import Label
from .site import Rods, Span

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .site import Site

    Array = NDArray[np.float64]

_UP = np.array([0.0, 0.0, 1.0])


def add_rods(
    site: Site,
    label: Label,
    ends: list[tuple[Array, Array]],
    radius: float,
    opacity: float,
    brightness: float,
) -> None:
    """Add straight members to a site."""
    if ends:
        starts, stops = (np.array([pair[k] for pair in ends], np.float64) for k in (0, 1))
        site.rods.append(Rods(label, starts, stops, radius, opacity, brightness))


def add_upright(site: Site, label: Label, foot: Array, tall: float, radius: float, opacity: float) -> None:
    """Add a pole, antenna or the like."""
    add_rods(site, label, [(foot, foot + tall * _UP)], radius, opacity, 0.5)


def add_wire(
    site: Site,
    label: Label,
    start: Array,
    end: Array,
    sag: float,
    opacity: float = 0.35,
    radius: float = 0.012,
) -> None:
    """Add a wire that hangs as a catenary between two places."""
    points = catenary(start, end, sag, step=max(1.0, 4.0 * site.scale))
    add_rods(site, label, list(pairwise(points)), radius, opacity, 0.3)
    site.spans.append(Span(label, start, end, sag))


def tower(foot: Array, tall: float, wide: float, narrow: float, step: float) -> list[tuple[Array, Array]]:
    """Return the bars of a four-legged lattice tower that gets narrower upwards."""
    corners = np.array([[1, 1, 0], [-1, 1, 0], [-1, -1, 0], [1, -1, 0]]) / 2.0
    levels = np.linspace(0.0, tall, max(2, int(np.ceil(tall / step)) + 1))
    rings = [foot + corners * (wide + (narrow - wide) * z / tall) + z * _UP for z in levels]
    bars = []
    for lower, upper in pairwise(rings):
        for k in range(4):
            bars += [(lower[k], upper[k]), (lower[k], upper[(k + 1) % 4]), (upper[k], upper[(k + 1) % 4])]
    return bars


def add_power_line(site: Site, at: float) -> None:
    """Add a line on pylons along the scene, its strip kept free of trees."""
    chance, scale = site.chance, site.scale
    length, width = site.extent
    tilt = chance.one(-0.06, 0.06)
    tall = chance.one(28.0, 40.0) * scale
    arm = 6.0 * scale
    site.strip = (at * width, arm + 2.5 * scale + 0.5 * abs(tilt) * length)
    first = chance.one(0.12, 0.3) * length
    places = [first - 0.85 * length, first, first + chance.one(0.45, 0.62) * length, first + 1.5 * length]
    tops = []
    for x in places:
        y = at * width + tilt * (x - length / 2)
        foot = np.array([x, y, site.level(min(max(x, 0.0), length), min(max(y, 0.0), width))])
        tops.append(foot + tall * _UP)
        if site.inside(x, y):
            site.take(x, y, 4.0 * scale)
            bars = tower(foot, tall, 4.5 * scale, 0.8 * scale, 3.5 * scale)
            for drop in (0.0, 4.0 * scale):
                out = np.array([0.0, arm, 0.0])
                head = foot + (tall - drop) * _UP
                bars += [(head - out, head + out), (head - out, head - 1.2 * scale * _UP)]
                bars += [(head + out, head - 1.2 * scale * _UP)]
            add_rods(site, Label.PYLON, bars, 0.06, 0.4, 0.45)
    for start, end in pairwise(tops):
        span = float(np.hypot(*(end - start)[:2]))
        sag = min(0.03 * span, 0.35 * tall)
        for side in (-arm, arm):
            for drop in (1.5 * scale, 5.5 * scale):
                hang = np.array([0.0, side, -drop])
                add_wire(site, Label.WIRE, start + hang, end + hang, sag, 0.45, 0.015)
        add_wire(site, Label.WIRE, start, end, 0.8 * sag, 0.35)


def add_local_line(site: Site) -> None:
    """Add a line on wooden poles right across the scene, one pole with a guy."""
    chance, scale = site.chance, site.scale
    length, width = site.extent
    # On the side that the pylons leave free.
    low = site.strip[0] < 0.5 * width
    band = (0.72, 0.95) if low else (0.05, 0.28)
    y0, y1 = (chance.one(*band) * width for _ in range(2))
    tops = []
    guyed = chance.whole(0, 1)
    for number, x in enumerate(np.arange(chance.one(-0.3, 0.0), 1.6, 0.34 if scale > 0.5 else 0.45) * length):
        y = y0 + (y1 - y0) * x / length
        foot = np.array([x, y, site.level(min(max(x, 0.0), length), min(max(y, 0.0), width))])
        tall = chance.one(8.0, 10.5) * max(scale, 0.6)
        tops.append(foot + tall * _UP)
        if site.inside(x, y):
            site.take(x, y, 1.5)
            add_upright(site, Label.POLE, foot, tall, 0.14, 0.9)
            if number % 2 == guyed:
                anchor = foot[:2] + np.array([-0.6, chance.sign()]) * 0.5 * tall
                if site.inside(*anchor):
                    end = np.array([*anchor, site.level(*anchor)])
                    add_wire(site, Label.GUY, foot + 0.93 * tall * _UP, end, 0.05, 0.3, 0.01)
    for start, end in pairwise(tops):
        for side in (-0.5, 0.5):
            hang = np.array([0.0, side, -0.1])
            add_wire(site, Label.WIRE, start + hang, end + hang, 0.02 * float(np.hypot(*(end - start)[:2])))


def add_mast(site: Site) -> None:
    """Add a slender lattice mast (an antenna) held by three guys."""
    chance = site.chance
    tall = chance.one(30.0, 50.0) * site.scale
    place = site.spot(0.25 * tall)
    if place is None:
        return
    foot = np.array([*place, site.level(*place)])
    add_rods(site, Label.ANTENNA, tower(foot, tall, 0.5, 0.5, 1.5), 0.03, 0.35, 0.45)
    turned = chance.one(0.0, 2.0)
    for k in range(3):
        out = 0.55 * tall * np.array([np.cos(turned + 2.094 * k), np.sin(turned + 2.094 * k)])
        anchor = foot[:2] + out
        if site.inside(*anchor):
            end = np.array([*anchor, site.level(*anchor)])
            add_wire(site, Label.GUY, foot + 0.9 * tall * _UP, end, 0.02 * tall, 0.3, 0.01)


def add_crane(site: Site) -> None:
    """Add a tower crane with its jib, its tie and a hanging hook."""
    chance, scale = site.chance, site.scale
    place = site.spot(3.0 * scale)
    if place is None:
        return
    foot = np.array([*place, site.level(*place)])
    tall, jib = chance.one(32.0, 45.0) * scale, chance.one(28.0, 42.0) * scale
    bars = tower(foot, tall, 1.8 * scale, 1.8 * scale, 2.0 * scale)
    head = foot + tall * _UP
    turned = chance.one(0.0, 6.28)
    along = np.array([np.cos(turned), np.sin(turned), 0.0])
    side = 0.6 * scale * np.array([-along[1], along[0], 0.0])
    steps = np.linspace(-0.3 * jib, jib, 24)
    for a, b in pairwise(steps):
        ridge = 1.1 * scale * _UP
        for edge in (side, -side, ridge):
            bars.append((head + a * along + edge, head + b * along + edge))
        bars.append((head + a * along + side, head + b * along + ridge))
        bars.append((head + a * along - side, head + b * along + ridge))
    add_rods(site, Label.CRANE, bars, 0.06, 0.45, 0.5)
    peak = head + 5.0 * scale * _UP
    hook = head + chance.one(0.4, 0.85) * jib * along
    ropes = [(head, peak), (peak, head + 0.75 * jib * along), (peak, head - 0.28 * jib * along)]
    ropes.append((hook, hook - chance.one(0.3, 0.7) * tall * _UP))
    add_rods(site, Label.CRANE, ropes, 0.03, 0.4, 0.4)


def add_fence(site: Site) -> None:
    """Add a wire-mesh fence: posts and three rails."""
    chance = site.chance
    length = chance.one(0.2, 0.4) * site.extent[1]
    place = site.spot(0.2 * length)
    if place is None:
        return
    turned = chance.one(0.0, 3.14)
    steps = np.arange(0.0, length, 2.5)
    x, y = place[0] + (steps - length / 2) * np.cos(turned), place[1] + (steps - length / 2) * np.sin(turned)
    inside = [site.inside(a, b) for a, b in zip(x, y, strict=True)]
    feet = np.column_stack([x, y, site.ground.height(x, y)])[inside]
    add_rods(site, Label.FENCE, [(foot, foot + 2.0 * _UP) for foot in feet], 0.04, 0.6, 0.45)
    rails = [(a + z * _UP, b + z * _UP) for z in (0.7, 1.3, 2.0) for a, b in pairwise(feet)]
    add_rods(site, Label.FENCE, rails, 0.02, 0.35, 0.4)


def add_lamps(site: Site, count: int) -> None:
    """Add lamp poles."""
    for _ in range(count):
        place = site.spot(1.0)
        if place is not None:
            foot = np.array([*place, site.level(*place)])
            add_upright(site, Label.POLE, foot, site.chance.one(6.0, 11.0) * max(site.scale, 0.7), 0.1, 0.9)

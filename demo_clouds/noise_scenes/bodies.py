"""Bodies with faces: buildings, conveyors, vehicles, people."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..kinds import Kind  # noqa: TID252 - the installed package bears another name
from ..solids import beam, prism  # noqa: TID252 - the installed package bears another name
from .kinds import Label
from .lattice import add_rods, add_upright
from .site import Block, Roof

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .chance import Chance
    from .site import Site

    Array = NDArray[np.float64]

_UP = np.array([0.0, 0.0, 1.0])


def add_building(
    site: Site, length: tuple[float, float], eaves: tuple[float, float], *, gabled: float
) -> None:
    """Add one building, its sizes drawn from ranges (m), with antennas on its roof now and then."""
    chance, scale = site.chance, site.scale
    long, wide = chance.one(*length) * scale, chance.one(0.55, 0.9) * length[0] * scale
    long = min(long, 0.3 * site.extent[1])
    place = site.spot(0.5 * float(np.hypot(long, wide)) + 0.8)
    if place is None:
        return
    x, y = place
    turn = np.linspace(0.0, 2.0 * np.pi, 12)
    around = site.ground.height(x + 0.4 * long * np.cos(turn), y + 0.4 * long * np.sin(turn))
    foot, top = float(around.min()) - 1.0, float(around.max()) + chance.one(*eaves) * scale
    turned = chance.one(0.0, 180.0)
    ridge = 0.3 * wide if chance.one(0.0, 1.0) < gabled else 0.0
    bright = chance.one(0.4, 0.8)
    solid = prism(Kind.BUILDING, place, (long, wide), (foot, top), turned, ridge=ridge, reflectance=bright)
    site.blocks.append(Block(Label.BUILDING, solid, bright, (foot, top + ridge)))
    site.roofs.append(Roof(place, (long, wide), turned, (float(around.min()), top)))
    for _ in range(chance.whole(0, 2)):
        along = chance.one(-0.35, 0.35) * long
        base = np.array(
            [x + along * np.cos(np.radians(turned)), y + along * np.sin(np.radians(turned)), top + ridge]
        )
        add_upright(site, Label.ANTENNA, base, chance.one(1.5, 4.0), 0.035, 0.5)


def add_conveyor(site: Site) -> None:
    """Add an inclined belt on trestles, from the ground up to a heap or a hall."""
    chance, scale = site.chance, site.scale
    long = chance.one(35.0, 55.0) * scale
    place = site.spot(0.3 * long)
    if place is None:
        return
    turned = chance.one(0.0, 6.28)
    half = 0.5 * long * np.array([np.cos(turned), np.sin(turned)])
    low, high = np.array(place) - half, np.array(place) + half
    base = site.level(*place)
    start = (float(low[0]), float(low[1]), base + 1.5)
    end = (float(high[0]), float(high[1]), base + 1.5 + chance.one(0.2, 0.3) * long)
    solid = beam(Kind.CONVEYOR, start, end, 1.4 * max(scale, 0.5), 0.5)
    site.blocks.append(Block(Label.CONVEYOR, solid, 0.35, (start[2] - 1.0, end[2] + 1.0)))
    a, b = np.array(start), np.array(end)
    legs = []
    for share in (0.15, 0.4, 0.65, 0.9):
        head = a + share * (b - a)
        legs.append((head, np.array([head[0], head[1], site.level(head[0], head[1])])))
    add_rods(site, Label.CONVEYOR, legs, 0.12, 0.9, 0.4)


def vehicle(site: Site, place: tuple[float, float], label: Label, chance: Chance) -> Block:
    """Return a car or a lorry at a place."""
    long = chance.one(4.0, 4.8) if chance.one(0.0, 1.0) < 0.75 else chance.one(6.5, 10.0)
    wide, tall = (1.8, 1.5) if long < 5.0 else (2.5, 3.2)
    base = site.level(*place)
    span = (base + 0.25, base + tall)
    bright = chance.one(0.2, 0.9)
    solid = prism(Kind.VEHICLE, place, (long, wide), span, chance.one(0.0, 180.0), reflectance=bright)
    return Block(label, solid, bright, span)


def person(site: Site, place: tuple[float, float], label: Label, chance: Chance) -> Block:
    """Return a person at a place: a body of 0.5 m by 0.35 m."""
    base = site.level(*place)
    span = (base, base + chance.one(1.55, 1.9))
    solid = prism(Kind.VEHICLE, place, (0.5, 0.35), span, chance.one(0.0, 180.0))
    return Block(label, solid, 0.4, span)


def add_parked(site: Site, vehicles: int, people: int) -> None:
    """Add vehicles and people that stay where they are for all flight lines."""
    for make, label, count, room in (
        (vehicle, Label.VEHICLE, vehicles, 4.0),
        (person, Label.PERSON, people, 1.0),
    ):
        for _ in range(count):
            place = site.spot(room)
            if place is not None:
                site.blocks.append(make(site, place, label, site.chance))


def passing(site: Site, chance: Chance) -> list[Block]:
    """Return the vehicles and people that stand in some of the site's bays while one line is flown."""
    found = []
    for number, bay in enumerate(site.bays):
        if number % 2 == 0:
            if chance.one(0.0, 1.0) < 0.5:
                found.append(vehicle(site, bay, Label.MOVING_VEHICLE, chance))
            else:
                found.append(person(site, bay, Label.MOVING_PERSON, chance))
        elif chance.one(0.0, 1.0) < 0.6:
            found.append(person(site, bay, Label.MOVING_PERSON, chance))
    return found

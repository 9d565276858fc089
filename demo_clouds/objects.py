"""What people built on the site: buildings, the bridge, the power line, poles, fences, vehicles."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from . import terrain
from .kinds import Kind
from .lines import Bars, catenary
from .solids import Solid, beam, prism

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

# Pylons from west to east, m; the wires run on beyond the site at both ends.
PYLONS = ((14.0, 109.0), (139.0, 105.0), (286.0, 84.0))
_LINE = ((-110.0, 113.0), *PYLONS, (420.0, 65.0))
_PYLON_HEIGHT = 23.0
# Where the wires hang: metres beside the axis and below the tip.
_WIRES = ((0.0, 0.0), (-4.2, 3.5), (4.2, 3.5), (-4.2, 7.0), (4.2, 7.0))

_TILE = (150.0, 74.0, 58.0)


@dataclass(frozen=True)
class Works:
    """Everything built: bodies with flat faces and thin members."""

    solids: tuple[Solid, ...]
    bars: tuple[Bars, ...]


def power_line() -> Array:
    """Return the course of the power line in plan from west to east, shape (n, 2), m."""
    return np.array(_LINE)


def _ground(x: float, y: float) -> float:
    return float(terrain.height(np.array([x]), np.array([y]))[0])


def _lowest(centre: tuple[float, float], reach: float) -> float:
    turn = np.linspace(0.0, 2.0 * np.pi, 16)
    around = terrain.height(centre[0] + reach * np.cos(turn), centre[1] + reach * np.sin(turn))
    return min(float(around.min()), _ground(*centre))


def _buildings() -> list[Solid]:
    pad = terrain.PAD
    hall = prism(
        Kind.BUILDING, (76.0, 71.0), (60.0, 40.0), (pad - 1, pad + 9), 8.0, ridge=2.4, colour=(176, 182, 188)
    )
    office = prism(
        Kind.BUILDING, (27.0, 62.0), (16.0, 10.0), (pad - 2, pad + 6.5), 98.0, colour=(150, 146, 140)
    )
    # Dug into the hillside: its flat roof is near the ground on one side.
    slope_base = _lowest((163.0, 122.0), 11.0)
    on_slope = prism(
        Kind.BUILDING,
        (163.0, 122.0),
        (20.0, 12.0),
        (slope_base - 1, slope_base + 7),
        24.0,
        colour=(190, 178, 160),
    )
    found = [hall, office, on_slope]
    houses = ((206.0, 56.0, 15.0), (232.0, 52.0, -20.0), (256.0, 58.0, 80.0), (280.0, 48.0, 30.0))
    for x, y, turned in houses:
        base = _lowest((x, y), 8.0)
        found.append(
            prism(
                Kind.BUILDING, (x, y), (12.5, 9.0), (base - 1, base + 5.2), turned,
                ridge=3.4, reflectance=0.28, colour=_TILE,
            )
        )  # fmt: skip
        chimney = (x + 2.0 * np.cos(np.radians(turned)), y + 2.0 * np.sin(np.radians(turned)))
        found.append(
            prism(Kind.BUILDING, chimney, (0.9, 0.9), (base + 5.0, base + 9.6), turned, colour=(120, 60, 50))
        )
    return found


def _bridge() -> Solid:
    crown = float(terrain.road_level(np.array([terrain.LANE_X]))[0])
    reach = terrain.GAP_HALF + 0.1
    return beam(
        Kind.BRIDGE_DECK,
        (terrain.LANE_X - reach, terrain.ROAD_Y, crown - 0.38),
        (terrain.LANE_X + reach, terrain.ROAD_Y, crown - 0.38),
        2 * terrain.ROAD_HALF + 1.0, 0.8, reflectance=0.16, colour=(110, 110, 112),
    )  # fmt: skip


def _body(
    centre: tuple[float, float],
    turned: float,
    size: tuple[float, float, float],
    colour: tuple[float, float, float] = (200.0, 170.0, 40.0),
) -> Solid:
    """Return a box on wheels: length, width and height in m, direction in degrees."""
    length, width, tall = size
    low = _lowest(centre, 0.4 * width)
    return prism(Kind.VEHICLE, centre, (length, width), (low - 0.3, low + tall), turned, colour=colour)


def _vehicles() -> list[Solid]:
    found = []
    for x, y, turned in ((40.0, 118.0, 30.0), (104.0, 139.0, 100.0)):  # dump trucks: body and cab
        found.append(_body((x, y), turned, (7.5, 3.6, 3.2)))
        cab = (x + 4.6 * np.cos(np.radians(turned)), y + 4.6 * np.sin(np.radians(turned)))
        found.append(_body(cab, turned, (2.0, 3.2, 3.9)))
    found.append(_body((76.0, 152.0), 60.0, (5.0, 3.4, 3.3)))  # an excavator and its arm
    elbow = (81.0, 160.0, _ground(81.0, 160.0) + 5.2)
    found.append(beam(Kind.VEHICLE, (78.0, 155.0, _ground(78.0, 155.0) + 2.6), elbow, 0.7, 0.7))
    found.append(beam(Kind.VEHICLE, elbow, (82.6, 162.8, _ground(82.6, 162.8) + 1.6), 0.6, 0.6))
    for i in range(6):  # parked cars
        shade = 60.0 + 35.0 * i
        found.append(_body((30.0 + 3.1 * i, 42.5), 92.0, (4.4, 1.8, 1.5), (shade, shade, 255.0 - shade)))
    for x, lane, size in ((206.0, -1.9, (4.5, 1.9, 1.6)), (100.0, 1.9, (9.0, 2.5, 3.6))):  # on the upper road
        found.append(_body((x, terrain.ROAD_Y + lane), 0.0, size, (200.0, 60.0, 50.0)))
    return found


def _conveyor() -> Solid:
    foot, tip = (132.0, 172.0), (119.5, 159.5)
    return beam(
        Kind.CONVEYOR,
        (*foot, _ground(*foot) + 1.2),
        (*tip, _ground(*tip) + 2.6),
        1.0, 0.6, reflectance=0.2, colour=(90, 90, 80),
    )  # fmt: skip


def _axes(i: int) -> tuple[Array, Array]:
    """Return the unit vectors across and along the line at its i-th support, both shape (3,)."""
    a, b = np.array(_LINE[max(i - 1, 0)]), np.array(_LINE[min(i + 1, len(_LINE) - 1)])
    along = (b - a) / np.hypot(*(b - a))
    return np.array([-along[1], along[0], 0.0]), np.array([along[0], along[1], 0.0])


def _fastenings(i: int) -> Array:
    """Return where the wires are fastened at the i-th support, shape (wires, 3)."""
    x, y = _LINE[i]
    tip = np.array([x, y, _ground(x, y) + _PYLON_HEIGHT])
    across, _ = _axes(i)
    return np.array([tip + beside * across - [0.0, 0.0, below] for beside, below in _WIRES])


def _wires() -> Bars:
    pieces = []
    for i in range(len(_LINE) - 1):
        for a, b in zip(_fastenings(i), _fastenings(i + 1), strict=True):
            span = float(np.hypot(b[0] - a[0], b[1] - a[1]))
            points = catenary(a, b, sag=0.00022 * span**2)
            pieces.append((points[:-1], points[1:]))
    starts, ends = (np.concatenate(part) for part in zip(*pieces, strict=True))
    return Bars(Kind.WIRE, starts, ends, radius=0.015, opacity=0.25, reflectance=0.45)


def _pylons() -> Bars:
    """Return lattice towers: four legs, braces, and cross-arms that carry the wires."""
    members: list[tuple[Array, Array]] = []
    up = np.array([0.0, 0.0, 1.0])
    for i in range(1, len(_LINE) - 1):
        x, y = _LINE[i]
        base = np.array([x, y, _ground(x, y)])
        across, along = _axes(i)
        levels = np.linspace(0.0, _PYLON_HEIGHT, 9)
        half = 1.9 - 1.6 * levels / _PYLON_HEIGHT
        corners = [(1, 1), (1, -1), (-1, -1), (-1, 1)]
        rings = [
            [base + level * up + reach * (a * across + b * along) for a, b in corners]
            for level, reach in zip(levels, half, strict=True)
        ]
        for lower, upper in pairwise(rings):
            for k in range(4):
                members.append((lower[k], upper[k]))
                members.append((lower[k], upper[(k + 1) % 4]))
                members.append((upper[k], upper[(k + 1) % 4]))
        for below in (3.5, 7.0):
            height = (_PYLON_HEIGHT - below) * up
            for side in (-4.2, 4.2):
                members.append((base + height, base + height + side * across))
                members.append((base + height + 0.9 * up, base + height + side * across))
    starts, ends = (np.array(part) for part in zip(*members, strict=True))
    return Bars(Kind.PYLON, starts, ends, radius=0.07, opacity=0.45, reflectance=0.4)


def _poles() -> Bars:
    places = [(x, terrain.ROAD_Y + 5.2) for x in (12.0, 52.0, 92.0, 132.0, 172.0, 212.0, 252.0, 292.0)]
    places += [(44.0, 37.0), (112.0, 46.0), (116.0, 100.0), (196.0, 64.0)]
    feet = np.array([(x, y, _ground(x, y) - 0.1) for x, y in places])
    tips = np.add(feet, (0.0, 0.0, 7.6))
    return Bars(Kind.POLE, feet, tips, radius=0.11, opacity=0.8, reflectance=0.4)


def _fences() -> Bars:
    """Return rails and posts of a fence along the yard and one above the quarry."""
    yard = [(32.0, 36.5), (110.0, 36.5), (118.5, 44.0), (118.5, 96.0)]
    rim = [(34.0, 231.0), (88.0, 235.0), (146.0, 231.0)]
    members: list[tuple[Array, Array]] = []
    up = np.array([0.0, 0.0, 1.0])
    for course in (yard, rim):
        for a, b in pairwise(course):
            count = int(np.ceil(np.hypot(b[0] - a[0], b[1] - a[1]) / 2.5)) + 1
            x, y = np.linspace(a[0], b[0], count), np.linspace(a[1], b[1], count)
            feet = np.column_stack([x, y, terrain.height(x, y)])
            members += [(foot, foot + 2.0 * up) for foot in feet]
            for rail in (0.6, 1.1, 1.5, 2.0):
                members += [(p + rail * up, q + rail * up) for p, q in pairwise(feet)]
    starts, ends = (np.array(part) for part in zip(*members, strict=True))
    return Bars(Kind.FENCE, starts, ends, radius=0.03, opacity=0.35, reflectance=0.4)


def build() -> Works:
    """Return everything people built; it holds no chance."""
    solids = (*_buildings(), _bridge(), _conveyor(), *_vehicles())
    return Works(solids, (_wires(), _pylons(), _poles(), _fences()))

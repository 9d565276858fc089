"""Photogrammetric scenes: coloured points on the visible surface, and what matching invents around it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..solids import top  # noqa: TID252 - the installed package bears another name
from .chance import Chance
from .figments import invent
from .frame import make_frame
from .kinds import FIRST_NOISE, WIRES, Label
from .plans import build
from .scene import NoiseScene
from .separable import clearly_noise

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .site import Site

    Array = NDArray[np.float64]
    Labels = NDArray[np.uint8]

# Colours by label, 0 to 255.
_COLOURS = {
    Label.GROUND: (150, 138, 110),
    Label.VEGETATION: (78, 108, 56),
    Label.LONE_TREE: (70, 104, 48),
    Label.UNDERSTOREY: (92, 116, 60),
    Label.BUILDING: (160, 120, 104),
    Label.VEHICLE: (120, 124, 140),
    Label.CONVEYOR: (110, 110, 108),
}
_ELSE = (128, 128, 128)
# Share of its points that matching finds on walls and on thin things.
_WALLS, _THIN = 0.3, 0.7
# Matching sees a crown as a dome whose rim hangs this many half heights below its top.
_SKIRT = 1.85


def visible(site: Site, x: Array, y: Array) -> tuple[Array, Labels]:
    """Return height (m) and label of the highest surface at places in the scene's own frame."""
    z = site.ground.height(x, y)
    label = np.full(x.size, int(Label.GROUND), np.uint8)
    label[site.ground.wet(x, y)] = Label.WATER
    order = np.argsort(x, kind="stable")
    along = x[order]

    def near(cx: float, cy: float, reach: float) -> NDArray[np.int64]:
        first, last = np.searchsorted(along, [cx - reach, cx + reach])
        rows = order[first:last]
        return rows[np.abs(y[rows] - cy) < reach]

    def cover(rows: NDArray[np.int64], height: Array, what: Label) -> None:
        higher = height > z[rows]
        z[rows[higher]] = height[higher]
        label[rows[higher]] = what

    for block in site.blocks:
        rows = near(*block.solid.centre, block.solid.radius)
        cover(rows, top(block.solid, x[rows], y[rows]), block.label)
    for crown in site.crowns:
        cx, cy, cz = crown.centre
        rows = near(cx, cy, crown.radius)
        away = ((x[rows] - cx) ** 2 + (y[rows] - cy) ** 2) / crown.radius**2
        lumps = 0.12 * crown.half * np.sin(2.1 * x[rows] + cx) * np.sin(2.3 * y[rows] + cy)
        dome = cz + crown.half * (1.0 - _SKIRT * away) + lumps
        cover(rows, np.where(away < 1.0, dome, -np.inf), crown.label)
    return z, label


def _surface(site: Site, density: float, chance: Chance) -> tuple[Array, Labels]:
    """Return points on the visible surface: uneven, with thin spots, rough as matching makes it."""
    length, width = site.extent
    spacing = 1.0 / np.sqrt(density)
    count = int(length * width * density * 1.6)
    x, y = chance.uniform(0.0, length, count), chance.uniform(0.0, width, count)
    share = (
        0.62 + 0.2 * np.sin(x / 9.0 + 1.0) * np.sin(y / 11.0) + 0.15 * np.where(y > 0.5 * width, 1.0, -1.0)
    )
    for _ in range(3):  # where nothing has texture
        hx, hy, reach = chance.one(0.0, length), chance.one(0.0, width), chance.one(0.05, 0.1) * width
        share = np.where(np.hypot(x - hx, y - hy) < reach, 0.05, share)
    keep = chance.flags(share, count)
    x, y = x[keep], y[keep]
    z, label = visible(site, x, y)
    rough = np.zeros(x.size)
    for _ in range(6):
        wave, turned = spacing * chance.one(5.0, 14.0), chance.one(0.0, 6.28)
        rough += np.sin(
            2.0 * np.pi / wave * (x * np.cos(turned) + y * np.sin(turned)) + chance.one(0.0, 6.28)
        )
    z += 0.15 * spacing * rough + chance.normal(0.15 * spacing, x.size)
    return np.column_stack([x, y, z]), label


def _walls(site: Site, density: float, chance: Chance) -> Array:
    spacing = 1.0 / np.sqrt(density)
    found = [np.zeros((0, 3))]
    for (cx, cy), (long, wide), turned, (foot, eaves) in site.roofs:
        count = int(2.0 * (long + wide) * (eaves - foot) * density * _WALLS)
        way = chance.uniform(0.0, 2.0 * (long + wide), count)
        corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1], [-1, -1]]) * [long / 2, wide / 2]
        reach = np.array([0.0, long, long + wide, 2 * long + wide, 2 * (long + wide)])
        u, v = np.interp(way, reach, corners[:, 0]), np.interp(way, reach, corners[:, 1])
        c, s = np.cos(np.radians(turned)), np.sin(np.radians(turned))
        wall = np.column_stack([cx + u * c - v * s, cy + u * s + v * c, chance.uniform(foot, eaves, count)])
        found.append(wall + chance.ball(0.2 * spacing, count))
    return np.concatenate(found)


def _thin(site: Site, density: float, chance: Chance) -> tuple[Array, Labels]:
    """Return points along poles, fences, cranes and trunks; wires are too thin to be matched."""
    spacing = 1.0 / np.sqrt(density)
    parts, labels = [np.zeros((0, 3))], [np.zeros(0, np.uint8)]
    for rods in site.rods:
        if rods.label in WIRES:
            continue
        long = np.sqrt(((rods.ends - rods.starts) ** 2).sum(axis=1))
        each = np.maximum((long / spacing * _THIN).astype(np.int64), 1)
        which = np.repeat(np.arange(long.size), each)
        share = chance.uniform(0.0, 1.0, which.size)[:, None]
        on = rods.starts[which] + share * (rods.ends - rods.starts)[which]
        parts.append(on + chance.ball(max(0.3 * spacing, 0.02), which.size))
        labels.append(np.full(which.size, int(rods.label), np.uint8))
    return np.concatenate(parts), np.concatenate(labels)


def _colours(label: Labels, under: Labels, chance: Chance) -> dict[str, NDArray[Any]]:
    """Return the colour columns: invented points wear the colour of what they were matched from, paler."""
    table = np.full((256, 3), _ELSE, np.float64)
    for what, colour in _COLOURS.items():
        table[what] = colour
    shade = table[np.where(label >= FIRST_NOISE, under, label)]
    pale = np.where(label >= FIRST_NOISE, chance.uniform(0.0, 0.8, label.size), 0.0)[:, None]
    shade = shade * (1.0 - pale) + 205.0 * pale
    shade = shade * (1.0 + chance.normal(0.08, label.size))[:, None]
    levels = np.clip(np.round(shade), 0, 255).astype(np.uint16) * 256
    return {name: levels[:, k].copy() for k, name in enumerate(("red", "green", "blue"))}


def photogrammetric_scene(kind: str, density: float, seed: int) -> NoiseScene:
    """Return a photogrammetric scene; see :func:`demo_clouds.noise_scenes.noise_scene`."""
    name = (seed, kind, int(10 * density))
    plan, chance = Chance(*name, "plan"), Chance(*name, "surface")
    site = build(kind, density, plan)
    spacing = float(1.0 / np.sqrt(density))
    sigma = float(np.hypot(0.15, 0.15 * np.sqrt(3.0)) * spacing)
    surface, on_surface = _surface(site, density, chance)
    walls = _walls(site, density, chance)
    thin, on_thin = _thin(site, density, chance)
    figments, invented = invent(site, density, Chance(*name, "figments"))
    places = np.concatenate([surface, walls, thin, figments])
    on_walls = np.full(len(walls), int(Label.BUILDING), np.uint8)
    label = np.concatenate([on_surface, on_walls, on_thin, invented])
    inside = ((places[:, :2] >= 0.0) & (places[:, :2] < site.extent)).all(axis=1)
    places, label = places[inside], label[inside]
    # Matching programs write tile by tile.
    tile = np.floor(places[:, :2] / (0.2 * site.extent[1]))
    order = np.lexsort((places[:, 0], np.floor(places[:, 1] / spacing), tile[:, 0], tile[:, 1]))
    places, label = places[order], label[order]
    _, under = visible(site, places[:, 0], places[:, 1])
    frame = make_frame(plan)
    x, y = frame.out(places[:, 0], places[:, 1])
    ones = np.ones(label.size, np.uint8)
    return NoiseScene(
        kind=kind,
        density=density,
        seed=seed,
        x=np.round(x, 3),
        y=np.round(y, 3),
        z=np.round(places[:, 2], 3),
        label=label,
        clearly_noise=clearly_noise(places, label, site, spacing, sigma),
        attributes={
            "return_number": ones,
            "number_of_returns": ones.copy(),
            **_colours(label, under, Chance(*name, "colour")),
        },
        spacing=spacing,
        sigma=sigma,
        site=site,
        frame=frame,
    )

"""The sites of all scene kinds: what stands where."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from . import bodies, greenery, lattice
from .ground import make_ground
from .site import Site

if TYPE_CHECKING:
    from .chance import Chance

LIDAR_KINDS = ("town", "forest", "plant", "lake")
PHOTOGRAMMETRIC_KINDS = ("photo_town", "photo_village", "photo_quarry", "photo_wood")
KINDS = LIDAR_KINDS + PHOTOGRAMMETRIC_KINDS
DENSITIES = (2.0, 10.0, 60.0, 200.0)

# Length, width (m) and scale of what people built, by the largest density they are meant for.
_SIZES = (
    (4.0, (290.0, 200.0), 1.0),
    (25.0, (140.0, 100.0), 0.85),
    (110.0, (62.0, 44.0), 0.5),
    (float("inf"), (38.0, 26.0), 0.38),
)


class Recipe(NamedTuple):
    """What a scene kind holds; counts are for a whole scene, areas in square metres each."""

    slope: float
    water: bool = False
    piles: int = 0
    buildings: int = 3
    house: tuple[float, float] = (9.0, 16.0)
    eaves: tuple[float, float] = (4.0, 10.0)
    gabled: float = 0.7
    cranes: int = 0
    conveyors: int = 0
    trees: float = 400.0
    tall: tuple[float, float] = (8.0, 24.0)
    understorey: float = 400.0
    herbs: float = 0.2
    fences: int = 2
    lamps: int = 3
    vehicles: int = 3


_RECIPES = {
    "town": Recipe(0.04, buildings=16, cranes=1, trees=900.0, lamps=8, vehicles=9),
    "forest": Recipe(0.35, buildings=1, trees=32.0, understorey=60.0, fences=1, lamps=1, vehicles=1),
    "plant": Recipe(
        0.02,
        piles=2,
        buildings=6,
        house=(22.0, 45.0),
        eaves=(7.0, 16.0),
        gabled=0.2,
        cranes=2,
        conveyors=3,
        trees=2500.0,
        understorey=1500.0,
        lamps=8,
        vehicles=6,
    ),
    "lake": Recipe(0.2, water=True, buildings=5, trees=220.0, understorey=250.0, lamps=2, vehicles=2),
    "photo_town": Recipe(0.05, buildings=9, cranes=1, trees=500.0, lamps=6, vehicles=6),
    "photo_village": Recipe(0.15, buildings=4, trees=220.0, fences=3, vehicles=2),
    "photo_quarry": Recipe(0.3, piles=4, buildings=2, conveyors=2, trees=1200.0, vehicles=3),
    "photo_wood": Recipe(0.25, buildings=1, trees=45.0, understorey=120.0, lamps=1, vehicles=1),
}


def size_of(density: float) -> tuple[tuple[float, float], float]:
    """Return a scene's length and width (m) and the scale of what people built, for a density (points/m2)."""
    return next((extent, scale) for most, extent, scale in _SIZES if density <= most)


def build(kind: str, density: float, chance: Chance) -> Site:
    """Return the site of a scene.

    Parameters
    ----------
    kind : str
        One of :data:`KINDS`.
    density : float
        Points a square metre; dense scenes are small, with smaller things.
    chance : Chance
        Where things stand.
    """
    recipe = _RECIPES[kind]
    extent, scale = size_of(density)
    ground = make_ground(extent, recipe.slope, chance, water=recipe.water, piles=recipe.piles)
    site = Site(extent, ground, scale, chance, herbs=recipe.herbs)
    share = 1.0 if scale > 0.9 else 0.7
    tall = (recipe.tall[0] * max(scale, 0.5), recipe.tall[1] * max(scale, 0.5))

    def count(number: int) -> int:
        return max(1, round(number * share)) if number else 0

    photographed = kind in PHOTOGRAMMETRIC_KINDS
    if not photographed:
        lattice.add_power_line(site, chance.one(0.35, 0.65))
        lattice.add_local_line(site)
        for room in (4.5, 1.5, 4.5, 1.5):
            bay = site.spot(room)
            if bay is not None:
                site.bays.append(bay)
    # One of each first, while there is room; the rest below.
    bodies.add_parked(site, 1, 1)
    greenery.add_lone_trees(site, 1, tall)
    bodies.add_building(site, recipe.house, recipe.eaves, gabled=recipe.gabled)
    for _ in range(count(recipe.cranes)):
        lattice.add_crane(site)
    for _ in range(count(recipe.conveyors)):
        bodies.add_conveyor(site)
    for _ in range(count(recipe.buildings) - 1):
        bodies.add_building(site, recipe.house, recipe.eaves, gabled=recipe.gabled)
    if not photographed:
        lattice.add_mast(site)
    for _ in range(recipe.fences):
        lattice.add_fence(site)
    lattice.add_lamps(site, count(recipe.lamps))
    bodies.add_parked(site, count(recipe.vehicles) - 1, recipe.vehicles // 2)
    greenery.add_lone_trees(site, 2, tall)
    greenery.add_trees(site, recipe.trees, tall)
    greenery.add_understorey(site, recipe.understorey)
    return site

"""Lidar scenes: two or three flight lines over one site, each with its own air."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from ..hits import numbering  # noqa: TID252 - the installed package bears another name
from . import air as weather
from .bodies import passing
from .chance import Chance
from .echoes import Gathered, received
from .frame import make_frame
from .kinds import Label
from .late import with_ghost, with_low_echoes, with_stray_light
from .plans import LIDAR_KINDS, build
from .pulses import Pulses, Scanner, fly
from .scan import add_blocks, add_crowns, add_ground, add_rods
from .scene import NoiseScene
from .separable import clearly_noise

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from .site import Site

    Array = NDArray[np.float64]

# From this density on a drone flies, points/m2.
_DRONE = 25.0
# Heights of different lines disagree by up to this, m.
_OFFSET = 0.03
_LINE_SECONDS = 400.0
_FIRST_LINE = 11


class Line(NamedTuple):
    """One measured line: places (n, 3), labels, brightness, the pulse of each return and its time."""

    places: Array
    label: NDArray[np.uint8]
    brightness: Array
    pulse: NDArray[np.int64]
    time: Array


def scanner_of(density: float) -> Scanner:
    """Return how a density (points/m2) is flown: by aeroplane or by drone."""
    if density < _DRONE:
        return Scanner(altitude=900.0 if density < 5.0 else 500.0, footprint=0.11, separation=0.6, sigma=0.03)
    return Scanner(altitude=80.0, footprint=0.025, separation=0.25, sigma=0.02)


def _tallest(site: Site) -> float:
    tops = [float(max(r.starts[:, 2].max(), r.ends[:, 2].max())) for r in site.rods]
    tops += [float(c.centre[2] + c.half) for c in site.crowns]
    tops += [block.span[1] for block in site.blocks]
    return max(tops, default=110.0) - 100.0


def _weather(kind: str, seed: int, number: int, lines: int, chance: Chance) -> set[Label]:
    """Return the weather of a line: three of five kinds in each scene, all five in four scenes of a seed."""
    first = (seed + LIDAR_KINDS.index(kind)) % len(weather.WEATHER)
    today = [weather.WEATHER[(first + k) % len(weather.WEATHER)] for k in range(3)]
    lasting = {Label.HAZE, Label.STRAY_LIGHT}
    # What drifts is met by one line; by which, chance says, but the same for all lines of the scene.
    turn = [chance.whole(0, lines - 1) for _ in weather.WEATHER]
    return {w for k, w in enumerate(today) if w in lasting or turn[k] == number}


def _in_the_air(found: Gathered, air: weather.Air, scanner: Scanner, today: set[Label]) -> None:
    chance, scale = air.chance, air.site.scale
    weather.add_birds(found, air, scanner, chance.in_scale(2e-5, 1.2e-4))
    weather.add_flock(found, air, scale)
    if Label.FOG_BANK in today:
        for _ in range(2):
            weather.add_fog_bank(found, air, scale)
    if Label.HAZE in today:
        weather.add_haze(found, air, chance.in_scale(0.002, 0.025))
    if Label.RAIN in today:
        weather.add_rain(found, air, chance.in_scale(0.004, 0.04))
    if Label.DUST in today:
        for _ in range(2):
            weather.add_dust(found, air, scale)
    weather.add_multipath_above(found, air, chance.in_scale(3e-5, 3e-4))


def _line(
    site: Site,
    pulses: Pulses,
    scanner: Scanner,
    today: set[Label],
    ghost: bool,
    spacing: float,
    chance: Chance,
) -> Line:
    found = Gathered()
    ground = add_ground(found, site, pulses, chance)
    moving = passing(site, chance)
    add_blocks(found, [*site.blocks, *moving], pulses, scanner, chance)
    add_rods(found, site.rods, pulses, scanner, chance)
    add_crowns(found, site.crowns, pulses, chance)
    tallest = _tallest(site)
    air = weather.Air(site, pulses, ground, found.first(len(pulses)), tallest, chance)
    _in_the_air(found, air, scanner, today)
    returns = received(found.joined(), len(pulses), scanner.separation)
    returns = with_low_echoes(returns, site, pulses, chance.in_scale(1e-4, 1.5e-3), spacing, chance)
    if ghost:
        lift = tallest + (chance.one(25.0, 90.0) if scanner.altitude > 100.0 else chance.one(8.0, 25.0))
        returns = with_ghost(returns, site, pulses, lift, chance)
    if Label.STRAY_LIGHT in today:
        heights = (60.0, 100.0 + tallest + 50.0)
        returns = with_stray_light(returns, pulses, heights, chance.in_scale(0.001, 0.03), chance)
    places = pulses.places(returns.pulse, returns.ranges + chance.normal(scanner.sigma, returns.pulse.size))
    places[:, 2] += chance.one(-_OFFSET, _OFFSET)
    within = (places[:, :2] >= 0.0) & (places[:, :2] < site.extent)
    inside: NDArray[np.bool_] = np.all(within, axis=1)
    returns, places = returns.take(inside), places[inside]
    return Line(places, returns.label, returns.brightness, returns.pulse, pulses.time[returns.pulse])


def _attributes(lines: Sequence[Line], contrast: bool, chance: Chance) -> dict[str, NDArray[Any]]:
    brightness = np.concatenate([line.brightness for line in lines])
    spread = 0.2 if contrast else 0.6
    shown = brightness if contrast else np.full(brightness.size, 0.4)
    counted = [numbering(line.pulse) for line in lines]
    return {
        "intensity": np.clip(
            np.round(20000.0 * shown * np.exp(chance.normal(spread, shown.size))), 1, 65535
        ).astype(np.uint16),
        "return_number": np.concatenate([place + 1 for place, _ in counted]).astype(np.uint8),
        "number_of_returns": np.concatenate([count for _, count in counted]).astype(np.uint8),
        "point_source_id": np.concatenate(
            [np.full(len(line.pulse), _FIRST_LINE + k, np.uint16) for k, line in enumerate(lines)]
        ),
        "gps_time": np.concatenate([line.time for line in lines]),
    }


def lidar_scene(kind: str, density: float, seed: int, *, contrast: bool) -> NoiseScene:
    """Return a lidar scene; see :func:`demo_clouds.noise_scenes.noise_scene`."""
    name = (seed, kind, int(10 * density))
    plan = Chance(*name, "plan")
    site = build(kind, density, plan)
    scanner = scanner_of(density)
    spacing = 1.0 / np.sqrt(density)
    luck = plan.one(0.0, 1.0)
    covers = [(0.0, 1.0)] if luck < 0.1 else [(0.0, plan.one(0.7, 1.0)), (plan.one(0.0, 0.3), 1.0)]
    if luck > 0.65:
        covers.append((0.0, 1.0))
    share = density / sum(high - low for low, high in covers)
    haunted = plan.whole(0, len(covers) - 1)
    lines = []
    for number, cover in enumerate(covers):
        chance = Chance(*name, "line", number)
        pulses = fly(site.extent, share, cover, scanner, 1000.0 + _LINE_SECONDS * number, chance)
        today = _weather(kind, seed, number, len(covers), Chance(*name, "weather"))
        lines.append(_line(site, pulses, scanner, today, number == haunted, spacing, chance))
    places = np.concatenate([line.places for line in lines])
    label = np.concatenate([line.label for line in lines])
    frame = make_frame(plan)
    x, y = frame.out(places[:, 0], places[:, 1])
    return NoiseScene(
        kind=kind,
        density=density,
        seed=seed,
        x=np.round(x, 3),
        y=np.round(y, 3),
        z=np.round(places[:, 2], 3),
        label=label,
        clearly_noise=clearly_noise(places, label, site, spacing, scanner.sigma),
        attributes=_attributes(lines, contrast, Chance(*name, "intensity")),
        spacing=float(spacing),
        sigma=scanner.sigma,
        site=site,
        frame=frame,
    )

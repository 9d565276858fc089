"""Noise that the receiver makes: echoes that come late or early, and stray light."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..hits import numbering  # noqa: TID252 - the installed package bears another name
from .echoes import MOST_RETURNS, Echoes, joined
from .kinds import Label

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .chance import Chance
    from .pulses import Pulses
    from .site import Site

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]

_REFLECTING = (Label.GROUND, Label.WATER)


def _invented(label: Label, pulse: Index, ranges: Array, brightness: float) -> Echoes:
    count = len(pulse)
    return Echoes(
        pulse, ranges, np.zeros(count), np.full(count, brightness), np.full(count, int(label), np.uint8)
    )


def _ground_rows(returns: Echoes) -> Index:
    """Return the rows of last returns from ground or water whose pulses can hold one more."""
    place, count = numbering(returns.pulse)
    last = (place == count - 1) & (count < MOST_RETURNS)
    return np.flatnonzero(last & np.isin(returns.label, _REFLECTING))


def with_low_echoes(
    returns: Echoes, site: Site, pulses: Pulses, rate: float, spacing: float, chance: Chance
) -> Echoes:
    """Return the returns with late echoes added: single ones, clusters, pits and mirror images.

    A late echo lies further along its pulse than the ground. Three of four times the pulse's echo from the
    ground is lost.

    Parameters
    ----------
    returns : Echoes
        Of one line.
    site, pulses : Site, Pulses
        The scene and the line.
    rate : float
        Single late echoes a pulse.
    spacing : float
        Mean distance of neighbouring pulses of all lines, m.
    chance : Chance
        Where they are.
    """
    rows = _ground_rows(returns)
    if rows.size < 50:
        return returns
    spots = pulses.places(returns.pulse[rows], returns.ranges[rows])
    fall = -pulses.direction[returns.pulse[rows], 2]
    free = np.ones(rows.size, bool)
    parts, lost = [returns], []

    def late(label: Label, picked: Index, depth: Array, brightness: float) -> None:
        fresh = free[picked]
        picked, depth = picked[fresh], depth[fresh]
        free[picked] = False
        source = rows[picked]
        parts.append(
            _invented(label, returns.pulse[source], returns.ranges[source] + depth / fall[picked], brightness)
        )
        lost.append(source[chance.flags(0.75, source.size)])

    def near(middle: Index, reach: float) -> tuple[Index, Array]:
        away = np.hypot(*(spots[:, :2] - spots[middle, :2]).T)
        return np.flatnonzero(away < reach), away

    everyone = np.arange(rows.size)
    for _ in range(chance.whole(1, 2)):
        picked, away = near(chance.pick(everyone, 1), spacing * chance.one(3.0, 6.0))
        picked = picked[chance.flags(0.5, picked.size)]
        deep = chance.one(1.2, 3.0) * np.maximum(1.0 - away[picked] / (6.5 * spacing), 0.15)
        late(Label.PIT, picked, deep + chance.normal(0.05, picked.size), 0.3)
    for _ in range(chance.whole(0, 1) + 1):
        reach = max(chance.one(2.0, 8.0) * site.scale, 4.0 * spacing)
        picked, _away = near(chance.pick(everyone, 1), reach)
        picked = picked[chance.flags(chance.one(0.15, 0.5), picked.size)]
        deep = chance.one(2.0, 10.0) + chance.normal(0.05, picked.size)
        # Half of what is mirrored leans, as a roof does.
        deep += (
            chance.one(0.0, 0.5) * np.abs(spots[picked, 0] - spots[picked, 0].mean()) if picked.size else 0.0
        )
        late(Label.MIRROR_IMAGE, picked, deep, 0.4)
    for _ in range(chance.whole(4, 12)):
        picked, _away = near(chance.pick(everyone, 1), max(chance.one(1.0, 2.5) * spacing, 0.3))
        picked = chance.pick(
            picked, chance.whole(3, 9) if chance.one(0.0, 1.0) < 0.7 else chance.whole(10, 30)
        )
        deep = chance.one(0.8, 7.0) + np.abs(chance.normal(0.2, picked.size))
        late(Label.LOW_CLUSTER, picked, deep, 0.3)
    singles = chance.pick(everyone, int(max(6.0, rate * len(pulses))))
    late(Label.LOW_SINGLE, singles, chance.in_scales(0.6, 12.0, singles.size), 0.3)

    keep = np.ones(returns.pulse.size, bool)
    keep[np.concatenate(lost)] = False
    parts[0] = returns.take(keep)
    return joined(*parts)


def with_stray_light(
    returns: Echoes, pulses: Pulses, heights: tuple[float, float], rate: float, chance: Chance
) -> Echoes:
    """Return the returns with echoes of sunlight added, at any height, above or below everything (m)."""
    rows = chance.pick(np.arange(len(pulses)), int(rate * len(pulses)))
    ranges = pulses.range_at(rows, chance.uniform(*heights, rows.size))
    return joined(returns, _invented(Label.STRAY_LIGHT, rows, ranges, 0.06))


def with_ghost(returns: Echoes, site: Site, pulses: Pulses, lift: float, chance: Chance) -> Echoes:
    """Return the returns with a strip taken for another pulse's: its echoes come too high by ``lift``."""
    length, width = site.extent
    x, y = chance.one(0.1, 0.9) * length, chance.one(0.2, 0.8) * width
    long, wide = chance.one(8.0, 26.0) * max(site.scale, 0.3), chance.one(8.0, 20.0) * max(site.scale, 0.3)
    turned = chance.one(0.0, np.pi)
    dx, dy = (pulses.aim - [x, y]).T
    inside = np.abs(dx * np.cos(turned) + dy * np.sin(turned)) < long / 2
    inside &= np.abs(dy * np.cos(turned) - dx * np.sin(turned)) < wide / 2
    inside &= chance.flags(chance.one(0.35, 1.0), inside.size)
    moved = inside[returns.pulse]
    ranges = returns.ranges - moved * lift / -pulses.direction[returns.pulse, 2]
    label = np.where(moved, np.uint8(Label.GHOST_SURFACE), returns.label)
    return Echoes(returns.pulse, ranges, returns.opacity, returns.brightness, label)

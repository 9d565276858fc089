"""A laser flight over a site: pulses, their echoes, errors of measurement."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ..kinds import Kind
from .leaves import leaves
from .pulses import flight
from .sight import land

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from ..dice import Dice
    from .site import Site

    Array = NDArray[np.float64]

_REFLECTANCE = {
    Kind.GROUND: 0.35,
    Kind.HERB: 0.55,
    Kind.SHRUB: 0.5,
    Kind.TREE: 0.45,
    Kind.BUILDING: 0.4,
    Kind.WATER: 0.04,
    Kind.VEHICLE: 0.6,
}


class Echoes(NamedTuple):
    """Measured points, in the order of their pulses."""

    x: Array
    y: Array
    z: Array
    kind: NDArray[np.uint8]
    return_number: NDArray[np.uint8]
    number_of_returns: NDArray[np.uint8]
    line: NDArray[np.uint16]
    intensity: NDArray[np.uint16]


@dataclass(frozen=True)
class Survey:
    """How a flight measures.

    Parameters
    ----------
    spacing : float
        Distance of pulses within one flight line, m.
    noise : float
        Standard deviation of the ranges, m.
    lines : int
        Flight lines.
    lean : float
        Slope of the outermost beams off the vertical.
    resolution : float
        Two echoes of one pulse are at least this far apart, m.
    stopped : float
        Chance that an echo from leaves is the last of its pulse.
    most : int
        Echoes kept of one pulse.
    """

    spacing: float
    noise: float = 0.03
    lines: int = 2
    lean: float = 0.3
    resolution: float = 0.7
    stopped: float = 0.3
    most: int = 5


def measure(site: Site, survey: Survey, dice: Dice) -> Echoes:
    """Fly over a site.

    Parameters
    ----------
    site : Site
        The site.
    survey : Survey
        How it is measured.
    dice : Dice
        Everything random.

    Returns
    -------
    Echoes
        Points within the site; places in its own frame.
    """
    margin = 1.0 + survey.lean * _reach(site)
    pulses = flight(site.size, survey.spacing, dice, lines=survey.lines, lean=survey.lean, margin=margin)
    landing = land(site, pulses)
    n = len(pulses.x)
    end_z, end_kind = landing.z.copy(), landing.kind.copy()
    x, y = pulses.at(end_z)
    lost = np.zeros(n, bool)
    if site.water is not None:
        wet = (end_kind == Kind.GROUND) & site.water(x, y)
        end_kind[wet] = Kind.WATER
        lost = wet & (dice.uniform(0, 1, n) >= site.echo)
    if site.herbs is not None:
        herbs = site.herbs
        grown = (end_kind == Kind.GROUND) & (dice.uniform(0, 1, n) < herbs.cover(x, y))
        # Most echoes come from the upper part of the layer.
        depth = np.sqrt(dice.uniform(0, 1, n))
        height = herbs.lowest + np.maximum(herbs.height(x, y) - herbs.lowest, 0.0) * depth
        end_z[grown] += height[grown]
        end_kind[grown] = herbs.kind
    crown = leaves(site.crowns, pulses, landing.z, dice)
    z = np.column_stack([crown.z, end_z])
    kind = np.column_stack([crown.kind, end_kind])
    there = np.isfinite(z) & (z >= end_z[:, None])
    there[:, -1] = ~lost
    there = _separable(z, there, survey, dice)
    return _collect(site, survey, dice, pulses, z, kind, there)


def _reach(site: Site) -> float:
    """Return how far from height 0 the ground or a body's top lies at most, m."""
    x, y = (v.ravel() for v in np.meshgrid(*(np.linspace(0.0, extent, 60) for extent in site.size)))
    ground, top = site.terrain(x, y), site.works.at(x, y).top
    return float(np.abs(np.concatenate([ground, top[np.isfinite(top)]])).max())


def _separable(z: Array, there: NDArray[np.bool_], survey: Survey, dice: Dice) -> NDArray[np.bool_]:
    """Keep the echoes that one pulse can tell apart and still has light for."""
    kept = np.zeros_like(there)
    last, alive = np.full(len(z), np.inf), np.ones(len(z), bool)
    count = np.zeros(len(z), np.int64)
    for k in range(z.shape[1]):
        lit = there[:, k] & alive
        seen = lit & (last - z[:, k] >= survey.resolution) & (count < survey.most)
        kept[:, k] = seen
        count += seen
        last = np.where(seen, z[:, k], last)
        # A leaf takes light whether it gives an echo of its own or melts into the one before.
        alive &= ~(lit & (dice.uniform(0, 1, len(z)) < survey.stopped))
    return kept


def _collect(site, survey, dice, pulses, z, kind, there) -> Echoes:  # type: ignore[no-untyped-def]
    pulse, column = np.nonzero(there)
    returns = there.sum(axis=1)
    number = np.cumsum(there, axis=1)[pulse, column]
    height = z[pulse, column]
    error = dice.normal(survey.noise, len(pulse))
    x, y = pulses.at(height, pulse)
    # An error of range shifts a point along its slanting beam.
    x, y = x - pulses.lean_x[pulse] * error, y - pulses.lean_y[pulse] * error
    what = kind[pulse, column]
    table = np.full(256, 0.3)
    for value, brightness in _REFLECTANCE.items():
        table[value] = brightness
    bright = table[what] * np.exp(dice.normal(0.25, len(pulse))) / returns[pulse]
    inside = (x >= 0) & (x < site.size[0]) & (y >= 0) & (y < site.size[1])
    return Echoes(
        x[inside],
        y[inside],
        (height + error)[inside],
        what[inside].astype(np.uint8),
        number[inside].astype(np.uint8),
        returns[pulse][inside].astype(np.uint8),
        pulses.line[pulse][inside],
        np.clip(bright * 40000, 1, 65535).astype(np.uint16)[inside],
    )

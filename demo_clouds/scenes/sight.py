"""What a beam meets first: the ground or a body."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy.ndimage import maximum_filter

from ..kinds import Kind

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .pulses import Pulses
    from .site import Site

    Array = NDArray[np.float64]

_STEP = 0.25
_HALVINGS = 3
_COARSE = 0.5
_PAD = 30.0


class Landing(NamedTuple):
    """Where pulses end: height (m) and kind of what they meet."""

    z: Array
    kind: NDArray[np.uint8]


def _inside(site: Site, x: Array, y: Array, z: Array) -> tuple[NDArray[np.bool_], NDArray[np.uint8]]:
    """Tell which places lie in the ground or in a body, and in what."""
    earth = z <= site.terrain(x, y)
    cover = site.works.at(x, y)
    body = (z <= cover.top) & (z >= cover.base) & ~earth
    return earth | body, np.where(body, cover.kind, np.uint8(Kind.GROUND))


def _ceiling(site: Site) -> Array:
    """Return a coarse raster that lies above everything in its cells and a cell around."""
    shape = tuple(int((extent + 2 * _PAD) / _COARSE) for extent in site.size[::-1])
    rows, columns = np.indices(shape).reshape(2, -1)
    ground = site.terrain((columns + 0.5) * _COARSE - _PAD, (rows + 0.5) * _COARSE - _PAD).reshape(shape)
    return maximum_filter(np.maximum(ground, site.works.highest(shape, _COARSE, _PAD)), 5) + 0.1


def _descend(pulses: Pulses, ceiling: Array) -> Array:
    """Return the height at which each pulse first comes below the ceiling."""
    z = np.full(len(pulses.x), float(ceiling.max()) + 2 * _STEP)
    active = np.arange(len(z))
    while len(active):
        z[active] -= 2 * _STEP
        x, y = pulses.at(z[active], active)
        row = np.clip(((y + _PAD) / _COARSE).astype(np.int64), 0, ceiling.shape[0] - 1)
        column = np.clip(((x + _PAD) / _COARSE).astype(np.int64), 0, ceiling.shape[1] - 1)
        active = active[z[active] > ceiling[row, column]]
    return z + 2 * _STEP


def land(site: Site, pulses: Pulses) -> Landing:
    """Follow pulses down to the first ground or body.

    Parameters
    ----------
    site : Site
        The site.
    pulses : Pulses
        The beams.

    Returns
    -------
    Landing
        Heights exact to a few millimetres, on upright faces to 3 cm.
    """
    ceiling = _ceiling(site)
    floor = float(ceiling.min()) - 50.0
    z = _descend(pulses, ceiling)
    active = np.arange(len(z))
    while len(active):
        z[active] -= _STEP
        there = z[active]
        hit, _ = _inside(site, *pulses.at(there, active), there)
        active = active[~hit & (there > floor)]
    outside = z + _STEP
    for _ in range(_HALVINGS):
        middle = (z + outside) / 2
        hit, _ = _inside(site, *pulses.at(middle), middle)
        z, outside = np.where(hit, middle, z), np.where(hit, outside, middle)
    _, kind = _inside(site, *pulses.at(z), z)
    # What is left of the bracket, 3 cm, is closed by the height of the surface itself.
    x, y = pulses.at((z + outside) / 2)
    surface = np.where(kind == Kind.GROUND, site.terrain(x, y), site.works.at(x, y).top)
    return Landing(np.clip(surface, z, outside), kind)

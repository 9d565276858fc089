"""Noise that may have been kept: a few points alone in the air, or alone below everything around."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from cloudprep.kernels.report_cells import LEVELS
from cloudprep.model.classes import NOISE_CODES, ClassCode
from cloudprep.reporting.looking.finding import Finding, patches
from cloudprep.reporting.words import many, plain

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from cloudprep.reporting.place import Columns, Place
    from cloudprep.reporting.subject import Subject

KEY = "strays"
TITLE = "Noise that may have been kept"
RULE = (
    "a few points that aren't labelled noise, with three metres or more of empty air below them in "
    "their cell and "
    "the cells around; or points a metre or more below everything in all cells around"
)
_GAP = 3
_THICK = 4
_LEVEL = 1.0
_DEEP = 1.0
# Of the sixteen cells two cells away, so many have to tell how low is low.
_LEAST_AROUND = 8
# A group of cells that is larger is a thing: a crown, a wire, a roof.
_MOST_CELLS = 12
# What its points are held against: so many are a thing, and what is so long is a wire.
_FEW = 25
_LONG = 8.0
LOOKED_AROUND = 12.0


def find(subject: Subject) -> Iterator[Finding]:
    """Give the places, before their points were looked at."""
    yield from _in_the_air(subject)
    yield from _below(subject)


def _in_the_air(subject: Subject) -> Iterator[Finding]:
    gathered = subject.gathered
    cells, cell = gathered.cells, gathered.cell
    occupied = _around(cells.levels)
    alone = gathered.seen & (_gap_below(occupied, cells.high) >= _GAP)
    if subject.grounded:
        with np.errstate(invalid="ignore"):
            alone &= ~(cells.high - gathered.terrain < _GAP)
    # Crowns beside are lone tops of their own, and must not make one group with what flies above them.
    high = np.where(gathered.seen, cells.high, -np.inf)
    alone &= high >= ndimage.maximum_filter(high, size=3) - _LEVEL
    for patch in patches(alone, gathered, most=_MOST_CELLS):
        top = float(cells.high[patch.at].max())
        base = gathered.terrain[patch.rows[0], patch.columns[0]]
        if not np.isfinite(base):
            base = float(cells.low[patch.at].min())
        yield Finding(
            KEY, TITLE, "", patch.x, patch.y, top, max(len(patch.rows) * cell**2, 1.0), top - float(base), 0.3
        )


def _around(levels: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Return which levels are occupied in a cell or one of those around it."""
    padded = np.pad(levels, 1)
    out = np.zeros_like(levels)
    for r in range(3):
        for c in range(3):
            out |= padded[r : r + levels.shape[0], c : c + levels.shape[1]]
    return out


def _gap_below(occupied: NDArray[np.uint64], high: NDArray[np.float32]) -> NDArray[np.int64]:
    """Return how many levels are empty below the top ones; 0 where these are too many for a few points."""
    level = np.floor(np.nan_to_num(high)).astype(np.int64) % LEVELS

    def bit(below: int) -> NDArray[np.bool_]:
        at = ((level - below) % LEVELS).astype(np.uint64)
        return np.asarray((occupied >> at) & np.uint64(1), bool)

    thick = np.zeros(high.shape, np.int64)
    going = np.ones(high.shape, bool)
    for below in range(_THICK + 1):
        going &= bit(below)
        thick += going
    gap = np.zeros(high.shape, np.int64)
    empty = thick <= _THICK
    for below in range(1, _THICK + _GAP + 1):
        here = empty & (below >= thick) & ~bit(below)
        empty &= here | (below < thick)
        gap += here
    # The cell above may be occupied by a neighbour's higher point: then this cell's own is no top.
    return np.where(bit(-1), 0, gap)


def _below(subject: Subject) -> Iterator[Finding]:
    gathered = subject.gathered
    cells, cell = gathered.cells, gathered.cell
    low = np.where(gathered.seen, cells.low, np.nan).astype(np.float64)
    # Against ground, where there is any: below the crowns of trees a lone point is no noise.
    base = (
        np.where(cells.ground > 0, cells.ground_low, np.nan).astype(np.float64) if subject.grounded else low
    )
    ring = np.ones((5, 5), bool)
    ring[1:4, 1:4] = False
    known = np.isfinite(base)
    lowest_around = ndimage.minimum_filter(np.where(known, base, np.inf), footprint=ring)
    count = ndimage.convolve(known.astype(np.int64), ring.astype(np.int64), mode="constant")
    with np.errstate(invalid="ignore"):
        deep = (low < lowest_around - _DEEP) & (count >= _LEAST_AROUND) & np.isfinite(lowest_around)
    for patch in patches(deep, gathered, most=4):
        depth = float((lowest_around - low)[patch.at].max())
        bottom = float(low[patch.at].min())
        is_ground = bool((cells.ground_low[patch.at] <= bottom).any())
        unit, name = gathered.place.vertical_unit, gathered.place.unit
        what = (
            "labelled ground: the terrain model is pulled down there" if is_ground else "not labelled ground"
        )
        yield Finding(
            KEY + "_low",
            "Points below the ground around",
            f"The lowest point here lies {plain(depth / unit, 2)} {name} below all points within two "
            "cells around; it "
            f"is {what}.",
            patch.x,
            patch.y,
            bottom,
            max(len(patch.rows) * cell**2, 1.0),
            depth,
            0.6 if is_ground else 0.25,
        )


def looked_at(finding: Finding, points: Columns, place: Place) -> Finding | None:
    """Return a place in the air once its points were looked at; None where they are no noise.

    Parameters
    ----------
    finding : Finding
        As cells told it.
    points : columns
        All points within :data:`LOOKED_AROUND` of it.
    place : Place
        For units.
    """
    z = np.asarray(points["z"])
    used = ~np.isin(points["classification"], NOISE_CODES)
    x, y, z = (np.asarray(points[n])[used] for n in "xyz")
    codes = np.asarray(points["classification"])[used]
    near = np.hypot(x - finding.x, y - finding.y) < LOOKED_AROUND / 2
    if not near.any():
        return None
    top = float(z[near].max())
    # Down from the top, points go on until there are three metres without any.
    order = np.sort(z[near])[::-1]
    steps = np.flatnonzero(order[:-1] - order[1:] >= _GAP)
    if len(steps) == 0:
        return None
    bottom = float(order[steps[0]])
    group = (z >= bottom) & (z <= top + 1.0)
    inside = group & near
    length = float(np.ptp(x[group]) + np.ptp(y[group])) if group.any() else 0.0
    number = int(np.count_nonzero(inside))
    known = np.isin(
        codes[inside],
        (
            int(ClassCode.WIRE_GUARD),
            int(ClassCode.WIRE_CONDUCTOR),
            int(ClassCode.TRANSMISSION_TOWER),
            int(ClassCode.BUILDING),
            int(ClassCode.HIGH_VEGETATION),
        ),
    ).mean()
    if number > _FEW or known > 0.5:
        return None
    gap = float(order[steps[0]] - order[steps[0] + 1])
    likelihood = 0.5 if length < _LONG else 0.08
    thing = "" if length < _LONG else " Others lie at the same height farther along: it may be a wire."
    unit, name = place.vertical_unit, place.unit
    return replace(
        finding,
        reason=f"{many(number, 'point')} with {plain(gap / unit, 2)} {name} of empty air below.{thing}",
        z=top,
        area=max(float(np.ptp(x[inside]) * np.ptp(y[inside])), 1.0),
        height=gap,
        likelihood=likelihood,
    )

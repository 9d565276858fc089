"""Designs along the lines of sections: exact wherever a face begins or ends, nothing outside."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.measuring.designs import Profile
from cloudprep.model.crs import METRE

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.measuring.designs import FacesDesign
    from cloudprep.model.crs import CloudCrs

    Floats = NDArray[np.float64]

# Two stretches of a profile that meet within this are one, m.
_JOINED = 1e-6


@dataclass(frozen=True)
class Extent:
    """A rectangle in the units of a reference system: what designs of a section are held against.

    Parameters
    ----------
    path : Path
        The file that gives the reference system.
    crs : CloudCrs
        That system and its units.
    left, bottom : float
        Its south-western corner.
    cell : float
        Side of the squares that it is counted in.
    rows, columns : int
        How many squares.
    """

    path: Path
    crs: CloudCrs
    left: float
    bottom: float
    cell: float
    rows: int
    columns: int

    @classmethod
    def around(cls, path: Path, crs: CloudCrs, boxes: Sequence[tuple[float, ...]], cell: float) -> Extent:
        """Return the extent of boxes (west, south, east, north), counted in squares from its corner."""
        west, south = np.min([b[:2] for b in boxes], axis=0)
        east, north = np.max([b[2:] for b in boxes], axis=0)
        rows, columns = (max(1, math.ceil(side / cell - 1e-9)) for side in (north - south, east - west))
        return cls(path, crs, float(west), float(south), cell, rows, columns)

    @property
    def corner(self) -> Floats:
        """Its south-western corner, m."""
        return np.array([self.left, self.bottom]) * (self.crs.horizontal_unit or METRE)


def design_profile(design: FacesDesign, corner: Floats, line: Floats, stations: Floats) -> Profile:
    """Return a design's heights along a line.

    Parameters
    ----------
    design : FacesDesign
        In metres from ``corner``.
    corner : ndarray of float64, shape (2,)
        Global metres.
    line : ndarray of float64, shape (k, 2)
        The line's corners, global metres.
    stations : ndarray of float64, shape (n,)
        Distances along it at which heights are told, beside those where faces begin or end, m.

    Returns
    -------
    Profile
        NaN between stretches; two stretches that meet at one height are one.
    """
    part = design.within(None)
    line = line[np.r_[True, (np.diff(line, axis=0) != 0).any(axis=1)]] - corner
    along, heights, begin = [], [], 0.0
    for leg in itertools.pairwise(line):
        length = float(np.hypot(*(leg[1] - leg[0])))
        places = stations - begin
        found = part.along(np.array(leg), places[(places > 0) & (places < length)])
        along.append(found.along + begin)
        heights.append(found.height)
        begin += length
    pieces = stretches(np.concatenate(along), np.concatenate(heights))
    if not pieces:
        return Profile(np.empty(0), np.empty(0))
    return Profile(
        np.concatenate([np.append(x, x[-1]) for x, _ in pieces]),
        np.concatenate([np.append(z, np.nan) for _, z in pieces]),
    )


def stretches(along: Floats, heights: Floats) -> list[tuple[Floats, Floats]]:
    """Return the stretches of a profile that have heights, those that meet joined.

    Examples
    --------
    >>> nan = np.nan
    >>> [x.tolist() for x, _ in stretches(np.array([0.0, 1, 1, 2]), np.array([5.0, 6, nan, nan]))]
    [[0.0, 1.0]]
    """
    there = ~np.isnan(heights)
    edges = np.flatnonzero(np.diff(np.r_[False, there, False].astype(int)))
    found: list[tuple[Floats, Floats]] = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        x, z = along[a:b], heights[a:b]
        if found:
            before_x, before_z = found[-1]
            if abs(x[0] - before_x[-1]) <= _JOINED and abs(z[0] - before_z[-1]) <= _JOINED:
                found[-1] = (np.concatenate([before_x, x[1:]]), np.concatenate([before_z, z[1:]]))
                continue
        found.append((x, z))
    return found


def heights_at(pieces: list[tuple[Floats, Floats]], places: Floats) -> Floats:
    """Return the heights of stretches at places along the line, NaN beside them.

    Where a profile steps up or down (a wall) the stretch that begins there counts.
    """
    found = np.full(len(places), np.nan)
    for x, z in pieces:
        here = (places >= x[0] - _JOINED) & (places <= x[-1] + _JOINED)
        found[here] = np.interp(places[here], x, z)
    return found

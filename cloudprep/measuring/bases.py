"""What a volume is measured from: a level, the edge of the area, or another terrain."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
from scipy.interpolate import LinearNDInterpolator, NearestNDInterpolator

from cloudprep.errors import UsageError
from cloudprep.kernels.bilinear import bilinear

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from cloudprep.measuring.areas import Area

    Floats = NDArray[np.float64]

NAMES = ("lowest-edge", "edge-plane", "edge-surface")
# An edge of which less than this share lies on heights tells nothing.
_LEAST_EDGE = 0.5
_MOST_SAMPLES = 4000


class Base(Protocol):
    """Heights to measure from, m; positions in metres from the raster's corner."""

    @property
    def words(self) -> str:
        """What it is."""

    def at(self, x: Floats, y: Floats) -> Floats:
        """Return heights at positions, NaN where there is none."""


@dataclass(frozen=True)
class Plane:
    """A level or a sloping plane.

    Parameters
    ----------
    words : str
        What it is.
    height : float
        At (x0, y0), m.
    east, north : float
        Rise over run.
    x0, y0 : float
        Where the height holds, m.
    """

    words: str
    height: float
    east: float = 0.0
    north: float = 0.0
    x0: float = 0.0
    y0: float = 0.0

    def at(self, x: Floats, y: Floats) -> Floats:
        """Return heights at positions."""
        return np.asarray(self.height + self.east * (x - self.x0) + self.north * (y - self.y0))


class EdgeSurface:
    """The surface that the edge spans: linear in the triangles of places along it."""

    words = "surface spanned by the terrain along the edge"

    def __init__(self, places: Floats, heights: Floats) -> None:
        self._centre = places.mean(axis=0)
        moved = places - self._centre
        self._linear = LinearNDInterpolator(moved, heights)
        self._nearest = NearestNDInterpolator(moved, heights)

    def at(self, x: Floats, y: Floats) -> Floats:
        """Return heights at positions; beside the outermost triangles that of the nearest place."""
        places = np.stack([x - self._centre[0], y - self._centre[1]], axis=-1)
        found = np.asarray(self._linear(places))
        missing = np.isnan(found)
        if missing.any():
            found[missing] = self._nearest(places[missing])
        return found


def edge_base(kind: str, area: Area, terrain: Callable[[Floats, Floats], Floats], cell: float) -> Base:
    """Return a base that follows from the terrain along an area's edge.

    Parameters
    ----------
    kind : {"lowest-edge", "edge-plane", "edge-surface"}
        The lowest height along the edge, as a level; the plane that fits it best; the surface it spans.
    area : Area
        The area.
    terrain : callable
        Heights (m) at positions, NaN where there is none.
    cell : float
        Side of a cell, m: the edge is sampled every half of it.

    Raises
    ------
    UsageError
        If less than half of the edge lies on heights, or a plane can't be fitted.
    """
    places = area.edge(cell / 2)
    heights = terrain(places[:, 0], places[:, 1])
    there = ~np.isnan(heights)
    share = there.mean()
    if share < _LEAST_EDGE:
        raise UsageError(
            f"area '{area.name}': only {share:.0%} of its edge lies on heights, so its edge gives no base; "
            "choose --base level:Z or another terrain"
        )
    places, heights = places[there], heights[there]
    if kind == "lowest-edge":
        lowest = float(heights.min())
        return Plane(f"level at the lowest terrain along the edge ({lowest:.3f} m)", lowest)
    if kind == "edge-plane":
        x0, y0 = places.mean(axis=0)
        a = np.c_[np.ones(len(places)), places[:, 0] - x0, places[:, 1] - y0]
        fit, _, rank, _ = np.linalg.lstsq(a, heights, rcond=None)
        if rank < 3:
            raise UsageError(f"area '{area.name}': its edge lies on one line, so no plane fits it")
        left = heights - a @ fit
        slope = math.degrees(math.atan(math.hypot(fit[1], fit[2])))
        words = (
            f"plane through the terrain along the edge (mean {fit[0]:.3f} m, slope {slope:.1f} degrees, "
            f"deviations {left.std():.3f} m)"
        )
        return Plane(words, float(fit[0]), float(fit[1]), float(fit[2]), float(x0), float(y0))
    step = max(1, math.ceil(len(places) / _MOST_SAMPLES))
    return EdgeSurface(places[::step], heights[::step])


def level_base(text: str, unit: float) -> Plane:
    """Return the level that ``level:Z`` names, in the terrain's unit of heights (given in metres).

    Raises
    ------
    UsageError
        If Z is no number.
    """
    try:
        height = float(text.removeprefix("level:"))
    except ValueError:
        height = math.nan
    if not math.isfinite(height):
        raise UsageError(f"--base {text}: a level is a number, such as level:102.5")
    return Plane(f"level at {height:g}", height * unit)


def between_cells(values: Floats, across: Floats, north: Floats) -> Floats:
    """Return values of a window at positions in cells from its corner; NaN outside and on gaps."""
    found = bilinear(values, across.ravel(), north.ravel()).reshape(across.shape)
    outside = (across < 0) | (north < 0) | (across > values.shape[1]) | (north > values.shape[0])
    return np.where(outside, np.nan, found)

"""Labels of points on water and along its lines, before the ground is gridded."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

import numpy as np

from cloudprep.kernels.polygons import Edges, banded, features_at, nearest_edges
from cloudprep.model.classes import ClassCode
from cloudprep.model.figures import Figure
from cloudprep.stages.base import ClassCodes, Delta, parameter
from cloudprep.stages.water._banks import OnWater
from cloudprep.stages.water._features import WaterParams

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cloudprep.model.bounds import Bounds
    from cloudprep.model.moves import ClassMoves
    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.base import Context, Points, Solution
    from cloudprep.stages.water._levels import WaterLevels

_OPEN = (int(ClassCode.NEVER_CLASSIFIED), int(ClassCode.UNCLASSIFIED))


class WaterPointsParams(WaterParams):
    """Parameters of :class:`WaterPoints`."""

    line_distance: float | None = parameter(
        None,
        ge=0,
        unit="m",
        meaning="ground points this near a line become ignored ground (class 20)",
        derived="the point spacing",
        source="common practice: one nominal point spacing, as in the metadata of public terrain models",
    )
    water_band: float = parameter(
        0.5,
        gt=0,
        unit="m",
        meaning="points within a polygon become water (class 9) if no farther above or below its level",
        source="common practice, no source",
    )
    keep_classes: ClassCodes = parameter((), meaning="class codes whose points are left alone")


class WaterPoints(OnWater):
    """Label the points on given waters and along their lines, so that they don't shape the terrain.

    Put it after the ground stage and before ``terrain_grid``; ``flat_water`` comes after that and puts the
    same levels into the raster. Within a polygon that is flattened (see ``flat_water``), ground points and
    unclassified ones (classes 0, 1, 2) within ``water_band`` (m) of the water's level become water (class 9).
    Ground points farther above or below it, on islands too small to keep, and outside the polygons within
    ``line_distance`` (m) of a line, become ignored ground (class 20): they lie where the line itself shapes
    the terrain. Plants, buildings, bridge decks, noise and whatever ``keep_classes`` names stay, and so do
    withheld points.

    Figures: ``water.points`` and ``water.ignored_ground``, how many points of each there are afterwards.
    """

    name = "water_points"
    reports = (
        Figure("water.points", "", "points of class 9"),
        Figure("water.ignored_ground", "", "points of class 20"),
    )
    Params = WaterPointsParams
    provides = ("classification",)
    references = (
        "ASPRS LAS 1.4-R15, table 17: classes 9 (water) and 20 (ignored ground, breakline proximity)",
        "USGS Lidar Base Specification, hydro-flattening and classification",
    )
    bytes_per_point = 64

    params: WaterPointsParams

    def derive(self, site: SiteFacts) -> tuple[Mapping[str, Any], Mapping[str, str]]:
        """Return the lengths (m) that were left open."""
        values, reasons = super().derive(site)
        if self.params.line_distance is None:
            values = {**values, "line_distance": float(site.spacing)}
            reasons = {**reasons, "line_distance": f"the point spacing, {site.spacing:.2f} m"}
        return values, reasons

    def run(self, points: Points, context: Context, solution: Solution | None = None) -> Delta:
        """Return the new classes."""
        assert solution is not None  # noqa: S101
        found: WaterLevels = solution.value
        x, y, z, classes = (points[name] for name in self.needs)
        near = cast("float", self.params.line_distance)
        edges = _around(found.edges, context.buffered, near)
        if len(edges) == 0 or len(x) == 0:
            return Delta({"classification": classes.copy()})
        ground = classes == ClassCode.GROUND
        movable = (ground | np.isin(classes, _OPEN)) & ~np.isin(classes, self.params.keep_classes)
        if "withheld" in points:
            movable &= ~points["withheld"]
        rows = np.flatnonzero(movable)
        px, py = x[rows], y[rows]
        which = features_at(px, py, banded(edges))
        apart = np.abs(z[rows] - found.heights(which, px, py))
        islet = (which >= 0) & (features_at(px, py, banded(found.islets)) >= 0)
        wet = (which >= 0) & ~islet & (apart <= self.params.water_band)
        beside, _ = nearest_edges(px, py, edges, near)
        ignored = ground[rows] & ~wet & ((which >= 0) | (beside >= 0))
        new = classes.copy()
        new[rows[wet]] = ClassCode.WATER
        new[rows[ignored]] = ClassCode.IGNORED_GROUND
        return Delta({"classification": new})

    def figures(self, moves: ClassMoves) -> dict[str, float | int]:
        """Return how many points are water and ignored ground now."""
        return {
            "water.points": moves.after((ClassCode.WATER,)),
            "water.ignored_ground": moves.after((ClassCode.IGNORED_GROUND,)),
        }


def _around(edges: Edges, bounds: Bounds, reach: float) -> Edges:
    """Return the edges of the waters that come within a reach (m) of a rectangle; whole waters."""
    if len(edges) == 0:
        return edges
    starts = np.flatnonzero(np.r_[True, np.diff(edges.feature) > 0])
    touches = np.ones(len(starts), bool)
    sides = ((edges.x0, edges.x1, bounds.x0, bounds.x1), (edges.y0, edges.y1, bounds.y0, bounds.y1))
    for a, b, low, high in sides:
        touches &= np.minimum.reduceat(np.minimum(a, b), starts) <= high + reach
        touches &= np.maximum.reduceat(np.maximum(a, b), starts) >= low - reach
    if touches.all():
        return edges
    kept = np.isin(edges.feature, edges.feature[starts][touches])
    x0, y0, x1, y1, feature = edges
    return Edges(x0[kept], y0[kept], x1[kept], y1[kept], feature[kept])

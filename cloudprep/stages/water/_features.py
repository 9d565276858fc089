"""Water as people gave it: which polygons count, what is pond and what river, which islands stay."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np
import shapely

from cloudprep.kernels.polygons import Edges
from cloudprep.stages.base import GivenFile, StageParams, layer_parameter, parameter
from cloudprep.stages.water._centre_lines import centre_line

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cloudprep.model.bounds import Bounds
    from cloudprep.model.layer import Layer

ACRE = 4046.8564224
"""The international acre, m2: 43 560 square feet of 0.3048 m."""
FOOT = 0.3048

Kind = Literal["pond", "river"]
_KIND_WORDS: dict[str, Kind] = {
    "pond": "pond",
    "lake": "pond",
    "reservoir": "pond",
    "river": "river",
    "stream": "river",
    "canal": "river",
}
_SPECIFICATION = "USGS Lidar Base Specification, hydro-flattening"


class WaterParams(StageParams):
    """What the stages that flatten water have in common."""

    water: GivenFile = layer_parameter(
        meaning="vector file with the polygons of ponds and rivers; holes are islands", kinds=("polygon",)
    )
    kind_attribute: str = parameter(
        "kind",
        meaning="attribute of the polygons that tells pond, lake or reservoir from river, stream or canal; "
        "where it is missing or says something else, the shape decides",
    )
    pond_area: float = parameter(
        2 * ACRE,
        ge=0,
        unit="m2",
        meaning="smallest pond that is flattened; smaller ones are left as they are",
        source=f"{_SPECIFICATION}: 2 acres",
    )
    river_width: float = parameter(
        100 * FOOT,
        ge=0,
        unit="m",
        meaning="narrowest river that is flattened, by its mean width, islands included",
        source=f"{_SPECIFICATION}: 100 feet nominal width",
    )
    island_area: float = parameter(
        ACRE,
        ge=0,
        unit="m2",
        meaning="smallest island that is kept; smaller ones are covered by the water",
        source=f"{_SPECIFICATION}: 1 acre",
    )
    river_ratio: float = parameter(
        6.0,
        gt=1,
        le=1000,
        meaning="a polygon this ratio of length to mean width, or more, is a river by its shape",
        source="common practice, no source",
    )
    bank_width: float | None = parameter(
        None,
        gt=0,
        unit="m",
        meaning="ground points up to this far outside the line are its bank",
        derived="twice the point spacing, at least 2 m",
    )
    bank_quantile: float = parameter(
        0.05,
        ge=0,
        le=0.5,
        meaning="share of the bank's ground points that may lie below the water: its level is that quantile "
        "of their heights",
        source="USGS Lidar Base Specification: at or just below the ground around; the figure was tuned on "
        "made-up scenes",
    )


class Pieces(NamedTuple):
    """Single polygons of a layer.

    Parameters
    ----------
    number : ndarray of int64, shape (n,)
        Which feature of the layer each is part of.
    polygons : ndarray of object, shape (n,)
        Shapely polygons, small islands filled.
    islets : ndarray of object
        The islands that were filled.
    """

    number: NDArray[np.int64]
    polygons: NDArray[np.object_]
    islets: NDArray[np.object_]


@dataclass(frozen=True)
class Water:
    """One pond or river.

    Parameters
    ----------
    number : int
        Of the (first) feature of the layer that it comes from.
    kind : {"pond", "river"}
        What it is.
    polygon : shapely.Polygon or shapely.MultiPolygon
        With the islands that stay as holes.
    pieces : tuple of int
        Which pieces it consists of.
    course : ndarray of float64, shape (m, 2), or None
        Centre line of a river, in no particular direction, m.
    length, width : float
        Length of the centre line, and mean width, m.
    """

    number: int
    kind: Kind
    polygon: shapely.Geometry
    pieces: tuple[int, ...]
    course: NDArray[np.float64] | None
    length: float
    width: float


def pieces_of(layer: Layer, island_area: float) -> Pieces:
    """Return the single polygons of a layer, without islands smaller than a limit (m2)."""
    flat = shapely.force_2d(layer.geometries) if len(layer) else np.empty(0, object)
    parts, number = shapely.get_parts(flat, return_index=True)
    islets: list[shapely.Geometry] = []
    polygons = np.empty(len(parts), object)
    for i, part in enumerate(parts):
        kept: list[shapely.Polygon] = []
        for ring in part.interiors:
            island = shapely.Polygon(ring)
            (kept if island.area >= island_area else islets).append(island)
        polygons[i] = shapely.Polygon(part.exterior, [k.exterior for k in kept])
    return Pieces(np.asarray(number, np.int64), polygons, np.array(islets, dtype=object))


def near(polygons: NDArray[np.object_], bounds: Bounds, reach: float) -> NDArray[np.intp]:
    """Return which polygons lie within a reach (m) of a rectangle, by their own rectangles."""
    if len(polygons) == 0:
        return np.empty(0, np.intp)
    box = shapely.bounds(polygons)
    touches = (box[:, 0] <= bounds.x1 + reach) & (box[:, 2] >= bounds.x0 - reach)
    touches &= (box[:, 1] <= bounds.y1 + reach) & (box[:, 3] >= bounds.y0 - reach)
    return np.flatnonzero(touches)


def edges_of(polygons: NDArray[np.object_], feature: Sequence[int] | NDArray[np.integer]) -> Edges:
    """Return the edges of polygons; ``feature`` numbers them and never decreases."""
    coordinates, ring, owner = _rings(polygons)
    if len(coordinates) == 0:
        none = np.empty(0)
        return Edges(none, none, none, none, np.empty(0, np.int64))
    same = ring[1:] == ring[:-1]
    start, end = coordinates[:-1][same], coordinates[1:][same]
    features = np.asarray(feature, np.int64)[owner[ring[:-1][same]]]
    x0, y0, x1, y1 = (np.ascontiguousarray(v) for v in (*start.T, *end.T))
    return Edges(x0, y0, x1, y1, features)


def _rings(
    polygons: NDArray[np.object_],
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.int64]]:
    parts, part_owner = shapely.get_parts(polygons, return_index=True)
    rings, ring_owner = shapely.get_rings(parts, return_index=True)
    coordinates, ring = shapely.get_coordinates(rings, return_index=True)
    return coordinates, ring, np.asarray(part_owner[ring_owner], np.int64)


def waters_of(
    layer: Layer, pieces: Pieces, params: WaterParams, bounds: Bounds
) -> tuple[list[Water], list[str]]:
    """Return the ponds and rivers that are flattened, and in words what is left as it is.

    Parameters
    ----------
    layer : Layer
        As it was given.
    pieces : Pieces
        Of the layer.
    params : WaterParams
        The limits.
    bounds : Bounds
        Of the site: what doesn't touch it is passed over.

    Notes
    -----
    A polygon is a river where its attribute says so, else where its centre line is ``river_ratio`` times as
    long as it is wide on average (area by length). Ponds that share part of their lines, or overlap, are one:
    maps are cut into sheets.
    """
    waters: list[Water] = []
    ponds: list[int] = []
    left: dict[str, list[int]] = {"pond": [], "river": []}
    said = layer.attributes.get(params.kind_attribute)
    for i in near(pieces.polygons, bounds, 0.0):
        polygon = pieces.polygons[i]
        number = int(pieces.number[i])
        word = _KIND_WORDS.get(str(said[number]).strip().lower()) if said is not None else None
        if word == "pond":
            ponds.append(int(i))
            continue
        shell = shapely.Polygon(polygon.exterior)
        course = centre_line(shell)
        length = float(np.hypot(*np.diff(course, axis=0).T).sum())
        width = shell.area / length if length > 0 else 0.0
        if word is None and length < params.river_ratio * width:
            ponds.append(int(i))
        elif width < params.river_width:
            left["river"].append(number)
        else:
            waters.append(Water(number, "river", polygon, (int(i),), course, length, width))
    for group in _touching(pieces.polygons, ponds):
        polygon = shapely.union_all(pieces.polygons[group]) if len(group) > 1 else pieces.polygons[group[0]]
        number = int(pieces.number[group[0]])
        shells = shapely.union_all([shapely.Polygon(p.exterior) for p in shapely.get_parts(polygon)])
        if shells.area < params.pond_area:
            left["pond"].append(number)
        else:
            waters.append(Water(number, "pond", polygon, tuple(group), None, 0.0, 0.0))
    lines = []
    if left["pond"]:
        lines.append(_left(left["pond"], "pond", f"smaller than {params.pond_area:,.0f} m2"))
    if left["river"]:
        lines.append(_left(left["river"], "river", f"narrower than {params.river_width:.1f} m"))
    return sorted(waters, key=lambda w: w.pieces), lines


def _left(numbers: list[int], what: str, why: str) -> str:
    shown = ", ".join(str(n + 1) for n in sorted(numbers)[:5]) + (" ..." if len(numbers) > 5 else "")
    plural = "s" if len(numbers) > 1 else ""
    return f"{len(numbers)} {what}{plural} {why}: left as the terrain has it (polygon{plural} {shown})"


def _touching(polygons: NDArray[np.object_], chosen: list[int]) -> list[list[int]]:
    """Return groups of polygons that share part of a line or overlap, each in order."""
    if not chosen:
        return []
    owner = {i: i for i in chosen}

    def root(i: int) -> int:
        while owner[i] != i:
            i = owner[i]
        return i

    tree = shapely.STRtree(polygons[chosen])
    first, second = tree.query(polygons[chosen], predicate="intersects")
    for a, b in zip(first, second, strict=True):
        i, j = chosen[a], chosen[b]
        # A line or an area in common; not a mere corner.
        if i < j and shapely.length(shapely.intersection(polygons[i], polygons[j])) > 0:
            one, other = sorted((root(i), root(j)))
            owner[other] = one
    groups: dict[int, list[int]] = {}
    for i in sorted(chosen):
        groups.setdefault(root(i), []).append(i)
    return list(groups.values())

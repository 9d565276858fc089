"""A run as an item for catalogues: plain JSON after the open STAC specification."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from pyproj import CRS

from cloudprep import __version__
from cloudprep.engine.placing import placed
from cloudprep.engine.record import ITEM_NAME
from cloudprep.io.atomic import whole_file
from cloudprep.io.caution import CAUTION
from cloudprep.model.crs import METRE

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date, datetime
    from pathlib import Path

    from cloudprep.engine.footprints import CloudFootprint, RasterFootprint
    from cloudprep.engine.record import OutputRecord
    from cloudprep.model.crs import CloudCrs
    from cloudprep.model.site import SiteFacts

_VERSION = "1.1.0"
_EXTENSIONS = (
    "https://stac-extensions.github.io/file/v2.1.0/schema.json",
    "https://stac-extensions.github.io/pointcloud/v2.0.0/schema.json",
    "https://stac-extensions.github.io/processing/v1.2.0/schema.json",
    "https://stac-extensions.github.io/projection/v2.0.0/schema.json",
)
# What catalogues call the kinds of file (STAC best practices; OGC 21-026 for the GeoTIFF, OGC 12-128r19).
_MEDIA = {
    ".tif": "image/tiff; application=geotiff; profile=cloud-optimized",
    ".laz": "application/vnd.laszip",
    ".las": "application/vnd.las",
    ".gpkg": "application/geopackage+sqlite3",
    ".png": "image/png",
    ".json": "application/json",
    ".dxf": "image/vnd.dxf",
    ".xml": "application/xml",
}
_ROLES = {"picture": ["overview", "visual"], "index": ["metadata"]}
# Digits of degrees: a centimetre on the ground.
_DIGITS = 7
# sha2-256, 32 bytes: the head of a multihash, which the file extension wants before a checksum.
_SHA256 = "1220"


@dataclass(frozen=True)
class Delivered:
    """What a run delivered.

    Parameters
    ----------
    outputs : sequence of OutputRecord
        All files.
    rasters, clouds : sequences
        Where they lie.
    site : SiteFacts
        Measured.
    crs : CloudCrs
        Reference system and units of the clouds.
    heights : CloudCrs
        The same with heights as rasters have them.
    boundary : shapely Polygon or MultiPolygon, optional
        In metres of the reference system.
    created : sequence of date
        When the flights' headers say they were made; those that say it.
    started : datetime
        When the run began, UTC.
    """

    outputs: Sequence[OutputRecord]
    rasters: Sequence[RasterFootprint]
    clouds: Sequence[CloudFootprint]
    site: SiteFacts
    crs: CloudCrs
    heights: CloudCrs
    boundary: shapely.Geometry | None
    created: Sequence[date]
    started: datetime


def stac_item(name: str, made: Delivered) -> dict[str, Any]:
    """Return the item of a run.

    Parameters
    ----------
    name : str
        For people, and the beginning of the identity: the name of the run's folder.
    made : Delivered
        What is in it.

    Returns
    -------
    dict
        The same for the same deliverables, apart from times. Without a reference system that can be brought
        to WGS 84 the geometry is null, which the specification allows.

    Notes
    -----
    STAC 1.1.0 (item specification and common metadata) with the extensions projection 2.0.0, pointcloud
    2.0.0, processing 1.2.0 and file 2.1.0; geometry as RFC 7946 has it.
    """
    digest = hashlib.sha256("".join(sorted(o.sha256 for o in made.outputs)).encode()).hexdigest()
    outline = _outline(made)
    degrees = None if outline is None else _in_degrees(outline, made.crs)
    properties: dict[str, Any] = {
        "title": name,
        "description": f"Terrain products made from point clouds. {CAUTION} {_time_words(made)}",
        **_times(made),
        "created": _stamp(made.started),
        "processing:software": {"cloudprep": __version__},
        **_projection(made.heights, outline),
        "pc:count": sum(c.points for c in made.clouds) or made.site.count,
        "pc:type": "lidar" if made.site.multiple_returns else "other",
        "pc:density": round((made.crs.horizontal_unit or METRE) ** 2 / made.site.spacing**2, 6),
    }
    item: dict[str, Any] = {
        "type": "Feature",
        "stac_version": _VERSION,
        "stac_extensions": list(_EXTENSIONS),
        "id": f"{name}-{digest[:12]}",
        "geometry": None,
        "properties": properties,
        "links": [],
        "assets": _assets(made),
    }
    if degrees is not None:
        item["geometry"] = degrees[0]
        item["bbox"] = degrees[1]
    return item


def write_item(folder: Path, item: Mapping[str, Any]) -> Path:
    """Write an item beside the record of a run.

    Raises
    ------
    OutputError
        If it can't be written.
    """
    target = folder / ITEM_NAME
    with whole_file(target) as part:
        part.write_text(json.dumps(item, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
    return target


# -- time ---------------------------------------------------------------------------------------------------


def _stamp(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")


def _times(made: Delivered) -> dict[str, Any]:
    if not made.created:
        return {"datetime": _stamp(made.started)}
    first, last = min(made.created), max(made.created)
    return {
        "datetime": None,
        "start_datetime": f"{first.isoformat()}T00:00:00Z",
        "end_datetime": f"{last.isoformat()}T23:59:59Z",
    }


def _time_words(made: Delivered) -> str:
    if made.created:
        return "Its time is when the headers of the clouds say they were made."
    return "The clouds don't say when they were made: its time is that of the run."


# -- place --------------------------------------------------------------------------------------------------


def _outline(made: Delivered) -> shapely.Geometry | None:
    """Return where the deliverables lie, in units of the plan: the boundary, else the outlines of all."""
    unit = made.crs.horizontal_unit or METRE
    if made.boundary is not None:
        return shapely.transform(made.boundary, lambda xy: xy / unit)
    boxes = [shapely.box(c.box[0], c.box[1], c.box[3], c.box[4]) for c in made.clouds if c.box]
    boxes = boxes or [shapely.box(*r.facts.bounds) for r in made.rasters]
    return shapely.union_all(boxes) if boxes else None


def _in_degrees(outline: shapely.Geometry, crs: CloudCrs) -> tuple[dict[str, Any], list[float]] | None:
    """Return an outline as GeoJSON in WGS 84, and its box; None where that can't be reckoned."""
    if crs.wkt is None:
        return None
    shape = placed(outline, crs.wkt)
    if shape is None:
        return None
    west, south, east, north = shape.bounds
    if east - west > 180:  # it crosses the 180th meridian (RFC 7946, 5.2)
        sides = [p.bounds for p in shapely.get_parts(shape)]
        west, east = min(b[0] for b in sides if b[0] >= 0), max(b[2] for b in sides if b[2] <= 0)
    polygons = [_rings(p) for p in shapely.get_parts(shape)]
    geometry = (
        {"type": "Polygon", "coordinates": polygons[0]}
        if len(polygons) == 1
        else {"type": "MultiPolygon", "coordinates": polygons}
    )
    return geometry, [round(side, _DIGITS) for side in (west, south, east, north)]


def _rings(polygon: shapely.Polygon) -> list[list[list[float]]]:
    """Return the rings of a polygon: the outer one counterclockwise, holes clockwise (RFC 7946, 3.1.6)."""
    turned = shapely.geometry.polygon.orient(polygon)
    return [
        np.round(shapely.get_coordinates(ring), _DIGITS).tolist()
        for ring in (turned.exterior, *turned.interiors)
    ]


def _projection(crs: CloudCrs, outline: shapely.Geometry | None) -> dict[str, Any]:
    """Return the fields of the projection extension: a code only where the whole system has one."""
    found: dict[str, Any] = {"proj:code": None}
    if crs.wkt is not None:
        system = CRS.from_wkt(crs.wkt)
        authority = system.to_authority(min_confidence=100)
        found["proj:code"] = ":".join(authority) if authority else None
        found["proj:wkt2"] = system.to_wkt("WKT2_2019")
    if outline is not None:
        found["proj:bbox"] = list(outline.bounds)
    return found


# -- files --------------------------------------------------------------------------------------------------


def _assets(made: Delivered) -> dict[str, Any]:
    rasters = {r.path: r for r in made.rasters}
    clouds = {c.path: c for c in made.clouds}
    assets: dict[str, Any] = {}
    for output in sorted(made.outputs, key=lambda o: o.path):
        ending = output.path[output.path.rindex(".") :]
        asset: dict[str, Any] = {
            "href": f"./{output.path}",
            "type": _MEDIA.get(ending, "application/octet-stream"),
            "roles": _ROLES.get(output.kind, ["data"]),
            "file:size": output.size_bytes,
            "file:checksum": _SHA256 + output.sha256,
        }
        if output.path in rasters:
            asset.update(_raster_fields(rasters[output.path]))
        if output.path in clouds:
            asset["pc:count"] = clouds[output.path].points
            asset["pc:type"] = "lidar" if made.site.multiple_returns else "other"
            asset.update({k: v for k, v in _projection(made.crs, None).items() if made.crs != made.heights})
        assets[output.path] = asset
    assets["run.json"] = {
        "href": "./run.json",
        "type": "application/json",
        "roles": ["metadata"],
        "title": "record of the run: versions, parameters, checksums, assumptions, warnings",
    }
    return assets


def _raster_fields(raster: RasterFootprint) -> dict[str, Any]:
    facts = raster.facts
    band: dict[str, Any] = {
        "name": raster.product,
        "description": facts.description,
        "data_type": facts.data_type,
    }
    if facts.nodata is not None:
        band["nodata"] = facts.nodata
    if facts.unit:
        band["unit"] = facts.unit
    if facts.statistics:
        band["statistics"] = {**facts.statistics, "count": raster.cells}
    return {
        "title": facts.description,
        "proj:shape": [facts.rows, facts.columns],
        "proj:transform": list(facts.transform),
        "proj:bbox": list(facts.bounds),
        "bands": [band],
    }

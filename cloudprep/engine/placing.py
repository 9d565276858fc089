"""Puts outlines on the map: in longitude and latitude, from the reference system of their run."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np
import shapely

__all__ = ["NOT_PLACED", "NO_SYSTEM", "placed"]

NO_SYSTEM = "none: the clouds carry no reference system"
NOT_PLACED = "none: the reference system can't be placed on the globe"
# A straight side of this length (m) lies less than 3 cm off its ends' straight line in degrees.
_LONGEST_SIDE = 1000.0


def placed(polygons: Any, wkt: str) -> Any | None:
    """Return polygons in WGS 84 (longitude, latitude), or None where that can't be done.

    What crosses the 180th meridian is cut there.

    Datums are shifted as PROJ does it with what is installed: within metres without its grids, which is less
    than a cell of an outline.

    Parameters
    ----------
    polygons : shapely geometry
        In the units of the system.
    wkt : str
        The system, compound or not, as well-known text.
    """
    found = _transformer(wkt)
    if found is None:
        return None
    move, unit = found
    fine = shapely.segmentize(polygons, _LONGEST_SIDE / unit)
    with np.errstate(all="ignore"):
        moved = shapely.transform(fine, lambda c: np.column_stack(move(c[:, 0], c[:, 1])))
    if not all(map(math.isfinite, moved.bounds)):
        return None
    if moved.bounds[2] - moved.bounds[0] > 180:
        moved = _cut_at_180(moved)
    moved = moved if moved.is_valid else shapely.make_valid(moved)
    parts = [p for p in shapely.get_parts(moved) if p.geom_type == "Polygon"]
    return shapely.MultiPolygon(parts) if parts else None


def _cut_at_180(shape: Any) -> Any:
    """Cut what crosses the 180th meridian there, as RFC 7946, 3.1.9, wants it."""
    shape = shapely.transform(shape, lambda xy: np.column_stack((xy[:, 0] % 360, xy[:, 1])))
    near = shapely.intersection(shape, shapely.box(0, -90, 180, 90))
    far = shapely.intersection(shape, shapely.box(180, -90, 360, 90))
    return shapely.union_all([near, shapely.transform(far, lambda xy: xy - (360.0, 0.0))])


@lru_cache(maxsize=64)
def _transformer(wkt: str) -> tuple[Any, float] | None:
    # Building one takes longer than using it for a whole site.
    from pyproj import CRS, Transformer  # noqa: PLC0415 - heavy
    from pyproj.exceptions import CRSError, ProjError  # noqa: PLC0415

    try:
        system = CRS.from_wkt(wkt)
        plan = system.sub_crs_list[0] if system.sub_crs_list else system
        unit = float(plan.axis_info[0].unit_conversion_factor) or 1.0
        move = Transformer.from_crs(plan, 4326, always_xy=True)
    except (CRSError, ProjError, IndexError):
        return None
    return move.transform, unit

"""Vector files that people give: one layer in the site's local metres, or one clear line why not."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pyogrio
import pyproj
import shapely
from pyogrio.errors import DataLayerError, DataSourceError
from pyproj.exceptions import CRSError, ProjError

from cloudprep.errors import BadInputError, CrsError
from cloudprep.io.vector_files import ENDINGS, READERS, trusted_format
from cloudprep.model.crs import METRE, CloudCrs
from cloudprep.model.layer import Layer

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.model.layer import LayerKind

MOST_FEATURES = 2_000_000
"""Layers with more features are refused."""
SHOWN = 5
"""How many wrong features a message names."""

_KINDS: dict[str, LayerKind] = {
    "Point": "point",
    "MultiPoint": "point",
    "LineString": "line",
    "LinearRing": "line",
    "MultiLineString": "line",
    "Polygon": "polygon",
    "MultiPolygon": "polygon",
}
_MOST_DEGREES = 360.0


def read_layer(
    path: Path,
    layer: str | None,
    crs: CloudCrs,
    origin: tuple[float, float],
    *,
    kinds: Sequence[LayerKind] = (),
    note: Callable[[str], None] | None = None,
) -> Layer:
    """Read one layer of a vector file.

    Parameters
    ----------
    path : Path
        A GeoPackage, GeoJSON, shapefile or KML file; it is not changed.
    layer : str or None
        Which layer; None where the file has only one.
    crs : CloudCrs
        Reference system and units of the site. The layer is reprojected to it from whatever system its file
        states.
    origin : tuple of float
        Global easting and northing of the site's local zero, m.
    kinds : sequence of {"point", "line", "polygon"}
        What the features may be; anything if empty.
    note : callable, optional
        Told in words what was assumed.

    Returns
    -------
    Layer
        Named as in the file; local metres, heights (third coordinates) in metres by the vertical unit of the
        file's system or else of the site's; all attributes as they stand. Features without geometry are left
        out.

    Raises
    ------
    BadInputError
        If the file is missing, damaged, too large or of another format; if there is no such layer, or several
        and none is named; if features are of the wrong kind or cross themselves (they are named).
    CrsError
        If the file states no reference system while the site has one, or degrees while the site has none.

    Notes
    -----
    OGC 12-128r19 (GeoPackage 1.4), RFC 7946 (GeoJSON), OGC 07-147r2 (KML). Document types and entities of XML
    are refused, whatever they say.
    """
    tell = note or (lambda _: None)
    reader = trusted_format(path)
    name = _layer_name(path, layer, reader)
    try:
        # Counted first: with a limit the library would take (and keep) memory for as many features.
        count = pyogrio.read_info(path, layer=name, force_feature_count=True)["features"]
        if count > MOST_FEATURES:
            raise BadInputError(path, f"layer '{name}' has {count:,} features, more than {MOST_FEATURES:,}")
        meta, ids, wkb, fields = pyogrio.raw.read(path, layer=name, return_fids=True)
    except (DataSourceError, DataLayerError, RuntimeError, ValueError) as error:
        raise BadInputError(path, f"can't be read: {_one_line(error)}") from error
    try:
        geometries = np.asarray(shapely.from_wkb(wkb), dtype=object)
    except shapely.errors.GEOSException as error:
        raise BadInputError(path, f"layer '{name}' can't be read: {_one_line(error)}") from error
    there = ~(shapely.is_missing(geometries) | shapely.is_empty(geometries))
    if not there.all():
        tell(f"{path.name}: {_counted(int((~there).sum()), 'feature')} without geometry left out")
    attributes = {str(n): np.asarray(v)[there] for n, v in zip(meta["fields"], fields, strict=True)}
    features = _Features(path, name, np.asarray(ids)[there], geometries[there], attributes)
    kind = _kind(features, kinds)
    _refuse_coordinates(features)
    if kind == "polygon":
        _refuse_crossing(features)
    moved = _in_local_metres(features, meta["crs"], reader, crs, origin, tell)
    return Layer(name, kind, moved, attributes, f"given as {path.name}")


class _Features(NamedTuple):
    """What a layer holds, before anything is judged."""

    path: Path
    layer: str
    ids: NDArray[np.int64]
    geometries: NDArray[np.object_]
    attributes: dict[str, NDArray[Any]]

    def called(self, i: int) -> str:
        """Return how a message names a feature."""
        for key in ("name", "Name", "NAME", "id"):
            if key in self.attributes and self.attributes[key][i] not in (None, ""):
                return f"feature {self.ids[i]} ('{str(self.attributes[key][i])[:40]}')"
        return f"feature {self.ids[i]}"


def _layer_name(path: Path, wanted: str | None, reader: str) -> str:
    """Return the layer to read; the only one with features where none is named."""
    try:
        layers = pyogrio.list_layers(path)
        driver = pyogrio.read_info(path, layer=str(layers[0][0]))["driver"] if len(layers) else reader
    except (DataSourceError, DataLayerError, RuntimeError, ValueError) as error:
        raise BadInputError(path, f"can't be read: {_one_line(error)}") from error
    if driver.rpartition(" ")[2] not in READERS[reader]:
        raise BadInputError(path, f"is no {reader}, whatever its name says")
    names = [str(name) for name, kind in layers if kind is not None]
    shown = ", ".join(f"'{n}'" for n in names[:SHOWN]) + (" ..." if len(names) > SHOWN else "")
    if not names:
        raise BadInputError(path, "has no layer with geometries")
    if wanted is None:
        if len(names) > 1:
            raise BadInputError(path, f"has {len(names)} layers ({shown}): name one")
        return names[0]
    if wanted not in names:
        raise BadInputError(path, f"has no layer '{wanted}' (there are: {shown})")
    return wanted


def _kind(features: _Features, kinds: Sequence[LayerKind]) -> LayerKind:
    found = np.array([_KINDS.get(g.geom_type, g.geom_type) for g in features.geometries], dtype=object)
    there = list(dict.fromkeys(found))
    where = f"layer '{features.layer}'"
    if not there:
        return kinds[0] if kinds else "polygon"
    wanted = list(kinds) or [k for k in ("polygon", "line", "point") if k in there]
    wrong = np.flatnonzero(~np.isin(found, wanted[:1] if not kinds else wanted))
    if len(wrong):
        what = f"{' or '.join(wanted)}s are wanted" if kinds else "one kind a layer is wanted"
        named = _named(wrong, lambda i: f"{features.called(i)} is a {features.geometries[i].geom_type}")
        raise BadInputError(features.path, f"{where}: {what}, but {named}")
    if len(there) > 1:
        raise BadInputError(
            features.path, f"{where} holds {' and '.join(there)}s: one kind a layer is wanted"
        )
    kind: LayerKind = there[0]
    return kind


def _refuse_coordinates(features: _Features) -> None:
    """Refuse coordinates that are no numbers."""
    finite = np.isfinite(shapely.bounds(features.geometries)).all(axis=1)
    if not finite.all():
        named = _named(np.flatnonzero(~finite), features.called)
        raise BadInputError(features.path, f"coordinates are no finite numbers: {named}")


def _refuse_crossing(features: _Features) -> None:
    """Refuse polygons that cross themselves, naming them and the place."""
    wrong = np.flatnonzero(~shapely.is_valid(features.geometries))
    if not len(wrong):
        return

    def said(i: int) -> str:
        # "Self-intersection[512.5 204]", as GEOS puts it
        reason, _, place = str(shapely.is_valid_reason(features.geometries[i])).partition("[")
        at = f" at {place.rstrip(']').replace(' ', ', ')}" if place else ""
        return f"{features.called(i)}: {reason.lower()}{at}"

    what = "1 polygon crosses itself" if len(wrong) == 1 else f"{len(wrong)} polygons cross themselves"
    raise BadInputError(features.path, f"layer '{features.layer}': {what}: {_named(wrong, said)}")


def _named(which: NDArray[np.intp], said: Callable[[int], str]) -> str:
    """Return a list of features for a message, cut where it is long."""
    more = len(which) - SHOWN
    return "; ".join(said(int(i)) for i in which[:SHOWN]) + (f"; and {more} more" if more > 0 else "")


def _in_local_metres(
    features: _Features,
    stated: str | None,
    reader: str,
    crs: CloudCrs,
    origin: tuple[float, float],
    tell: Callable[[str], None],
) -> NDArray[np.object_]:
    path = features.path
    across, up = crs.horizontal_unit or METRE, crs.vertical_unit or METRE
    theirs = _parsed(path, stated)
    shift = None
    if theirs is not None and theirs.is_geographic:
        _refuse_no_degrees(features, theirs)
    if theirs is None:
        if crs.wkt is not None:
            raise CrsError(
                f"{path}: states no reference system, while the clouds have one ({crs.name}): say in "
                "the file which it is"
            )
        tell(f"{path.name}: neither it nor the clouds state a reference system: taken to be the same")
    elif crs.wkt is None:
        if theirs.is_geographic:
            raise CrsError(
                f"{path}: is in degrees ({theirs.name}), while the clouds state no reference system: name it "
                "with --assume-crs"
            )
        tell(f"{path.name}: in {theirs.name}; the clouds state no reference system: taken to be the same")
    else:
        ours = pyproj.CRS.from_wkt(crs.wkt).to_2d()
        plane = theirs.to_2d()
        if plane != ours:
            shift = pyproj.Transformer.from_crs(plane, ours, always_xy=True)
        upward = _vertical_unit(theirs)
        if upward is not None:
            up = upward
    if reader == "KML":
        up = METRE
    high = bool(len(features.geometries)) and bool(shapely.has_z(features.geometries).any())

    def moved(coordinates: NDArray[np.float64]) -> NDArray[np.float64]:
        out = coordinates.copy()
        if shift is not None:
            out[:, 0], out[:, 1] = shift.transform(coordinates[:, 0], coordinates[:, 1])
        out[:, 0] = out[:, 0] * across - origin[0]
        out[:, 1] = out[:, 1] * across - origin[1]
        if out.shape[1] > 2:
            out[:, 2] = coordinates[:, 2] * up
        return out

    if not len(features.geometries):
        return np.empty(0, object)
    found: NDArray[np.object_] = shapely.transform(features.geometries, moved, include_z=high)
    if not np.isfinite(shapely.bounds(found)).all():
        raise CrsError(f"{path}: lies where {crs.name} has no coordinates")
    return found


def _parsed(path: Path, stated: str | None) -> pyproj.CRS | None:
    if not stated:
        return None
    try:
        found = pyproj.CRS.from_user_input(stated)
    except (CRSError, ProjError) as error:
        raise CrsError(f"{path}: its reference system can't be read: {_one_line(error)}") from error
    # What a GeoPackage writes for "unknown" (OGC 12-128r19, requirement 11).
    if found.is_engineering or found.name.lower().startswith("undefined"):
        return None
    return found


def _vertical_unit(theirs: pyproj.CRS) -> float | None:
    """Return the metres in one unit of height where the system states it."""
    upright = [a for a in theirs.axis_info if a.direction.lower() == "up"]
    return float(upright[0].unit_conversion_factor) if upright else None


def _refuse_no_degrees(features: _Features, theirs: pyproj.CRS) -> None:
    if not len(features.geometries):
        return
    most = float(np.abs(shapely.bounds(features.geometries)).max())
    if most > _MOST_DEGREES:
        hint = (
            " (GeoJSON is in degrees by its standard)"
            if ENDINGS[features.path.suffix.lower()] == "GeoJSON"
            else ""
        )
        raise CrsError(
            f"{features.path}: states degrees ({theirs.name}){hint}, but coordinates reach {most:,.0f}: give "
            "it with its reference system, as a GeoPackage say"
        )


def _counted(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())[:300]

"""Vector layers as a GeoPackage: complete or not at all, and the same bytes for the same features."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any

import numpy as np
import pyogrio
import shapely
from pyogrio.errors import DataSourceError

from cloudprep.errors import CrsError, OutputError
from cloudprep.io.atomic import full_disk_told, whole_file
from cloudprep.io.caution import CAUTION
from cloudprep.io.vector_files import vector_checksum, vector_files
from cloudprep.io.vectors_read import read_layer
from cloudprep.model.crs import METRE

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.model.crs import CloudCrs
    from cloudprep.model.layer import Layer

__all__ = ["CAUTION", "in_units", "read_layer", "vector_checksum", "vector_files", "write_layers"]

_TYPES = {"point": "Point", "line": "MultiLineString", "polygon": "MultiPolygon"}
# The standard wants the time of the last change; a fixed one makes equal files out of equal features.
_DATE = "2000-01-01T00:00:00.000Z"


def write_layers(
    layers: Sequence[Layer], target: Path, crs: CloudCrs, origin: tuple[float, float], *, software: str = ""
) -> None:
    """Write vector layers into one GeoPackage, in the cloud's own units.

    Parameters
    ----------
    layers : sequence of Layer
        At least one; local metres. Lines and polygons become multi-part features.
    target : Path
        The file; replaced if it exists, and only by a complete one.
    crs : CloudCrs
        Reference system and units. Without a WKT the layers carry no reference system.
    origin : tuple of float
        Global easting and northing of the local zero, m.
    software : str
        Name and version of what made the file, for its metadata.

    Raises
    ------
    CrsError
        If the coordinates are degrees.
    OutputError
        If the file can't be written.

    Notes
    -----
    OGC 12-128r19 (GeoPackage 1.4).
    """
    if crs.geographic:
        raise CrsError(f"{target}: layers in metres can't be written in degrees")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": _DATE})
    try:
        with (
            whole_file(target) as part,
            full_disk_told(part.parent, DataSourceError, RuntimeError),
            warnings.catch_warnings(),
        ):
            # The run says it of the clouds themselves.
            warnings.filterwarnings("ignore", "'crs' was not provided")
            for layer in layers:
                _write(layer, part, crs, origin, software)
    except (DataSourceError, RuntimeError) as error:
        raise OutputError(f"{target}: can't be written: {error}") from error
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


def _write(layer: Layer, part: Path, crs: CloudCrs, origin: tuple[float, float], software: str) -> None:
    geometries = in_units(layer.geometries, crs, origin)
    high = bool(len(geometries)) and bool(shapely.has_z(geometries).all())
    values = [_attribute(layer, name, crs) for name in layer.attributes]
    proposal = " This is a proposal: a person has to accept it before it is used." if layer.proposal else ""
    pyogrio.raw.write(
        part,
        shapely.to_wkb(geometries, output_dimension=3 if high else 2),
        field_data=values,
        fields=np.array(list(layer.attributes), dtype=object),
        layer=layer.name,
        driver="GPKG",
        geometry_type=_TYPES[layer.kind] + (" Z" if high else ""),
        promote_to_multi=layer.kind != "point",
        crs=crs.wkt,
        layer_metadata={
            "DESCRIPTION": f"{layer.meaning}.{proposal} {CAUTION}",
            **({"SOFTWARE": software} if software else {}),
        },
    )


def in_units(
    geometries: NDArray[np.object_], crs: CloudCrs, origin: tuple[float, float]
) -> NDArray[np.object_]:
    """Return geometries of local metres in a cloud's own units.

    Parameters
    ----------
    geometries : ndarray of object, shape (n,)
        Shapely geometries; a third coordinate is a height, m.
    crs : CloudCrs
        Its units; metres where it states none.
    origin : tuple of float
        Global easting and northing of the local zero, m.
    """
    across, up = crs.horizontal_unit or METRE, crs.vertical_unit or METRE

    def moved(coordinates: NDArray[np.float64]) -> NDArray[np.float64]:
        out = coordinates.copy()
        out[:, 0] = (coordinates[:, 0] + origin[0]) / across
        out[:, 1] = (coordinates[:, 1] + origin[1]) / across
        if out.shape[1] > 2:
            out[:, 2] = coordinates[:, 2] / up
        return out

    if len(geometries) == 0:
        return np.empty(0, object)
    high = bool(shapely.has_z(geometries).all())
    found: NDArray[np.object_] = shapely.transform(geometries, moved, include_z=high)
    return found


def _attribute(layer: Layer, name: str, crs: CloudCrs) -> NDArray[Any]:
    values = np.asarray(layer.attributes[name])
    if name in layer.heights:
        return values / (crs.vertical_unit or METRE)
    return values.astype(object) if values.dtype.kind == "U" else values

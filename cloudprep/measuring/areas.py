"""Areas to measure over: polygons with names, on the cells of a raster."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from cloudprep.errors import BadInputError, UsageError
from cloudprep.io.vectors import read_layer
from cloudprep.model.crs import METRE

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.io.raster_reading import HeightRaster

    Floats = NDArray[np.float64]

_NAMES = ("name", "id", "label", "pile", "area", "fid")
_DENSITIES = ("density", "t_m3", "tonnes_per_m3")


@dataclass(frozen=True)
class Area:
    """One area.

    Parameters
    ----------
    name : str
        As the layer tells, or its number.
    shape : shapely Polygon or MultiPolygon
        Metres from the raster's south-western corner.
    density : float or None
        Tonnes a cubic metre.
    attributes : dict
        All that the layer tells.
    """

    name: str
    shape: Any
    density: float | None = None
    attributes: dict[str, Any] = field(default_factory=dict)

    def rings(self, cell: float) -> list[Floats]:
        """Return its rings in cells, outer ones against the clock, holes with it."""
        found: list[Floats] = []
        for part in shapely.get_parts(self.shape):
            for i, ring in enumerate([part.exterior, *part.interiors]):
                places = np.asarray(ring.coords)[:, :2] / cell
                found.append(places if shapely.is_ccw(ring) == (i == 0) else places[::-1])
        return found

    def edge(self, step: float) -> Floats:
        """Return places along all its rings, at most a step apart, shape (n, 2)."""
        parts = []
        for ring in self.rings(1.0):
            lengths = np.hypot(*np.diff(ring, axis=0).T)
            for a, b, length in zip(ring[:-1], ring[1:], lengths, strict=True):
                count = max(1, int(np.ceil(length / step)))
                parts.append(a + (b - a) * (np.arange(count) / count)[:, None])
        return np.concatenate(parts)


def read_areas(
    path: Path, raster: HeightRaster, layer: str | None = None, note: Callable[[str], None] | None = None
) -> list[Area]:
    """Read polygons and bring them to a raster's reference system.

    Parameters
    ----------
    path : Path
        GeoPackage, GeoJSON, shapefile or KML.
    raster : HeightRaster
        What they are measured on.
    layer : str, optional
        Which layer, where the file has several.
    note : callable, optional
        Told in words what was assumed.

    Raises
    ------
    BadInputError
        If the file can't be used, holds no areas, or none of them touches the raster.
    CrsError
        If it states no reference system while the raster does.
    """
    unit = raster.crs.horizontal_unit or METRE
    corner = (raster.left * unit, raster.bottom * unit)
    found = read_layer(path, layer, raster.crs, corner, kinds=("polygon",), note=note)
    if len(found) == 0:
        raise BadInputError(path, "holds no areas")
    whole = shapely.box(0, 0, raster.columns * raster.cell * unit, raster.rows * raster.cell * unit)
    if not shapely.intersects(found.geometries, whole).any():
        which = (
            "its only area touches nothing of"
            if len(found) == 1
            else f"none of its {len(found)} areas touches"
        )
        raise BadInputError(path, f"{which} {raster.path.name}")
    names = _column(found.attributes, _NAMES)
    densities = _column(found.attributes, _DENSITIES)
    return [
        Area(
            name=str(i + 1 if names is None or names[i] is None else names[i]),
            shape=shape,
            density=None if densities is None else _density(path, densities[i]),
            attributes={key: _plain(values[i]) for key, values in found.attributes.items()},
        )
        for i, shape in enumerate(found.geometries)
    ]


def _column(attributes: Any, wanted: Sequence[str]) -> Any:
    lower = {name.casefold(): name for name in attributes}
    return next((attributes[lower[name]] for name in wanted if name in lower), None)


def _density(path: Path, value: Any) -> float | None:
    if value is None or value != value:  # noqa: PLR0124 - NaN
        return None
    try:
        density = float(value)
    except (TypeError, ValueError):
        raise UsageError(f"{path}: the density '{value}' is no number") from None
    if density <= 0:
        raise UsageError(f"{path}: a density of {density:g} t/m3 makes no sense")
    return density


def _plain(value: Any) -> Any:
    return value.item() if isinstance(value, np.generic) else value

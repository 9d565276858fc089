"""Vector layers as a DXF drawing: complete or not at all, and the same bytes for the same features."""

from __future__ import annotations

from importlib.util import find_spec
from io import StringIO
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from cloudprep.errors import CrsError, OutputError, UsageError
from cloudprep.io.atomic import whole_file
from cloudprep.io.dxf_entities import Entities
from cloudprep.io.vectors import CAUTION, in_units
from cloudprep.model.crs import INTERNATIONAL_FOOT, METRE, US_SURVEY_FOOT

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.model.crs import CloudCrs
    from cloudprep.model.layer import Layer

KIND = "kind"
"""The attribute of a layer whose values become layers of the drawing of their own."""
_VERSION = "R2010"
_INSERT_UNITS = {METRE: 6, INTERNATIONAL_FOOT: 2, US_SURVEY_FOOT: 21}
_UNITLESS = 0
_ENTITIES = "  0\nSECTION\n  2\nENTITIES\n"
# Numbers of the format's own colour table: 7 is black or white, whatever the background.
_COLOURS = (7, 30, 5, 3, 1, 6, 4)


def write_drawing(
    layers: Sequence[Layer], target: Path, crs: CloudCrs, origin: tuple[float, float], *, software: str = ""
) -> None:
    """Write vector layers into one drawing, in the cloud's own units.

    Each layer is a layer of the drawing; one whose features have a ``kind`` is one for each kind
    (``contours_index``, ``contours_intermediate``). Lines are 3D polylines, rings are closed polylines,
    points are points; features without heights lie at 0. Attributes other than the kind aren't in it.

    Parameters
    ----------
    layers : sequence of Layer
        Local metres.
    target : Path
        The file; replaced if it exists, and only by a complete one.
    crs : CloudCrs
        Reference system and units: ``$INSUNITS`` says the unit of the plan; heights are in the cloud's
        vertical unit, which a property of the file names, as it does the reference system.
    origin : tuple of float
        Global easting and northing of the local zero, m.
    software : str
        Name and version of what made the file.

    Raises
    ------
    UsageError
        If the library that writes drawings isn't installed.
    CrsError
        If the coordinates are degrees.
    OutputError
        If the file can't be written.

    Notes
    -----
    The DXF reference's values of ``$INSUNITS`` (2 feet, 6 metres, 21 US survey feet), from memory.
    """
    check_drawings_possible()
    import ezdxf  # noqa: PLC0415 - optional, and slow to import

    if crs.geographic:
        raise CrsError(f"{target}: layers in metres can't be written in degrees")
    across, up = crs.horizontal_unit or METRE, crs.vertical_unit or METRE
    before = ezdxf.options.write_fixed_meta_data_for_testing
    # Else times and random names in the header make each file another one.
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        document = ezdxf.new(_VERSION, setup=False)
        document.header["$INSUNITS"] = _INSERT_UNITS.get(across, _UNITLESS)
        document.header["$MEASUREMENT"] = int(across == METRE)
        said = {
            "REFERENCE_SYSTEM": crs.name,
            "HORIZONTAL_UNIT_M": f"{across:.12g}",
            "VERTICAL_UNIT_M": f"{up:.12g}",
            "SOFTWARE": software,
            "CAUTION": CAUTION,
        }
        for name, value in said.items():
            if value:
                document.header.custom_vars.append(name, value)
        handles = document.entitydb.handles
        for layer in layers:
            _declare(layer, document)
        entities = Entities(int(str(handles), 16), document.modelspace().layout_key)
        for layer in layers:
            _draw(layer, entities, crs, origin)
        handles.reset(f"{entities.handle:X}")
        with whole_file(target) as part:
            part.write_bytes(document.encode(_written(document, entities)))
    except ezdxf.DXFError as error:
        raise OutputError(f"{target}: can't be written: {error}") from error
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = before


def check_drawings_possible() -> None:
    """Refuse drawings in one line where the library that writes them isn't installed.

    Raises
    ------
    UsageError
        With the way to install it.
    """
    # It takes long to load: not before there is something to write.
    if find_spec("ezdxf") is None:
        raise UsageError("layers as dxf need ezdxf: pip install 'cloudprep[dxf]'")


def _declare(layer: Layer, document: Any) -> None:
    """Make the drawing's layers."""
    names = _names(layer)
    proposal = " This is a proposal: a person has to accept it before it is used." if layer.proposal else ""
    for number, name in enumerate(dict.fromkeys(names) if len(names) else [layer.name]):
        made = document.layers.add(name, color=_COLOURS[number % len(_COLOURS)])
        made.description = f"{layer.meaning}.{proposal}"


def _draw(layer: Layer, entities: Entities, crs: CloudCrs, origin: tuple[float, float]) -> None:
    geometries = in_units(layer.geometries, crs, origin)
    for geometry, name in zip(geometries, _names(layer), strict=True):
        for kind, places, closed in _simple(geometry):
            if kind == "point":
                entities.add_point(places[0], name)
            else:
                entities.add_polyline(places, name, closed=closed)


def _written(document: Any, entities: Entities) -> str:
    """Return the drawing's text, with entities where the library, which knows of none, has their section."""
    stream = StringIO()
    document.write(stream)
    before, begin, after = stream.getvalue().partition(_ENTITIES)
    if not begin or _ENTITIES in after:
        raise OutputError("the library that writes drawings doesn't begin one section of entities")
    return "".join((before, begin, *entities.text, after))


def _names(layer: Layer) -> list[str]:
    """Return the drawing's layer of each feature."""
    if KIND not in layer.attributes:
        return [layer.name] * len(layer)
    return [f"{layer.name}_{kind}" for kind in np.asarray(layer.attributes[KIND]).tolist()]


def _simple(geometry: Any) -> Iterator[tuple[str, NDArray[np.float64], bool]]:
    """Give the points and lines that a geometry consists of, and which are closed."""
    for part in shapely.get_parts(geometry):
        if part.is_empty:
            continue
        if part.geom_type == "Point":
            yield "point", _high(part), False
        elif part.geom_type == "Polygon":
            for ring in (part.exterior, *part.interiors):
                yield "line", _high(ring)[:-1], True
        else:
            places = _high(part)
            closed = len(places) > 3 and bool((places[0] == places[-1]).all())
            yield "line", places[:-1] if closed else places, closed


def _high(geometry: Any) -> NDArray[np.float64]:
    """Return vertices with heights, 0 where there are none."""
    places: NDArray[np.float64] = shapely.get_coordinates(geometry, include_z=True)
    places[~np.isfinite(places[:, 2]), 2] = 0.0
    return places

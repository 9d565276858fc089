"""Where the deliverables of a run lie: facts for its index and its catalogue item."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import shapely

from cloudprep import __version__
from cloudprep.io.atomic import sha256_of
from cloudprep.io.vectors import write_layers
from cloudprep.model.crs import METRE
from cloudprep.model.layer import Layer

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.io.raster_facts import RasterFacts
    from cloudprep.model.crs import CloudCrs

INDEX = "index.gpkg"


class RasterFootprint(NamedTuple):
    """One raster file.

    Parameters
    ----------
    path : str
        Below the folder of the run, with forward slashes.
    product : str
        Which raster it is, or a tile of.
    cells : int
        How many cells hold anything.
    facts : RasterFacts
        What the file says.
    """

    path: str
    product: str
    cells: int
    facts: RasterFacts


class CloudFootprint(NamedTuple):
    """One cloud.

    Parameters
    ----------
    path, source : str
        Below the folder of the run, with forward slashes; name of the input.
    points : int
        In the file.
    box : tuple of float
        Least x, y, z and most x, y, z, in the file's unit; empty if it holds no points.
    """

    path: str
    source: str
    points: int
    box: tuple[float, ...]


def write_index(
    folder: Path, rasters: Sequence[RasterFootprint], clouds: Sequence[CloudFootprint], crs: CloudCrs
) -> tuple[Path, str]:
    """Write the footprints of rasters and clouds as a GeoPackage; return its path and checksum.

    Parameters
    ----------
    folder : Path
        Where ``index.gpkg`` comes to.
    rasters, clouds : sequences
        What was delivered, in the order of their names.
    crs : CloudCrs
        Reference system and units of the clouds.

    Raises
    ------
    OutputError
        If it can't be written.
    """
    unit = crs.horizontal_unit or METRE
    rasters = sorted(rasters)
    clouds = sorted(c for c in clouds if c.box)
    tiles = Layer(
        "tiles",
        "polygon",
        _boxes([r.facts.bounds for r in rasters], unit),
        {
            "product": np.array([r.product for r in rasters], dtype=str),
            "file": np.array([r.path for r in rasters], dtype=str),
            "cell": np.array([r.facts.transform[0] for r in rasters], np.float64),
            "columns": np.array([r.facts.columns for r in rasters], np.int64),
            "rows": np.array([r.facts.rows for r in rasters], np.int64),
            "cells_with_data": np.array([r.cells for r in rasters], np.int64),
            "unit": np.array([r.facts.unit for r in rasters], dtype=str),
        },
        "Outline of a raster file below the folder of the run; cell in the unit of the plan",
    )
    lying = Layer(
        "clouds",
        "polygon",
        _boxes([(c.box[0], c.box[1], c.box[3], c.box[4]) for c in clouds], unit),
        {
            "file": np.array([c.path for c in clouds], dtype=str),
            "source": np.array([c.source for c in clouds], dtype=str),
            "points": np.array([c.points for c in clouds], np.int64),
        },
        "Bounding box of the points of a cloud below the folder of the run",
    )
    target = folder / INDEX
    layers = [layer for layer in (tiles, lying) if len(layer)]
    write_layers(layers, target, crs, (0.0, 0.0), software=f"cloudprep {__version__}")
    return target, sha256_of(target)


def _boxes(bounds: list[tuple[float, float, float, float]], unit: float) -> NDArray[np.object_]:
    boxes = [shapely.box(*(side * unit for side in box)) for box in bounds]
    found = np.empty(len(boxes), object)
    found[:] = boxes
    return found

"""Writes the deliverables of a run: each flight apart, the site's rasters, the pictures beside them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, NamedTuple

from cloudprep import __version__
from cloudprep.engine.clipping import clipped_grid, clipped_layer
from cloudprep.engine.delivered import HeightsInUnit
from cloudprep.engine.reference import unit_name
from cloudprep.engine.tiling import Piece, cells_with_data
from cloudprep.errors import BadInputError
from cloudprep.io.atomic import sha256_of
from cloudprep.io.dxf import check_drawings_possible, write_drawing
from cloudprep.io.landxml import check_units, write_landxml
from cloudprep.io.las import WriteOptions, WrittenCloud, write_patched
from cloudprep.io.picture import write_hillshade
from cloudprep.io.raster import HEIGHT_NODATA, write_grid
from cloudprep.io.vectors import write_layers
from cloudprep.model.file_names import check_file_name

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from cloudprep.config import OutputOptions
    from cloudprep.engine.area import Region
    from cloudprep.engine.tiling import Tiling
    from cloudprep.io.las import Flight, KeptRecords, LabelRows
    from cloudprep.model.crs import CloudCrs
    from cloudprep.model.grid import Grid
    from cloudprep.model.layer import Layer, TinSurface
    from cloudprep.stages.base import Stage

LAYERS = "layers.{}"
SURFACE = "{}.xml"
_SHORT = {"metre": "m", "foot": "ft", "US survey foot": "ftUS"}


@dataclass(frozen=True)
class WrittenGrid:
    """One product of the site on disk."""

    path: Path
    kind: Literal["raster", "picture", "layers", "drawing", "surface"]
    sha256: str
    product: str = ""
    cells: int | None = None
    """How many cells of a raster hold anything."""
    scratch_bytes: int = 0


class RasterManner(NamedTuple):
    """How rasters are delivered.

    Parameters
    ----------
    nodata : float
        Stands for nothing in rasters that aren't codes.
    remark : str
        What the reference system can't say of the heights.
    tiling : Tiling, optional
        How they are cut.
    region : Region, optional
        Where cells are delivered.
    """

    nodata: float = HEIGHT_NODATA
    remark: str = ""
    tiling: Tiling | None = None
    region: Region | None = None


def deliver_clouds(
    flight: Flight,
    target: Path,
    labels: LabelRows,
    output: OutputOptions,
    advance: Callable[[int], None],
    height_unit: float = 1.0,
    within: Callable[[NDArray[np.int32], NDArray[np.int32]], NDArray[np.bool_]] | None = None,
    kept: KeptRecords | None = None,
) -> WrittenCloud:
    """Write one flight with its new labels; heights among them in its own unit (given in metres).

    Where ``within`` is given, only the points that it takes by their stored X and Y; records that were
    ``kept`` since the flight was read are used up.

    Raises
    ------
    NothingWithinError
        If none of its points lies there.
    BadInputError
        If the source changed or vanished since it was read.
    OutputError
        If the target can't be written.
    """
    try:
        size = flight.path.stat().st_size
    except OSError as error:
        raise BadInputError(flight.path, "vanished while the run was under way") from error
    if size != flight.size_bytes:
        raise BadInputError(flight.path, "changed while the run was under way")
    options = WriteOptions(
        format=output.format,
        drop_noise=output.drop_noise,
        las_version=output.las_version,
        height_unit=_SHORT.get(unit_name(height_unit), f"x {height_unit:.10g} m"),
    )
    heights = HeightsInUnit(labels, height_unit)
    return write_patched(flight, target, heights, options, advance, within, kept=kept)


def deliver_grid(
    grid: Grid,
    folder: Path,
    crs: CloudCrs,
    manner: RasterManner | None = None,
    *,
    scratch: Path | None = None,
) -> Iterator[WrittenGrid]:
    """Write a raster of a run, whole or in tiles, and the picture beside it.

    Where there is a scratch folder, files are finished in it, and not in memory.

    Parameters
    ----------
    grid : Grid
        Nobody reads it any more: where a run has a boundary, cells outside are emptied in place.
    folder : Path
        For the files.
    crs : CloudCrs
        Reference system and units.
    manner : RasterManner, optional
        How to deliver.
    scratch : Path, optional
        The scratch folder.

    Where there is a scratch folder, the file is finished in it, and not in memory.

    Raises
    ------
    OutputError
        If one can't be written.
    """
    manner = manner or RasterManner()
    if manner.region is not None:
        left = clipped_grid(grid, manner.region)
        if left is None:
            return
        grid = left
    tags = {"HEIGHTS": manner.remark} if manner.remark and grid.unit == "m" else {}
    pieces = [Piece(grid.name, grid)] if manner.tiling is None else manner.tiling.pieces(grid)
    for piece in pieces:
        target = folder / f"{piece.name}.tif"
        taken = write_grid(
            piece.grid,
            target,
            crs,
            nodata=manner.nodata,
            software=f"cloudprep {__version__}",
            tags=tags,
            scratch=scratch,
        )
        cells = cells_with_data(piece.grid)
        yield WrittenGrid(target, "raster", sha256_of(target), grid.name, cells, taken)
    if grid.shaded:
        picture = folder / f"{grid.name}_hillshade.png"
        write_hillshade(grid, picture)
        yield WrittenGrid(picture, "picture", sha256_of(picture))


def deliver_layers(
    layers: Sequence[Layer],
    formats: Sequence[str],
    folder: Path,
    crs: CloudCrs,
    origin: tuple[float, float],
    region: Region | None = None,
) -> Iterator[WrittenGrid]:
    """Write the vector layers of a run, cut to a region, into one file of each format; none without layers.

    Raises
    ------
    OutputError
        If it can't be written.
    """
    if not layers:
        return
    if region is not None:
        layers = [clipped_layer(layer, region, origin) for layer in layers]
    software = f"cloudprep {__version__}"
    if "gpkg" in formats:
        target = folder / LAYERS.format("gpkg")
        write_layers(layers, target, crs, origin, software=software)
        yield WrittenGrid(target, "layers", sha256_of(target))
    if "dxf" in formats:
        target = folder / LAYERS.format("dxf")
        write_drawing(layers, target, crs, origin, software=software)
        yield WrittenGrid(target, "drawing", sha256_of(target))


def deliver_surfaces(
    surfaces: Sequence[TinSurface], folder: Path, crs: CloudCrs, origin: tuple[float, float]
) -> Iterator[WrittenGrid]:
    """Write the surfaces of triangles of a run, each into a file of its own.

    Raises
    ------
    OutputError
        If one can't be written.
    """
    for surface in surfaces:
        check_file_name(surface.name)
        target = folder / SURFACE.format(surface.name)
        write_landxml(surface, target, crs, origin, software=("cloudprep", __version__))
        yield WrittenGrid(target, "surface", sha256_of(target))


def check_deliverable(stages: Sequence[Stage], output: OutputOptions, crs: CloudCrs) -> None:
    """Refuse before the run what couldn't be delivered after it.

    Raises
    ------
    CrsError
        If a stage makes surfaces and the units have no name in LandXML.
    UsageError
        If layers are wanted as drawings and what writes them isn't installed.
    """
    if any(stage.makes_surfaces for stage in stages):
        check_units(crs)
    if "dxf" in output.layers and any(stage.makes_layers for stage in stages):
        check_drawings_possible()

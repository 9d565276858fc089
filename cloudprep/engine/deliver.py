"""Writes the deliverables of a run: each flight apart, the site's rasters, the pictures beside them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from cloudprep import __version__
from cloudprep.engine.delivered import HeightsInUnit
from cloudprep.engine.reference import unit_name
from cloudprep.errors import BadInputError
from cloudprep.io.atomic import sha256_of
from cloudprep.io.las import WriteOptions, WrittenCloud, write_patched
from cloudprep.io.picture import write_hillshade
from cloudprep.io.raster import write_grid
from cloudprep.io.vectors import write_layers

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from cloudprep.config import OutputOptions
    from cloudprep.io.las import Flight, LabelRows
    from cloudprep.model.crs import CloudCrs
    from cloudprep.model.grid import Grid
    from cloudprep.model.layer import Layer

LAYERS = "layers.gpkg"
_SHORT = {"metre": "m", "foot": "ft", "US survey foot": "ftUS"}


@dataclass(frozen=True)
class WrittenGrid:
    """One product of the site on disk."""

    path: Path
    kind: Literal["raster", "picture", "layers"]
    sha256: str
    scratch_bytes: int = 0


def deliver_clouds(
    flight: Flight,
    target: Path,
    labels: LabelRows,
    output: OutputOptions,
    advance: Callable[[int], None],
    height_unit: float = 1.0,
) -> WrittenCloud:
    """Write one flight with its new labels; heights among them in its own unit (given in metres).

    Raises
    ------
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
    return write_patched(flight, target, HeightsInUnit(labels, height_unit), options, advance)


def deliver_grid(
    grid: Grid, folder: Path, crs: CloudCrs, *, scratch: Path | None = None
) -> Iterator[WrittenGrid]:
    """Write a raster of a run and the picture beside it.

    Where there is a scratch folder, the file is finished in it, and not in memory.

    Raises
    ------
    OutputError
        If one can't be written.
    """
    target = folder / f"{grid.name}.tif"
    taken = write_grid(grid, target, crs, software=f"cloudprep {__version__}", scratch=scratch)
    yield WrittenGrid(target, "raster", sha256_of(target), taken)
    if grid.shaded:
        picture = folder / f"{grid.name}_hillshade.png"
        write_hillshade(grid, picture)
        yield WrittenGrid(picture, "picture", sha256_of(picture))


def deliver_layers(
    layers: Sequence[Layer], folder: Path, crs: CloudCrs, origin: tuple[float, float]
) -> Iterator[WrittenGrid]:
    """Write the vector layers of a run into one GeoPackage; nothing where there are none.

    Raises
    ------
    OutputError
        If it can't be written.
    """
    if layers:
        target = folder / LAYERS
        write_layers(layers, target, crs, origin, software=f"cloudprep {__version__}")
        yield WrittenGrid(target, "layers", sha256_of(target))

"""Writes the deliverables of a run: each flight apart, the site's rasters, the pictures beside them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from cloudprep import __version__
from cloudprep.errors import BadInputError
from cloudprep.io.atomic import sha256_of
from cloudprep.io.las import WriteOptions, WrittenCloud, write_patched
from cloudprep.io.picture import write_hillshade
from cloudprep.io.raster import write_grid

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from cloudprep.config import OutputOptions
    from cloudprep.io.las import Flight, LabelRows
    from cloudprep.model.crs import CloudCrs
    from cloudprep.model.grid import Grid


@dataclass(frozen=True)
class WrittenGrid:
    """One raster or picture on disk."""

    path: Path
    kind: Literal["raster", "picture"]
    sha256: str


def deliver_clouds(
    flight: Flight,
    target: Path,
    labels: LabelRows,
    output: OutputOptions,
    advance: Callable[[int], None],
) -> WrittenCloud:
    """Write one flight with its new labels.

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
    options = WriteOptions(format=output.format, drop_noise=output.drop_noise, las_version=output.las_version)
    return write_patched(flight, target, labels, options, advance)


def deliver_grids(grids: Sequence[Grid], folder: Path, crs: CloudCrs) -> Iterator[WrittenGrid]:
    """Write the rasters of a run and the pictures beside them, one after the other.

    Raises
    ------
    OutputError
        If one can't be written.
    """
    for grid in grids:
        target = folder / f"{grid.name}.tif"
        write_grid(grid, target, crs, software=f"cloudprep {__version__}")
        yield WrittenGrid(target, "raster", sha256_of(target))
        if grid.shaded:
            picture = folder / f"{grid.name}_hillshade.png"
            write_hillshade(grid, picture)
            yield WrittenGrid(picture, "picture", sha256_of(picture))

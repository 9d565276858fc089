"""Writes the deliverables of a run: each flight apart, the site's rasters, the pictures beside them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from cloudprep import __version__
from cloudprep.errors import BadInputError
from cloudprep.io.atomic import sha256_of
from cloudprep.io.las import WriteOptions, WrittenCloud, write_patched
from cloudprep.io.picture import write_hillshade
from cloudprep.io.raster import write_grid
from cloudprep.model.classes import NOISE_CODES
from cloudprep.model.columns import STANDARD_LABELS

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.config import OutputOptions
    from cloudprep.engine.store import PointStore
    from cloudprep.io.las import Flight
    from cloudprep.model.crs import CloudCrs
    from cloudprep.model.grid import Grid


@dataclass(frozen=True)
class WrittenGrid:
    """One raster or picture on disk."""

    path: Path
    kind: Literal["raster", "picture"]
    sha256: str


def delivered_labels(store: PointStore, rows: slice, extra: Collection[str] = ()) -> dict[str, NDArray[Any]]:
    """Return the labels of a flight as they are delivered.

    Parameters
    ----------
    store : PointStore
        All points of the run.
    rows : slice
        Those of the flight.
    extra : collection of str
        Labels without a field of the standard that the stages provide. They speak of points in use: noise and
        withheld points carry 0, also those that became so after the stage that judged them.

    Returns
    -------
    dict of str to ndarray of shape (n,)
        Class codes, withheld flags and the extra labels.
    """
    labels = {n: store.columns[n][rows] for n in STANDARD_LABELS}
    if extra:
        unused = labels["withheld"] | np.isin(labels["classification"], NOISE_CODES)
        for name in extra:
            values = store.columns[name][rows]
            labels[name] = np.where(unused, values.dtype.type(0), values)
    return labels


def deliver_clouds(
    flight: Flight,
    target: Path,
    labels: Mapping[str, NDArray[Any]],
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

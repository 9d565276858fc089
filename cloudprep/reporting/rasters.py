"""Delivered rasters, reduced to the cells of the report's pictures."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import rasterio
from rasterio.enums import Resampling
from rasterio.errors import RasterioError

from cloudprep.errors import BadInputError
from cloudprep.io.raster_reading import open_heights
from cloudprep.model.crs import METRE

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.model.grid import Window
    from cloudprep.reporting.place import Place

_FIELD = re.compile(r"\{(product|east|north|column|row)(:[^}]*)?\}")


@dataclass(frozen=True)
class Rasters:
    """The rasters of a run, whole or in tiles.

    Parameters
    ----------
    folder : Path
        Of the run.
    record : mapping
        Its record, as far as it is known.
    """

    folder: Path
    record: Mapping[str, Any]

    def files(self, product: str) -> list[Path]:
        """Return the files of a product; none where it wasn't delivered."""
        names = [o["path"] for o in self.record.get("outputs", []) if o.get("kind") == "raster"]
        whole = f"terrain/{product}.tif"
        if whole in names:
            return [self.folder / whole]
        tiles = (self.record.get("pipeline", {}).get("output") or {}).get("tiles")
        if not tiles:
            return []
        pattern = re.compile(rf"terrain/{_pattern(tiles['name'], product)}\.tif")
        return [self.folder / name for name in names if pattern.fullmatch(name)]

    def reduced(self, product: str, place: Place, window: Window) -> NDArray[np.float64] | None:
        """Return a product of heights on the cells of a window, m.

        Every cell has the mean of what lies about its centre; files' own coarser views are used where they
        have them, so that large rasters cost no more than small ones.

        Returns
        -------
        ndarray of float64, shape (rows, columns), or None
            Row 0 the southernmost, NaN where there is nothing; None where there is no such product.
        """
        files = self.files(product)
        if not files:
            return None
        out = np.full(window.shape, np.nan)
        cell = window.lattice.cell
        east = np.array([place.east(window.left + (k + 0.5) * cell) for k in range(window.columns)])
        north = np.array([place.north(window.bottom + (k + 0.5) * cell) for k in range(window.rows)])
        for path in files:
            _put(path, out, east, north, cell / place.horizontal_unit)
        return out


def _pattern(name: str, product: str) -> str:
    """Return which file names (without ending) tiles of a product have."""
    out, at = "", 0
    for field in _FIELD.finditer(name):
        out += re.escape(name[at : field.start()])
        out += re.escape(product) if field[1] == "product" else r"-?[0-9]+"
        at = field.end()
    return out + re.escape(name[at:])


def _put(
    path: Path, out: NDArray[np.float64], east: NDArray[np.float64], north: NDArray[np.float64], cell: float
) -> None:
    """Put a file's values into the cells whose centres it holds."""
    raster = open_heights(path)
    unit = raster.crs.vertical_unit or METRE
    columns = np.flatnonzero((east > raster.left) & (east < raster.left + raster.cell * raster.columns))
    rows = np.flatnonzero((north > raster.bottom) & (north < raster.bottom + raster.cell * raster.rows))
    if not len(columns) or not len(rows):
        return
    factor = max(1, int(cell / raster.cell + 0.5))
    shape = -(-raster.rows // factor), -(-raster.columns // factor)
    try:
        with rasterio.open(path) as file:
            read = file.read(1, out_shape=shape, resampling=Resampling.average, masked=True)
    except RasterioError as error:
        raise BadInputError(path, f"can't be read: {error}") from error
    values = np.ma.filled(read.astype(np.float64), np.nan)[::-1] * unit
    column = ((east[columns] - raster.left) / (raster.cell * raster.columns) * shape[1]).astype(np.int64)
    row = ((north[rows] - raster.bottom) / (raster.cell * raster.rows) * shape[0]).astype(np.int64)
    out[np.ix_(rows, columns)] = values[
        np.ix_(np.minimum(row, shape[0] - 1), np.minimum(column, shape[1] - 1))
    ]

"""Rasters on the cells of another one, written strip by strip, from south to north."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import numpy as np
import rasterio
from rasterio.crs import CRS
from rasterio.errors import RasterioError
from rasterio.shutil import copy as copy_raster
from rasterio.transform import Affine
from rasterio.windows import Window as Pixels

from cloudprep.errors import OutputError
from cloudprep.io.atomic import whole_file

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.io.raster_reading import HeightRaster

_TILE = 256
NODATA = -9999.0


class StripWriter:
    """Takes strips of a raster, row 0 of each the southernmost."""

    def __init__(self, file: Any, rows: int, codes: bool) -> None:
        self._file, self._rows, self._codes = file, rows, codes

    def put(self, row: int, values: NDArray[Any]) -> None:
        """Write some rows.

        Parameters
        ----------
        row : int
            First of them, counted from the south.
        values : ndarray of shape (rows, columns)
            float (NaN: nothing), or uint8 codes (0: nothing).
        """
        lines = values[::-1]
        if not self._codes:
            lines = np.where(np.isnan(lines), NODATA, lines).astype(np.float32)
        top = self._rows - row - len(values)
        self._file.write(np.ascontiguousarray(lines), 1, window=Pixels(0, top, lines.shape[1], len(lines)))


@contextmanager
def written_on_cells(
    target: Path,
    like: HeightRaster,
    window: tuple[int, int, int, int],
    *,
    codes: Mapping[int, str] | None = None,
    meaning: str = "",
    unit: str = "",
    caution: str = "",
) -> Iterator[StripWriter]:
    """Write a raster on part of the cells of another one, as a cloud-optimised GeoTIFF.

    Parameters
    ----------
    target : Path
        The file; it appears whole or not at all.
    like : HeightRaster
        Whose cells and reference system it has.
    window : tuple of int
        First row from the south, first column, rows, columns, in its cells.
    codes : mapping of int to str, optional
        Meanings of codes, for a raster of uint8.
    meaning, unit, caution : str
        For the file's band and tags.

    Raises
    ------
    OutputError
        If it can't be written.
    """
    row, column, rows, columns = window
    top = like.bottom + (row + rows) * like.cell
    profile = {
        "width": columns,
        "height": rows,
        "count": 1,
        "dtype": "float32" if codes is None else "uint8",
        "nodata": NODATA if codes is None else 0,
        "crs": None if like.crs.wkt is None else CRS.from_wkt(like.crs.wkt),
        "transform": Affine(like.cell, 0.0, like.left + column * like.cell, 0.0, -like.cell, top),
    }
    try:
        with whole_file(target) as part, rasterio.Env(GDAL_PAM_ENABLED=False):
            plain = part.with_suffix(".plain.tif")
            try:
                with rasterio.open(
                    plain, "w", driver="GTiff", tiled=True, blockxsize=_TILE, blockysize=_TILE,
                    bigtiff="IF_SAFER", compress="LZW", **profile,
                ) as file:  # fmt: skip
                    yield StripWriter(file, rows, codes is not None)
                    file.set_band_description(1, meaning)
                    file.update_tags(AREA_OR_POINT="Area", CAUTION=caution)
                    if unit:
                        file.units = (unit,)
                    if codes is not None:
                        file.update_tags(1, **{f"CODE_{code}": text for code, text in codes.items()})
                copy_raster(
                    plain, part, driver="COG", compress="DEFLATE", predictor="YES", blocksize=_TILE,
                    overview_resampling="AVERAGE" if codes is None else "MODE",
                )  # fmt: skip
            finally:
                plain.unlink(missing_ok=True)
    except RasterioError as error:
        raise OutputError(f"{target}: can't be written: {error}") from error

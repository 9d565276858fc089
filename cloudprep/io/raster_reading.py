"""Height rasters of anybody: checked when they are opened, read by windows."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from rasterio.windows import Window as Pixels

from cloudprep.errors import BadInputError
from cloudprep.io.las.systems import system_from_wkt
from cloudprep.io.raster_opening import opened_raster
from cloudprep.model.crs import INTERNATIONAL_FOOT, METRE, US_SURVEY_FOOT, CloudCrs

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

_HEIGHT_UNITS = {
    "m": METRE, "metre": METRE, "meter": METRE, "metres": METRE, "meters": METRE,
    "foot": INTERNATIONAL_FOOT, "ft": INTERNATIONAL_FOOT, "feet": INTERNATIONAL_FOOT,
    "us survey foot": US_SURVEY_FOOT, "us-ft": US_SURVEY_FOOT, "ftus": US_SURVEY_FOOT,
}  # fmt: skip


@dataclass(frozen=True)
class HeightRaster:
    """A raster of heights on disk. Positions and heights are in the file's own units.

    Parameters
    ----------
    path : Path
        The file.
    left, bottom : float
        Its south-western corner.
    cell : float
        Side of a cell.
    rows, columns : int
        How many.
    crs : CloudCrs
        Reference system and units; units that the file doesn't tell are filled in as ``assumed`` says.
    assumed : tuple of str
        What was taken for granted, in words.
    """

    path: Path
    left: float
    bottom: float
    cell: float
    rows: int
    columns: int
    crs: CloudCrs
    assumed: tuple[str, ...] = ()

    @contextmanager
    def opened(self) -> Iterator[OpenedRaster]:
        """Give the file, open for reading.

        Raises
        ------
        BadInputError
            If it can't be read.
        """
        with opened_raster(self.path) as file:
            yield OpenedRaster(self, file)


class OpenedRaster:
    """A height raster while it is open."""

    def __init__(self, raster: HeightRaster, file: Any) -> None:
        self.raster = raster
        self._file = file

    def window(self, row: int, column: int, rows: int, columns: int) -> NDArray[np.float64]:
        """Return heights of a part, row 0 the southernmost; NaN where there is nothing, also outside.

        Parameters
        ----------
        row, column : int
            First row from the south and first column; may lie outside.
        rows, columns : int
            How many.
        """
        whole = self.raster
        out = np.full((rows, columns), np.nan)
        r0, r1 = max(row, 0), min(row + rows, whole.rows)
        c0, c1 = max(column, 0), min(column + columns, whole.columns)
        if r0 >= r1 or c0 >= c1:
            return out
        pixels = Pixels(c0, whole.rows - r1, c1 - c0, r1 - r0)
        values = self._file.read(1, window=pixels, masked=True)
        with np.errstate(invalid="ignore"):  # signalling NaN of a damaged file
            heights = np.ma.filled(values.astype(np.float64), np.nan)[::-1]
        out[r0 - row : r1 - row, c0 - column : c1 - column] = heights
        return out


def height_unit(file: Any) -> float | None:
    """Return the metres in one unit of an open raster's band; None where that is no unit of heights."""
    return _HEIGHT_UNITS.get(str(file.units[0] or "").strip().casefold())


def open_heights(path: Path) -> HeightRaster:
    """Check a raster of heights.

    Parameters
    ----------
    path : Path
        The file; its first band holds heights.

    Raises
    ------
    BadInputError
        If it can't be read, is turned, has cells that aren't square, or degrees for coordinates.
    """
    path = Path(path)
    with opened_raster(path) as file:
        return _checked(path, file)


def _checked(path: Path, file: Any) -> HeightRaster:
    t = file.transform
    if t.b or t.d or t.a <= 0 or t.e >= 0:
        raise BadInputError(
            path, "isn't north up: rows must run from north to south, columns from west to east"
        )
    if abs(t.a + t.e) > 1e-6 * t.a:
        raise BadInputError(path, f"has cells of {t.a:g} x {-t.e:g}: they must be square")
    if np.dtype(file.dtypes[0]).kind not in "iuf":
        raise BadInputError(path, f"holds {file.dtypes[0]} values, not heights")
    assumed: list[str] = []
    crs = CloudCrs()
    if file.crs is not None:
        system = system_from_wkt(file.crs.to_wkt(version="WKT2_2019"))
        if system is not None:
            crs = _crs_of(system)
    else:
        assumed.append(f"{path.name} carries no reference system: metres are ASSUMED")
    if crs.geographic:
        raise BadInputError(path, "its coordinates are degrees: reproject it to a projected system first")
    horizontal = crs.horizontal_unit or METRE
    vertical = crs.vertical_unit
    told = height_unit(file)
    if told is not None:
        if vertical is not None and abs(told - vertical) > 1e-9:
            assumed.append(f"{path.name}: its band says heights are in {file.units[0]}; that is taken")
        vertical = told
    if vertical is None:
        vertical = horizontal
        assumed.append(
            f"{path.name}: no unit of heights is named; they are ASSUMED to be in that of the plan"
        )
    filled = CloudCrs(
        wkt=crs.wkt,
        name=crs.name,
        horizontal_unit=horizontal,
        vertical_unit=vertical,
        source="WKT" if crs.wkt else "assumed",
    )
    return HeightRaster(
        path, t.c, t.f + t.e * file.height, t.a, file.height, file.width, filled, tuple(assumed)
    )


def _crs_of(system: Any) -> CloudCrs:
    return CloudCrs(
        wkt=system.wkt,
        name=system.name,
        horizontal_unit=system.horizontal_unit,
        vertical_unit=system.vertical_unit,
        geographic=system.geographic,
        source="WKT",
    )

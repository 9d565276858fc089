"""What a raster file says of itself."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import rasterio
from rasterio.errors import RasterioError

from cloudprep.errors import OutputError

if TYPE_CHECKING:
    from pathlib import Path

_STATISTICS = "STATISTICS_"


@dataclass(frozen=True)
class RasterFacts:
    """A raster of one band.

    Parameters
    ----------
    columns, rows : int
        Its cells.
    transform : tuple of float
        The affine map from column and row to easting and northing, row by row, nine numbers.
    data_type, unit, description : str
        Of the band.
    nodata : float or None
        Stands for nothing.
    statistics : dict of str to float
        Names in lower case: ``minimum``, ``maximum``, ``mean``, ``stddev``, ``valid_percent``.
    """

    columns: int
    rows: int
    transform: tuple[float, ...]
    data_type: str
    unit: str
    description: str
    nodata: float | None
    statistics: dict[str, float] = field(default_factory=dict)

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """West, south, east, north in the file's unit."""
        a, _, c, _, e, f = self.transform[:6]
        return c, f + e * self.rows, c + a * self.columns, f


def raster_facts(path: Path) -> RasterFacts:
    """Return what a raster file says of itself, its statistics included.

    Raises
    ------
    OutputError
        If it can't be read.
    """
    try:
        with rasterio.Env(GDAL_PAM_ENABLED=False), rasterio.open(path) as file:
            tags = file.tags(1)
            nodata = file.nodata
            return RasterFacts(
                file.width,
                file.height,
                tuple(file.transform),
                file.dtypes[0],
                file.units[0] or "",
                file.descriptions[0] or "",
                None if nodata is None or math.isnan(nodata) else nodata,
                {
                    name.removeprefix(_STATISTICS).lower(): float(value)
                    for name, value in tags.items()
                    if name.startswith(_STATISTICS)
                },
            )
    except RasterioError as error:
        raise OutputError(f"{path}: can't be read back: {error}") from error

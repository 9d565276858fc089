"""Grids as cloud-optimised GeoTIFF: complete, and the same bytes for the same grid."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import rasterio
import rasterio.shutil
from rasterio.crs import CRS
from rasterio.errors import CRSError, RasterioError
from rasterio.io import MemoryFile
from rasterio.transform import Affine
from rasterio.windows import Window as Pixels

from cloudprep.errors import CrsError, OutputError
from cloudprep.io.atomic import whole_file
from cloudprep.io.caution import CAUTION
from cloudprep.io.raster_on_disk import (
    GdalError,
    LostCellsError,
    finished_on_disk,
    plain_layout,
    refuse_losses,
)
from cloudprep.io.raster_statistics import RunningStatistics
from cloudprep.model.crs import INTERNATIONAL_FOOT, METRE, US_SURVEY_FOOT
from cloudprep.model.mapped import let_go

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from numpy.typing import NDArray
    from rasterio.io import DatasetWriter

    from cloudprep.model.crs import CloudCrs
    from cloudprep.model.grid import Grid

HEIGHT_NODATA = -9999.0
CODE_NODATA = 0
# Side of a tile, and lines that are handed over at a time, in cells: few, so that they stay in the cache
# while they are made, stored and held against what was stored.
TILE = 256
# Bytes that the library keeps of files which it writes, beside what it is given.
CACHE_BYTES = 32_000_000
_UNITS = {METRE: "metre", INTERNATIONAL_FOOT: "foot", US_SURVEY_FOOT: "US survey foot"}

# Colours that people with any colour vision tell apart (Okabe and Ito 2008, "Color universal design"), in an
# order that gives the first codes calm ones; code 0, nothing, is transparent.
_COLOURS = (
    (0, 114, 178),
    (86, 180, 233),
    (230, 159, 0),
    (0, 158, 115),
    (213, 94, 0),
    (204, 121, 167),
    (240, 228, 66),
)


def write_grid(
    grid: Grid,
    target: Path,
    crs: CloudCrs,
    *,
    nodata: float = HEIGHT_NODATA,
    software: str = "",
    tags: Mapping[str, str] | None = None,
    scratch: Path | None = None,
) -> int:
    """Write a grid as a GeoTIFF: north up, tiled, DEFLATE (heights with predictor), overviews, a valid COG.

    Metres become the cloud's own units: positions its horizontal unit, heights its vertical unit (metres
    where the cloud states none). Cell edges are whole multiples of the cell, reckoned from the lattice's
    integers. Heights are float32 with overviews of means; a uint8 grid stays uint8, with nodata 0. Codes (a
    grid with a legend) get overviews of the commonest code, a palette, and each code's meaning as a tag
    ``CODE_<n>`` of the band. Statistics of what is stored stand in the tags of the band, a line of caution
    in those of the file.

    Parameters
    ----------
    grid : Grid
        Heights in metres, NaN where there is nothing; or uint8 codes.
    target : Path
        The file; replaced if it exists, and only by a complete one.
    crs : CloudCrs
        Reference system and units. Without a WKT the file carries no reference system.
    nodata : float
        Stands for "nothing" in height grids; NaN is allowed.
    software : str
        Name and version of what made the file, for its software tag.
    tags : mapping of str to str, optional
        More tags of the file.
    scratch : Path, optional
        Folder to finish the file in, for grids that memory should not hold once more. The bytes are the same.

    Returns
    -------
    int
        Bytes that files in the scratch folder took meanwhile.

    Raises
    ------
    CrsError
        If the coordinates are degrees, or the reference system can't be expressed.
    OutputError
        If the file can't be written, or float32 can't hold the nodata value or a height, or a height would
        read as nodata.

    Notes
    -----
    OGC 19-008r4 (GeoTIFF 1.1), OGC 21-026 (Cloud Optimized GeoTIFF).
    """
    if grid.values.shape != grid.window.shape:
        raise ValueError(f"grid '{grid.name}' has {grid.values.shape} values on {grid.window.shape} cells")
    if crs.geographic:
        raise CrsError(f"{target}: a grid in metres can't be written in degrees")
    codes = grid.values.dtype == np.uint8
    if not codes and not np.array_equal(np.float32(nodata), nodata, equal_nan=True):
        raise OutputError(f"{target}: nodata {nodata:g} has no exact float32; choose another, such as -9999")
    try:
        said = _Said(crs, CODE_NODATA if codes else nodata, software, tags or {})
        with rasterio.Env(GDAL_PAM_ENABLED=False, GDAL_CACHEMAX=CACHE_BYTES), whole_file(target) as part:
            return _finish(grid, part, said, scratch)
    except CRSError as error:
        raise CrsError(f"{target}: the reference system can't be written to a GeoTIFF: {error}") from error
    except (RasterioError, GdalError, LostCellsError, _UnfitError) as error:
        raise OutputError(f"{target}: can't be written: {error}") from error


class _UnfitError(Exception):
    """The values can't be stored as they are."""


class _Said(NamedTuple):
    """What a file says beside its values."""

    crs: CloudCrs
    nodata: float
    software: str
    tags: Mapping[str, str]


def _finish(grid: Grid, part: Path, said: _Said, scratch: Path | None) -> int:
    crs, nodata = said.crs, said.nodata
    codes = grid.values.dtype == np.uint8
    window = grid.window
    what = {
        "width": window.columns,
        "height": window.rows,
        "count": 1,
        "dtype": "uint8" if codes else "float32",
        "nodata": nodata,
        "crs": None if crs.wkt is None else CRS.from_wkt(crs.wkt),
        "transform": _transform(grid, crs.horizontal_unit or METRE),
    }
    how = {
        "blocksize": TILE,
        "compress": "DEFLATE",
        # Differences of neighbours make codes larger: without them half the usual effort packs as well.
        "predictor": "NO" if grid.legend else "YES",
        # Of heights the least effort makes files 1 to 3 % larger than the usual one, in 0.6 of the time.
        "level": (3 if grid.legend else 2) if codes else 1,
        "overview_resampling": "MODE" if grid.legend else "AVERAGE" if grid.blends else "NEAREST",
        "bigtiff": "IF_SAFER",
        # The bytes don't depend on it.
        "num_threads": "ALL_CPUS",
    }
    if scratch is None:
        # The file is finished in memory. Written to a disk that fills up, the library would print to the
        # terminal, and could lose the last tiles without an error.
        # Overviews wait for their place in a file of their own, and packing that well takes as long as all
        # the rest. Where it isn't packed at all, the library takes other values for them.
        with rasterio.Env(COG_TMP_COMPRESSION="PACKBITS"), MemoryFile() as finished:
            # By way of a plain file: the library lets other threads work only while it copies files, and
            # not while a file that was opened as a cloud-optimised one is closed, which is when it is made.
            with MemoryFile() as plain:
                with plain.open(driver="GTiff", **plain_layout(TILE), **what) as file:
                    _fill(file, grid, said)
                rasterio.shutil.copy(plain.name, finished.name, driver="COG", **how)
            # Where memory is short the library leaves out cells without an error.
            refuse_losses(finished.name, _strips(grid, crs, nodata))
            part.write_bytes(finished.getbuffer())
        return 0

    def fill(file: DatasetWriter) -> None:
        _fill(file, grid, said)

    strips = _strips(grid, crs, nodata)
    return finished_on_disk(part, scratch, fill, strips, what, how)


def _fill(file: DatasetWriter, grid: Grid, said: _Said) -> None:
    figures = RunningStatistics(said.nodata)
    for pixels, values in _strips(grid, said.crs, said.nodata):
        file.write(values, 1, window=pixels)
        figures.add(values)
    file.update_tags(1, **figures.tags())
    file.set_band_description(1, grid.meaning)
    file.update_tags(AREA_OR_POINT="Area", CAUTION=CAUTION, **said.tags)
    if said.software:
        file.update_tags(TIFFTAG_SOFTWARE=said.software)
    if grid.unit == "m":
        unit = said.crs.vertical_unit or METRE
        file.units = (_UNITS.get(unit, f"{unit:.10g} m"),)
    elif grid.unit:
        file.units = (grid.unit,)
    if grid.values.dtype == np.uint8 and grid.legend:
        file.update_tags(1, **{f"CODE_{code}": meaning for code, meaning in grid.legend.items()})
        file.write_colormap(1, _palette(tuple(grid.legend)))


def _transform(grid: Grid, unit: float) -> Affine:
    """Return the pixel-to-map transform; edges come from whole numbers, so neighbouring files meet."""
    window = grid.window
    cell = window.lattice.cell
    left = window.column * cell / unit
    top = (window.row + window.rows) * cell / unit
    return Affine(cell / unit, 0.0, left, 0.0, -cell / unit, top)


def _palette(codes: tuple[int, ...]) -> dict[int, tuple[int, int, int, int]]:
    shown = [code for code in sorted(codes) if code != CODE_NODATA]
    palette = {code: (*_COLOURS[i % len(_COLOURS)], 255) for i, code in enumerate(shown)}
    return {CODE_NODATA: (0, 0, 0, 0), **palette}


def _strips(grid: Grid, crs: CloudCrs, nodata: float) -> Iterator[tuple[Pixels, NDArray[Any]]]:
    """Give the rows of the file from north to south, some at a time, as they are to be stored."""
    rows, columns = grid.window.shape
    codes = grid.values.dtype == np.uint8
    unit = crs.vertical_unit or METRE if grid.unit == "m" else METRE
    for top in range(0, rows, TILE):
        count = min(TILE, rows - top)
        lines = grid.values[rows - top - count : rows - top][::-1]
        pixels = Pixels(0, top, columns, count)
        yield pixels, np.ascontiguousarray(lines) if codes else _stored(lines, unit, nodata)
        let_go(grid.values)


def _stored(heights: NDArray[Any], unit: float, nodata: float) -> NDArray[np.float32]:
    """Return heights as float32 in the vertical unit, with nodata for NaN."""
    empty = np.isnan(heights)
    with np.errstate(over="ignore"):
        values = (heights if unit == 1.0 else heights / unit).astype(np.float32)
    # What isn't empty is finite.
    if np.count_nonzero(np.isfinite(values)) + np.count_nonzero(empty) != values.size:
        raise _UnfitError("a height is too large for float32")
    if (values == np.float32(nodata)).any():
        raise _UnfitError(f"a height equals the nodata value {nodata:g}; choose another one")
    values[empty] = nodata
    return values

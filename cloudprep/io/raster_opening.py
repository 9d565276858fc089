"""Which rasters are read at all: what their first bytes say, so that no file leads the library elsewhere."""

from __future__ import annotations

import warnings
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import rasterio
from rasterio.errors import NotGeoreferencedWarning, RasterioError

from cloudprep.errors import BadInputError
from cloudprep.io.atomic import plain_reason

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

# First bytes -> the only reader of the library that may open the file. The library would otherwise try them
# all: some follow names within a file to other files or to the network, whatever its own name is.
_TIFF = (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+")
_TEXT_GRID = (b"ncols", b"nrows")


@contextmanager
def opened_raster(path: Path) -> Iterator[Any]:
    """Give a raster of anybody, open for reading.

    Parameters
    ----------
    path : Path
        A GeoTIFF, or a grid of text lines that begins with ``ncols``.

    Yields
    ------
    rasterio.DatasetReader
        The open file.

    Raises
    ------
    BadInputError
        If there is no such file, it is of another kind, or can't be read.
    """
    if not path.exists():
        raise BadInputError(path, "no such file")
    if path.is_dir():
        raise BadInputError(path, "is a folder, not a raster")
    try:
        with path.open("rb") as file:
            head = file.read(64)
    except OSError as error:
        raise BadInputError(path, f"can't be read: {plain_reason(error)}") from error
    if head.startswith(_TIFF):
        reader = "GTiff"
    elif head.lstrip().lower().startswith(_TEXT_GRID):
        reader = "AAIGrid"
    elif not head:
        raise BadInputError(path, "is empty")
    else:
        raise BadInputError(path, "is no GeoTIFF, whatever its name says (a text grid is read too)")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", NotGeoreferencedWarning)  # refused below, in words
            opened = rasterio.open(path, driver=reader)
        with opened as file:
            if file.transform.is_identity:
                raise BadInputError(path, "says nowhere where it lies: it has no place and no cell size")
            yield file
    except RasterioError as error:
        raise BadInputError(path, f"can't be read as a raster: {error}") from error

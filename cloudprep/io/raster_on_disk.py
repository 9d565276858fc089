"""GeoTIFFs of large grids, finished on disk: strip by strip, and held against what went in."""

from __future__ import annotations

import contextlib
import errno
import secrets
import shutil
from typing import TYPE_CHECKING, Any

import numpy as np
import rasterio
import rasterio.shutil
from rasterio._err import CPLE_BaseError as GdalError
from rasterio.errors import RasterioError
from rasterio.windows import Window as Pixels

from cloudprep.errors import OutputError
from cloudprep.io.atomic import full_disk_told, plain_reason

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping
    from pathlib import Path

    from numpy.typing import NDArray
    from rasterio.io import DatasetReader, DatasetWriter

__all__ = ["GdalError", "LostCellsError", "finished_on_disk"]

# Beside the cells themselves: overviews (a third), what tiles take beyond the rim, and directories.
_BESIDE = 1.5
_SPARE = 20_000_000


class LostCellsError(Exception):
    """A finished file doesn't hold what was put into it."""


def finished_on_disk(
    part: Path,
    scratch: Path,
    fill: Callable[[DatasetWriter], None],
    strips: Iterable[tuple[Pixels, NDArray[Any]]],
    what: Mapping[str, Any],
    how: Mapping[str, Any],
) -> int:
    """Make a Cloud Optimized GeoTIFF by way of files in a scratch folder.

    The cells go into a plain file first, strip by strip, from which the library makes the finished one. On a
    disk that fills up meanwhile it would lose tiles without an error. So the room is looked at before, and
    the finished file is read again: its cells must be those of the strips to the bit, and overviews must have
    values where the cells below them have some.

    Parameters
    ----------
    part : Path
        Where the finished file will be.
    scratch : Path
        An existing folder.
    fill : callable
        Writes cells and tags to an open file.
    strips : iterable of (Window, ndarray)
        The cells as they must be found, from north to south.
    what : mapping
        Size, type, nodata value, reference system and place of the file.
    how : mapping
        Creation options of the finished file.

    Returns
    -------
    int
        Bytes that the files in the scratch folder took.

    Raises
    ------
    OutputError
        If there is too little room in the scratch folder.
    LostCellsError
        If the finished file is not what it should be.
    GdalError, rasterio.errors.RasterioError
        If the library can't write.
    """
    name = f"raster-{secrets.token_hex(6)}"
    plain, finished = scratch / f"{name}.tif", scratch / f"{name}-finished.tif"
    cells = int(what["width"]) * int(what["height"]) * np.dtype(what["dtype"]).itemsize
    _refuse_little_room(scratch, cells)
    try:
        with _scratch_told(scratch), full_disk_told(scratch, RasterioError, GdalError, LostCellsError):
            with rasterio.open(
                plain, "w", driver="GTiff", **plain_layout(int(how["blocksize"])), **what
            ) as file:
                fill(file)
            _refuse_little_room(scratch, int(cells * (_BESIDE - 1)))
            rasterio.shutil.copy(plain, finished, driver="COG", **how)
            taken = _size(plain) + _size(finished)
            plain.unlink()
            refuse_losses(finished, strips)
        shutil.move(finished, part)
    finally:
        for left in scratch.glob(f"{name}*"):
            with contextlib.suppress(OSError):
                left.unlink(missing_ok=True)
    return taken


def plain_layout(size: int) -> dict[str, Any]:
    """Return the creation options of the plain file that a finished one is made from.

    Parameters
    ----------
    size : int
        Side of a tile, cells.
    """
    return {
        "bigtiff": "IF_SAFER",
        "tiled": True,
        "blockxsize": size,
        "blockysize": size,
        "sparse_ok": True,
    }


@contextlib.contextmanager
def _scratch_told(scratch: Path) -> Iterator[None]:
    """Say of a full disk that it is the one with the scratch folder."""
    try:
        yield
    except OSError as error:
        if error.errno == errno.ENOSPC:
            raise OutputError(f"{scratch}: scratch can't be written: {plain_reason(error)}") from error
        raise


def _size(path: Path) -> int:
    """Return the bytes that a file takes on disk."""
    return 512 * path.stat().st_blocks


def _refuse_little_room(folder: Path, needed: int) -> None:
    free = shutil.disk_usage(folder).free
    if needed + _SPARE > free:
        raise OutputError(
            f"{folder}: a raster needs up to {(needed + _SPARE) / 1e9:.2f} GB of scratch space, "
            f"{free / 1e9:.2f} GB are free"
        )


def refuse_losses(path: Path | str, strips: Iterable[tuple[Pixels, NDArray[Any]]]) -> None:
    """Hold a finished GeoTIFF against the cells that went into it.

    Parameters
    ----------
    path : Path or str
        The file, or its name in the library's memory.
    strips : iterable of (Window, ndarray)
        Its cells, to the bit.

    Raises
    ------
    LostCellsError
        If a cell is another, or an overview lacks values where the level below it has some.
    rasterio.errors.RasterioError, GdalError
        If it can't be read.
    """
    with rasterio.open(path) as file:
        rows, columns = file.shape
        levels = len(file.overviews(1))
        # Which cells have a value, eight to a byte: nothing is unpacked twice for the overviews.
        have = np.zeros((rows if levels else 0, -(-columns // 8)), np.uint8)
        for pixels, values in strips:
            found = file.read(1, window=pixels)
            if found.dtype != values.dtype or not np.array_equal(_bits(found), _bits(values)):
                raise LostCellsError("cells were lost on the way into the file")
            if levels:
                lines = slice(pixels.row_off, pixels.row_off + pixels.height)
                have[lines] = np.packbits(_valued(found, file.nodata), axis=1)
    for level in range(levels):
        with rasterio.open(path, overview_level=level) as above:
            have, columns = _refuse_lost_overview(have, columns, above), above.width


def _bits(values: NDArray[Any]) -> NDArray[Any]:
    return values.view(f"u{values.itemsize}")


def _refuse_lost_overview(below: NDArray[np.uint8], columns: int, above: DatasetReader) -> NDArray[np.uint8]:
    """Refuse an overview whose cells don't have values just where those below have some.

    A cell lies over two by two of the level below, give or take one where that one's sides are odd. Which
    cells have values is packed into bits along each line; those of the overview are returned.
    """
    size = above.block_shapes[0][0]
    packed = np.empty((above.height, -(-above.width // 8)), np.uint8)
    for top in range(0, above.height, size):
        count = min(size, above.height - top)
        have = _valued(above.read(1, window=Pixels(0, top, above.width, count)), above.nodata)
        packed[top : top + count] = np.packbits(have, axis=1)
        first, stop = max(2 * top - 1, 0), min(2 * (top + count) + 1, len(below))
        around = np.unpackbits(below[first:stop], axis=1, count=columns).view(np.bool_)
        missing = (first - (2 * top - 1), 2 * (top + count) + 1 - stop)
        beside = (1, 2 * above.width + 1 - columns)
        some = _over(np.logical_or, np.pad(around, (missing, beside), constant_values=False))
        every = _over(np.logical_and, np.pad(around, (missing, beside), constant_values=True))
        if (have & ~some).any() or (every & ~have).any():
            raise LostCellsError("parts of its overviews were lost on the way into the file")
    return packed


def _valued(values: NDArray[Any], nodata: float) -> NDArray[np.bool_]:
    """Return which cells have a value."""
    nothing = np.asarray(nodata, values.dtype)
    return np.asarray(~np.isnan(values) if np.isnan(nothing) else values != nothing, np.bool_)


def _over(join: np.ufunc, cells: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return what four by four cells have together, for every second cell along both axes."""
    lines = join(join(cells[0:-2:2], cells[1:-1:2]), join(cells[2::2], cells[3::2]))
    joined = join(join(lines[:, 0:-2:2], lines[:, 1:-1:2]), join(lines[:, 2::2], lines[:, 3::2]))
    return np.asarray(joined, np.bool_)

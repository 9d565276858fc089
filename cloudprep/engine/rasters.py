"""Where the rasters of a site are while blocks are drawn into them: in memory, or in scratch files."""

from __future__ import annotations

import itertools
import math
import mmap
import os
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

import numpy as np

from cloudprep.errors import OutputError
from cloudprep.io.atomic import plain_reason
from cloudprep.model.bounds import Bounds
from cloudprep.stages.base import cells_of_block

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.engine.scratch import ColumnFiles
    from cloudprep.engine.store import Block
    from cloudprep.model.grid import Canvas, Drawing
    from cloudprep.model.site import SiteFacts

# Cells that a block draws at a time, where it has more of them than points.
DRAWN_CELLS = 2_000_000
# Bytes that are written at a time while a file is filled.
_FILLED = 4_000_000


class Rasters(Protocol):
    """Rasters of a whole site that blocks are drawn into, each block apart from the others."""

    def put(self, drawing: Drawing) -> None:
        """Put what a block drew where it belongs."""

    def whole(self) -> Mapping[str, NDArray[Any]]:
        """Return the rasters by name; they may be written to."""


class Place(NamedTuple):
    """Rows and columns of a raster that a drawing belongs to."""

    rows: slice
    columns: slice


def place_of(drawing: Drawing, canvas: Canvas) -> Place:
    """Return where in a raster a drawing belongs."""
    part = drawing.window
    row, column = part.row - canvas.window.row, part.column - canvas.window.column
    return Place(slice(row, row + part.rows), slice(column, column + part.columns))


class ArrayRasters:
    """Rasters in memory.

    Parameters
    ----------
    canvases : sequence of Canvas
        What rasters there will be.
    """

    def __init__(self, canvases: Sequence[Canvas]) -> None:
        self._canvases = tuple(canvases)
        self._arrays = {c.name: np.full(c.window.shape, c.empty, c.dtype) for c in canvases}

    def put(self, drawing: Drawing) -> None:
        """Put what a block drew where it belongs."""
        for canvas, values in zip(self._canvases, drawing.arrays, strict=True):
            self._arrays[canvas.name][place_of(drawing, canvas)] = values

    def whole(self) -> Mapping[str, NDArray[Any]]:
        """Return the rasters by name."""
        return self._arrays


class FiledRasters:
    """Rasters in files, row after row as they are in memory. It pickles: a handle for who shares the folder.

    The room is taken at once. Files with holes would need no less, since every cell is drawn by some block;
    and where a disk fills up while a hole of a mapped file is written to, the system ends the process.

    Parameters
    ----------
    canvases : sequence of Canvas
        What rasters there will be.
    files : ColumnFiles
        Where.

    Raises
    ------
    OutputError
        If the files can't be made.
    """

    def __init__(self, canvases: Sequence[Canvas], files: ColumnFiles) -> None:
        self._canvases = tuple(canvases)
        self._files = files
        for canvas in canvases:
            files.remove(_file(canvas))
            count = canvas.window.rows * canvas.window.columns
            empty = np.array(canvas.empty, canvas.dtype)
            some = np.full(min(count, _FILLED // empty.itemsize), empty)
            for start in range(0, count, len(some)):
                files.write(_file(canvas), start, some[: count - start])

    def put(self, drawing: Drawing) -> None:
        """Write what a block drew where it belongs; doing it twice does no harm."""
        for canvas, values in zip(self._canvases, drawing.arrays, strict=True):
            rows, columns = place_of(drawing, canvas)
            whole = np.ascontiguousarray(values)
            if values.shape[1] == canvas.window.columns:
                self._files.write(_file(canvas), rows.start * canvas.window.columns, whole.reshape(-1))
                continue
            for row, line in enumerate(whole, rows.start):
                self._files.write(_file(canvas), row * canvas.window.columns + columns.start, line)

    def whole(self) -> Mapping[str, NDArray[Any]]:
        """Return the rasters by name, mapped from the files: once all blocks are drawn.

        Raises
        ------
        OutputError
            If the files can't be mapped.
        """
        # Opened anew: other machines may have written meanwhile.
        self._files.close()
        return {canvas.name: self._mapped(canvas) for canvas in self._canvases}

    def _mapped(self, canvas: Canvas) -> NDArray[Any]:
        path = self._files.folder / _file(canvas)
        try:
            handle = os.open(path, os.O_RDWR | os.O_CLOEXEC)
            try:
                mapped = mmap.mmap(handle, 0)
            finally:
                os.close(handle)
        except OSError as error:
            raise OutputError(f"{path}: the scratch file can't be used: {plain_reason(error)}") from error
        return np.ndarray(canvas.window.shape, canvas.dtype, buffer=mapped)


def _file(canvas: Canvas) -> str:
    return f"{canvas.name}.raster"


def bands_of(block: Block, canvases: Sequence[Canvas], site: SiteFacts) -> list[Bounds]:
    """Return bounds that partition a block into bands of few cells, from south to north.

    Mostly it is the block itself. Where points are sparse a block has many more cells than points, and what
    is drawn at a time must not follow from the size of the site.

    Parameters
    ----------
    block : Block
        The block.
    canvases : sequence of Canvas
        What is drawn.
    site : SiteFacts
        The site.

    Returns
    -------
    list of Bounds
        At least one; the outer edges are those of the block.
    """
    parts = [cells_of_block(canvas.window, block.bounds, site.bounds) for canvas in canvases]
    cells = max((part.rows * part.columns for part in parts), default=0)
    count = max(1, math.ceil(cells / max(DRAWN_CELLS, block.count)))
    b, s = block.bounds, site.bounds
    edges = np.linspace(max(b.y0, s.y0), min(b.y1, s.y1), count + 1).tolist()
    edges[0], edges[-1] = b.y0, b.y1
    return [Bounds(b.x0, south, b.x1, north) for south, north in itertools.pairwise(edges)]

"""What the rasters that a run draws take in memory and on disk: for the plan."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.engine.behind import WAITING_BYTES
from cloudprep.engine.planned import planned_canvases
from cloudprep.engine.rasters import DRAWN_CELLS
from cloudprep.io.raster import CACHE_BYTES, TILE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cloudprep.model.grid import Canvas
    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.base import Stage

# A finished file of heights against its cells before compression, overviews included, measured: 0.55 to 0.61
# where heights scatter by some centimetres, less where the terrain is smooth. Codes: 0.2.
_COMPRESSED = {True: 0.6, False: 0.2}
# Cells of all overviews against those of the raster, 1/4 + 1/16 and so on: unpacked while a file is made in
# memory.
_OVERVIEWS = 1 / 3
# Bytes for each cell of the lines at work while a file is made, measured.
_AT_WORK = 30
# What the library takes beside them while it makes a file on disk, measured.
_LIBRARY = 40_000_000


@dataclass(frozen=True)
class DrawnBytes:
    """Bytes that the rasters take that a run draws.

    Parameters
    ----------
    drawing : tuple of int
        What each stage has at hand of them while one block draws.
    delivering : int
        At most while their files are made, in memory, and others wait for that, beside the arrays.
    delivering_on_disk : int
        The same where files are made on disk, and arrays are in files.
    arrays : int
        Scratch space for all of them.
    finishing : int
        Scratch space for the making of a file, beside that for the arrays.
    largest : int
        The largest array.
    """

    drawing: tuple[int, ...]
    delivering: int
    delivering_on_disk: int
    arrays: int
    finishing: int
    largest: int


def drawn_bytes(stages: Sequence[Stage], site: SiteFacts) -> DrawnBytes:
    """Return what the rasters that resolved stages draw take on a site."""
    canvases = planned_canvases(stages, site)
    everything = [canvas for some in canvases for canvas in some]
    arrays = sum(_cells(c) * _width(c) for c in everything)
    return DrawnBytes(
        arrays=arrays,
        drawing=tuple(sum(min(_cells(c), DRAWN_CELLS) * _width(c) for c in some) for some in canvases),
        delivering=max((_in_memory(c) for c in everything), default=0) + min(arrays, WAITING_BYTES),
        delivering_on_disk=max((_on_disk(c) for c in everything), default=0),
        largest=max((_cells(c) * _width(c) for c in everything), default=0),
        finishing=max((int(_cells(c) * _stored(c) * (1 + _packed(c))) for c in everything), default=0),
    )


def _cells(canvas: Canvas) -> int:
    return canvas.window.rows * canvas.window.columns


def _width(canvas: Canvas) -> int:
    """Return the bytes of a cell in an array."""
    return np.dtype(canvas.dtype).itemsize


def _stored(canvas: Canvas) -> int:
    """Return the bytes of a cell in a file: heights are float32 there."""
    return min(4, _width(canvas))


def _packed(canvas: Canvas) -> float:
    return _COMPRESSED[np.dtype(canvas.dtype).kind == "f"]


def _in_memory(canvas: Canvas) -> int:
    at_work = min(canvas.window.rows, TILE) * canvas.window.columns * (_width(canvas) + _stored(canvas))
    whole = _cells(canvas) * _stored(canvas)
    return whole + max(int(whole * (_packed(canvas) + _OVERVIEWS)), at_work)


def _on_disk(canvas: Canvas) -> int:
    lines = min(canvas.window.rows, TILE) * canvas.window.columns
    library = min(CACHE_BYTES + _LIBRARY, _cells(canvas) * _stored(canvas))
    # A bit a cell says where the cells and those of the first overview have values.
    return library + lines * _AT_WORK + _cells(canvas) * 5 // 32

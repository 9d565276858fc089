"""Signs that compressed points are rotten, which a decompressor itself does not notice."""

from __future__ import annotations

import itertools
import struct
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.errors import BadInputError

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.io.las.compression import Compression
    from cloudprep.io.las.flight import Flight

# Decoding rotten bytes gives coordinates that wander off. So many points of a chunk, this many times the
# flight's own extent away, can't be stray echoes. Measured on six real files, 150 copies of each with one
# fault in its compressed points (a flipped bit, 16 random bytes, or 512 zeros): of 450 with formats 0 to 5,
# 449 were refused and one had a few wrong coordinates; of 450 with formats 6 to 10, 394 were refused, 2 had a
# few wrong coordinates, and 54 had other wrong fields (each field has a layer of its own there, and LAZ has
# no checksums).
_TOO_MANY_STRAYS = 8
_FAR_AWAY = 16
# Steps of the coordinate grid; flat or tiny clouds get this much room at least.
_SMALLEST_EXTENT = 1000.0


def check_layers(
    path: Path, compression: Compression, record_length: int, chunk: memoryview, size: int, rows: range
) -> None:
    """Refuse a chunk whose layers are longer than itself: the decompressor would reserve memory for them.

    Parameters
    ----------
    path : Path
        Named in the error.
    compression : Compression
        How the points are compressed; chunks without layers pass.
    record_length : int
        Bytes of an uncompressed point.
    chunk : memoryview
        The compressed bytes, at least the lengths of the layers.
    size : int
        Bytes of the whole chunk.
    rows : range
        Rows of its points.

    Raises
    ------
    BadInputError
        If they don't fit.
    """
    if not compression.layered:
        return
    # A chunk begins with its first point, uncompressed, and the number of its points.
    head = record_length + 4
    sizes = struct.unpack_from(f"<{compression.layers}I", chunk, head)
    if head + 4 * compression.layers + sum(sizes) > size:
        raise BadInputError(path, f"the compressed points {rows.start + 1:,} to {rows.stop:,} are damaged")


def check_places(flight: Flight, records: NDArray[np.uint8], firsts: NDArray[np.int64]) -> None:
    """Refuse a decompressed chunk that begins inside the header's bounding box and then wanders far off.

    Parameters
    ----------
    flight : Flight
        Whose points these are.
    records : ndarray of uint8, shape (n, record_length)
        Chunks that follow each other.
    firsts : ndarray of int64, shape (chunks + 1,)
        Row of each chunk's first point, and the row after the last one.

    Raises
    ------
    BadInputError
        If the coordinates of a chunk can't be right.
    """
    scales, offsets = np.array(flight.scales), np.array(flight.offsets)
    low = (np.array(flight.header_min) - offsets) / scales
    high = (np.array(flight.header_max) - offsets) / scales
    if not (np.isfinite(low).all() and np.isfinite(high).all() and (high >= low).all()):
        return
    with np.errstate(over="ignore"):  # a header may say anything; infinite room is right then
        slack = np.maximum(high - low, _SMALLEST_EXTENT) * _FAR_AWAY
    axes = [records[:, 4 * axis : 4 * axis + 4].view("<i4")[:, 0] for axis in range(3)]
    if all(
        axis.min() >= low[n] - slack[n] and axis.max() <= high[n] + slack[n] for n, axis in enumerate(axes)
    ):
        return
    for first, last in itertools.pairwise((firsts - firsts[0]).tolist()):
        grid = np.stack([axis[first:last] for axis in axes], axis=1)
        begins_inside = ((grid[0] >= low - 1) & (grid[0] <= high + 1)).all()
        strays = int(((grid < low - slack) | (grid > high + slack)).any(axis=1).sum())
        if begins_inside and strays >= _TOO_MANY_STRAYS:
            rows = f"{firsts[0] + first + 1:,} to {firsts[0] + last:,}"
            raise BadInputError(
                flight.path,
                f"the compressed points {rows} are damaged ({strays:,} of them decode to places far outside"
                " the header's bounding box)",
            )

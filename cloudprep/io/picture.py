"""Shaded relief as a PNG picture, for people to look at."""

from __future__ import annotations

import struct
import zlib
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.io.atomic import whole_file
from cloudprep.kernels.relief import light_of, shades

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.model.grid import Grid

LARGEST_SIDE = 4096
_LINES = 512
_GREY_WITH_ALPHA = 4
_OPAQUE = 255


def write_hillshade(
    grid: Grid,
    target: Path,
    *,
    azimuth: float = 315.0,
    altitude: float = 45.0,
    exaggeration: float = 1.0,
    largest_side: int = LARGEST_SIDE,
) -> None:
    """Write the relief of a height grid in light, north up, transparent where there is no height.

    A large grid is reduced first: square groups of cells become one with their mean height.

    Parameters
    ----------
    grid : Grid
        Heights, m.
    target : Path
        The PNG file; replaced if it exists, and only by a complete one.
    azimuth, altitude : float
        Where the light comes from, degrees: clockwise from north, and above the horizon. From the north-west
        by default: lit from below, people see hills as pits.
    exaggeration : float
        Heights are multiplied by it.
    largest_side : int
        The picture is at most this many pixels wide and high.

    Raises
    ------
    OutputError
        If the file can't be written.
    """
    heights, factor = _reduced(grid.values, largest_side)
    picture = np.zeros((*heights.shape, 2), np.uint8)
    cell = grid.window.lattice.cell * factor
    lights = [light_of(azimuth, altitude)]
    # A strip at a time, with a row to spare on either side, so that large grids need no large copies.
    for begin in range(0, len(heights), _LINES):
        end = min(begin + _LINES, len(heights))
        south, north = max(begin - 1, 0), min(end + 1, len(heights))
        light = shades(heights[south:north], cell, lights, exaggeration=exaggeration)[
            begin - south : end - south
        ]
        seen = ~np.isnan(light)
        picture[begin:end, :, 0] = np.where(seen, np.rint(light), 0)
        picture[begin:end, :, 1] = np.where(seen, _OPAQUE, 0)
    with whole_file(target) as part:
        part.write_bytes(_png(picture[::-1]))


def _reduced(heights: NDArray[np.floating], largest_side: int) -> tuple[NDArray[np.floating], int]:
    """Return the mean heights of square groups of cells, and how many cells make a side of a group."""
    factor = -(-max(heights.shape) // largest_side)
    if factor == 1:
        return heights, 1
    rows, columns = (-(-n // factor) for n in heights.shape)
    reduced = np.full((rows, columns), np.nan)
    for row in range(rows):
        lines = heights[row * factor : (row + 1) * factor].astype(np.float64)
        known = ~np.isnan(lines)
        starts = np.arange(0, heights.shape[1], factor)
        total = np.add.reduceat(np.where(known, lines, 0.0).sum(axis=0), starts)
        count = np.add.reduceat(known.sum(axis=0), starts)
        np.divide(total, count, out=reduced[row], where=count > 0)
    return reduced, factor


def _png(picture: NDArray[np.uint8]) -> bytes:
    """Return a grey-and-alpha picture, shape (height, width, 2), as a PNG file (ISO/IEC 15948).

    Each line is stored as its difference from the line above (filter 2), which suits smooth shades.
    """
    height, width, _ = picture.shape
    lines = picture.reshape(height, 2 * width)
    filtered = np.empty((height, 2 * width + 1), np.uint8)
    filtered[:, 0] = 2
    filtered[0, 1:] = lines[0]
    np.subtract(lines[1:], lines[:-1], out=filtered[1:, 1:])
    header = struct.pack(">IIBBBBB", width, height, 8, _GREY_WITH_ALPHA, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        _chunk(kind, data)
        for kind, data in (
            (b"IHDR", header),
            (b"IDAT", zlib.compress(filtered.tobytes(), 6)),
            (b"IEND", b""),
        )
    )


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

"""Shaded relief as a PNG picture, for people to look at."""

from __future__ import annotations

import struct
import zlib
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.io.atomic import whole_file
from cloudprep.kernels.relief import light_of, shades
from cloudprep.model.mapped import let_go

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.model.grid import Grid

LARGEST_SIDE = 4096
_LINES = 128
# Rows of groups after which a mapped grid is let go of.
_KEPT = 16
_GREY_WITH_ALPHA = 4
_OPAQUE = 255
# Differences of shades are as noise, and hardly any repeat: looking for runs of the same value alone takes
# 0.4 of the time that some effort with repeats took, for files 2 % smaller to 12 % larger.
_EFFORT, _RUNS = 1, zlib.Z_RLE


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
    factor = -(-max(grid.values.shape) // largest_side)
    cell = grid.window.lattice.cell * factor
    height, width = (-(-n // factor) for n in grid.values.shape)
    packed = _Lines(height, width)
    lights = [light_of(azimuth, altitude)]
    # A strip at a time from the north, with a row to spare on either side: large grids need no large copies.
    for end in range(height, 0, -_LINES):
        begin = max(end - _LINES, 0)
        south, north = max(begin - 1, 0), min(end + 1, height)
        heights = _reduced(grid.values, factor, south, north)
        light = shades(heights, cell, lights, exaggeration=exaggeration)[begin - south : end - south][::-1]
        seen = ~np.isnan(light)
        lines = np.zeros((end - begin, width, 2), np.uint8)
        lines[:, :, 0] = np.where(seen, np.rint(light), 0)
        lines[:, :, 1] = np.where(seen, _OPAQUE, 0)
        packed.add(lines)
        let_go(grid.values)
    with whole_file(target) as part:
        part.write_bytes(packed.png())


def _reduced(heights: NDArray[np.floating], factor: int, begin: int, end: int) -> NDArray[np.floating]:
    """Return the mean heights of square groups of cells, for some rows of groups."""
    if factor == 1:
        return heights[begin:end]
    columns = -(-heights.shape[1] // factor)
    reduced = np.full((end - begin, columns), np.nan)
    for row in range(begin, end):
        lines = heights[row * factor : (row + 1) * factor].astype(np.float64)
        known = ~np.isnan(lines)
        starts = np.arange(0, heights.shape[1], factor)
        total = np.add.reduceat(np.where(known, lines, 0.0).sum(axis=0), starts)
        count = np.add.reduceat(known.sum(axis=0), starts)
        np.divide(total, count, out=reduced[row - begin], where=count > 0)
        if row % _KEPT == 0:
            let_go(heights)
    return reduced


class _Lines:
    """The lines of a grey-and-alpha picture on their way into a PNG file (ISO/IEC 15948).

    Each line is stored as its difference from the line above (filter 2), which suits smooth shades.
    """

    def __init__(self, height: int, width: int) -> None:
        self._header = struct.pack(">IIBBBBB", width, height, 8, _GREY_WITH_ALPHA, 0, 0, 0)
        self._above = np.zeros((1, 2 * width), np.uint8)
        self._packer = zlib.compressobj(_EFFORT, strategy=_RUNS)
        self._packed: list[bytes] = []

    def add(self, shades: NDArray[np.uint8]) -> None:
        """Take the next lines, shape (lines, width, 2)."""
        lines = np.concatenate((self._above, shades.reshape(len(shades), -1)))
        filtered = np.full((len(shades), lines.shape[1] + 1), 2, np.uint8)
        np.subtract(lines[1:], lines[:-1], out=filtered[:, 1:])
        self._above = lines[-1:]
        self._packed.append(self._packer.compress(filtered.tobytes()))

    def png(self) -> bytes:
        """Return the file."""
        packed = b"".join((*self._packed, self._packer.flush()))
        chunks = ((b"IHDR", self._header), (b"IDAT", packed), (b"IEND", b""))
        return b"\x89PNG\r\n\x1a\n" + b"".join(_chunk(kind, data) for kind, data in chunks)


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

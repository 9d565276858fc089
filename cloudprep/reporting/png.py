"""Small PNG pictures of few colours, as they stand in a page."""

from __future__ import annotations

import base64
import struct
import zlib
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_PALETTE = 3
_EFFORT = 6


def palette_png(indices: NDArray[np.uint8], colours: NDArray[np.uint8], *, clear: bool = True) -> bytes:
    """Return a PNG file with a palette (ISO/IEC 15948).

    Parameters
    ----------
    indices : ndarray of uint8, shape (rows, columns)
        Number of each pixel's colour; row 0 is the SOUTHERNMOST, and comes to the bottom of the picture.
    colours : ndarray of uint8, shape (n, 3)
        At most 256.
    clear : bool
        Whether colour 0 is transparent.
    """
    rows, columns = indices.shape
    bits = next(b for b in (1, 2, 4, 8) if len(colours) <= 1 << b)
    lines = np.ascontiguousarray(indices[::-1])
    if bits < 8:
        lines = _packed(lines, bits)
    filtered = np.zeros((rows, lines.shape[1] + 1), np.uint8)  # filter 0: best for few colours
    filtered[:, 1:] = lines
    chunks = [
        (b"IHDR", struct.pack(">IIBBBBB", columns, rows, bits, _PALETTE, 0, 0, 0)),
        (b"PLTE", np.ascontiguousarray(colours, np.uint8).tobytes()),
    ]
    if clear:
        chunks.append((b"tRNS", b"\x00"))
    chunks += [(b"IDAT", zlib.compress(filtered.tobytes(), _EFFORT)), (b"IEND", b"")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(_chunk(kind, data) for kind, data in chunks)


def _packed(lines: NDArray[np.uint8], bits: int) -> NDArray[np.uint8]:
    """Return lines with several pixels in a byte, the first one in its highest bits."""
    each = 8 // bits
    wide = -(-lines.shape[1] // each) * each
    padded = np.zeros((len(lines), wide), np.uint8)
    padded[:, : lines.shape[1]] = lines
    out = np.zeros((len(lines), wide // each), np.uint8)
    for k in range(each):
        out |= padded[:, k::each] << np.uint8(8 - bits * (k + 1))
    return out


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def data_uri(png: bytes) -> str:
    """Return a PNG file as the source of a picture in a page."""
    return "data:image/png;base64," + base64.b64encode(png).decode("ascii")

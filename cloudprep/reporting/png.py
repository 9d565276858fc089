"""Small PNG pictures of few colours, as they stand in a page."""

from __future__ import annotations

import base64
import io
from typing import TYPE_CHECKING

import numpy as np
from PIL import Image

if TYPE_CHECKING:
    from numpy.typing import NDArray

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
    picture = Image.frombytes(
        "P", indices.shape[::-1], np.ascontiguousarray(indices[::-1], np.uint8).tobytes()
    )
    picture.putpalette(np.ascontiguousarray(colours, np.uint8).tobytes())
    out = io.BytesIO()
    bits = next(b for b in (1, 2, 4, 8) if len(colours) <= 1 << b)
    picture.save(out, "PNG", bits=bits, compress_level=_EFFORT, **({"transparency": 0} if clear else {}))
    return out.getvalue()


def data_uri(png: bytes) -> str:
    """Return a PNG file as the source of a picture in a page."""
    return "data:image/png;base64," + base64.b64encode(png).decode("ascii")

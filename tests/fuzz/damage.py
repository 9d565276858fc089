"""Damages files at random: bits, bytes, stretches cut, doubled, swapped, and words of the format put in."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np

NUMBERS = (b"0", b"-1", b"1e999", b"nan", b"inf", b"-0.0", b"1e-400", b"4294967296", b"9" * 40)
SIGNS = (
    b"\0",
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    b"\r",
    b"\n",
    b"\t",
    b"\x1b[31m",
    "\u2028".encode(),
    b"&",
    b"<",
    b"]]>",
)


def damaged(content: bytes, words: Sequence[bytes], rng: np.random.Generator) -> bytes:
    """Return a file with one to six damages.

    Parameters
    ----------
    content : bytes
        A good file.
    words : sequence of bytes
        Words of the format, for damage that gets past the first check.
    rng : numpy.random.Generator
        Chooses.
    """
    data = bytearray(content)
    for _ in range(int(rng.integers(1, 7))):
        size = len(data)
        place = int(rng.integers(size + 1))
        length = int(rng.choice([1, 2, 4, 8, 30, 300]))
        kind = int(rng.integers(10))
        if kind == 0 and size:
            data[min(place, size - 1)] ^= 1 << int(rng.integers(8))
        elif kind == 1 and size:
            data[min(place, size - 1)] = int(rng.choice([0, 1, 127, 128, 254, 255]))
        elif kind == 2:
            data[place : place + length] = rng.bytes(length)
        elif kind == 3:
            del data[place : place + length]
        elif kind == 4:
            data[place:place] = data[place : place + length]
        elif kind == 5:
            other = int(rng.integers(size + 1))
            data[place : place + length], data[other : other + length] = (
                data[other : other + length],
                data[place : place + length],
            )
        elif kind == 6:
            data[place:place] = NUMBERS[int(rng.integers(len(NUMBERS)))]
        elif kind == 7:
            data[place:place] = SIGNS[int(rng.integers(len(SIGNS)))]
        elif kind == 8 and words:
            data[place:place] = words[int(rng.integers(len(words)))]
        elif rng.random() < 0.2:
            del data[place:]
    return bytes(data)

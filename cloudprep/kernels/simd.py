"""Eight float64 lanes at a time, for kernels that would otherwise stay scalar.

Loops over eight values are not turned into vector instructions by themselves. The functions here work on a
value of eight lanes: called from plain Python they are NumPy one-liners (which is also what they mean, and
what runs where compilation is switched off); called from compiled code they become vector instructions.

Lanes must not hold NaN. No operation is fused with another, so compiled results equal NumPy's to the bit.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import COMPILED

if TYPE_CHECKING:
    from numpy.typing import NDArray

WIDTH = 8


def load(values: NDArray[np.float64], at: int) -> NDArray[np.float64]:
    """Return eight values of a C-contiguous array (of any shape) from a flat index on."""
    return values.reshape(-1)[at : at + WIDTH].copy()


def load_single(values: NDArray[np.float32], at: int) -> NDArray[np.float64]:
    """Return eight float32 values of a C-contiguous array from an index on, as float64."""
    return values[at : at + WIDTH].astype(np.float64)


def store(values: NDArray[np.float64], at: int, lanes: NDArray[np.float64]) -> None:
    """Write eight lanes into a C-contiguous array (of any shape) from a flat index on."""
    values.reshape(-1)[at : at + WIDTH] = lanes


def spread(value: float) -> NDArray[np.float64]:
    """Return eight lanes of one value."""
    return np.full(WIDTH, value)


def exchange_four(values: NDArray[np.float64], a: int, b: int) -> None:
    """Exchange four values of a C-contiguous array (of any shape), from two flat indices on."""
    flat = values.reshape(-1)
    kept = flat[a : a + 4].copy()
    flat[a : a + 4] = flat[b : b + 4]
    flat[b : b + 4] = kept


def minus(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a - b lane by lane."""
    return a - b


def plus(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a + b lane by lane."""
    return a + b


def squared(a: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a * a lane by lane."""
    return a * a


def times(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a * b lane by lane."""
    return a * b


def over(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a / b lane by lane."""
    return a / b


def root(a: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the square root lane by lane."""
    return np.sqrt(a)


def smaller(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the smaller of a and b lane by lane."""
    return np.minimum(a, b)


def larger(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the larger of a and b lane by lane."""
    return np.maximum(a, b)


def below(a: NDArray[np.float64], b: NDArray[np.float64]) -> int:
    """Return a bit mask of the lanes in which a < b (lane 0 is the lowest bit)."""
    return int(np.packbits(a < b, bitorder="little")[0])


def where_below(
    a: NDArray[np.float64], b: NDArray[np.float64], value: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the value in lanes where a < b, 0 in the others."""
    return np.where(a < b, value, 0.0)


def pick_below(
    a: NDArray[np.float64], b: NDArray[np.float64], value: NDArray[np.float64], other: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the value in lanes where a < b, the other one elsewhere."""
    return np.where(a < b, value, other)


def pick_set(mask: int, value: NDArray[np.float64], other: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the value in lanes whose bits of a mask are set, the other one elsewhere."""
    return np.where((int(mask) >> np.arange(WIDTH)) & 1 > 0, value, other)


def largest(a: NDArray[np.float64]) -> float:
    """Return the largest lane."""
    return float(a.max())


def lowest_bit(mask: int) -> int:
    """Return the index of the lowest bit that is set; the mask must not be 0."""
    return (int(mask) & -int(mask)).bit_length() - 1


def bits_set(mask: int) -> int:
    """Return how many bits of a mask are set."""
    return int(mask).bit_count()


if COMPILED:  # what these functions become in compiled code
    from cloudprep.kernels import simd_compiled  # noqa: F401

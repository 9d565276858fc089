"""A fair sample of the different values among many, however they are spread over parts.

Of all values those with the smallest hashes are kept, each with how often it occurs. Which ones these are
depends on the values alone, so samples of parts join to the sample of the whole, exactly.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

# Hashes that are tried before all of them are sorted, against those wanted.
_AMPLE = 8


class Sampled(NamedTuple):
    """Some of the different values among many, and how often each occurs.

    Parameters
    ----------
    hashes : ndarray of uint64, shape (k,)
        Of the values, ascending.
    counts : ndarray of int64, shape (k,)
        How often each value occurs.
    """

    hashes: NDArray[np.uint64]
    counts: NDArray[np.int64]


def mixed(bits: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Return hashes of 64 bits, each different from those of all others.

    The finishing steps of a pseudo-random generator (Steele, Lea and Flood, Fast splittable pseudorandom
    number generators, OOPSLA 2014), each of which can be undone.

    Parameters
    ----------
    bits : ndarray of uint64, shape (n,)
        Anything.
    """
    mix = bits + np.uint64(0x9E3779B97F4A7C15)
    mix = (mix ^ (mix >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    mix = (mix ^ (mix >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return np.asarray(mix ^ (mix >> np.uint64(31)), np.uint64)


def sample_of(values: NDArray[np.float64], most: int) -> Sampled:
    """Return a sample of the different values.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
        The values; told apart by their bits.
    most : int
        Values to keep at most.

    Returns
    -------
    Sampled
        All different values where there are no more than ``most``, else those with the smallest hashes: the
        k minimum values of Bar-Yossef et al., Counting distinct elements in a data stream, RANDOM 2002.
    """
    hashes = mixed(np.ascontiguousarray(values).view(np.uint64))
    if len(hashes) > 2 * _AMPLE * most:
        low = hashes[hashes < np.uint64(2**64 * (_AMPLE * most / len(hashes)))]
        kept, counts = np.unique(low, return_counts=True)
        if len(kept) >= most:
            return Sampled(kept[:most], counts[:most])
    kept, counts = np.unique(hashes, return_counts=True)
    return Sampled(kept[:most], counts[:most])


def joined_samples(parts: Sequence[Sampled], most: int) -> Sampled:
    """Return the sample of all values that samples of parts were taken of, each with the same ``most``."""
    hashes = np.concatenate([part.hashes for part in parts])
    counts = np.concatenate([part.counts for part in parts])
    kept, place = np.unique(hashes, return_inverse=True)
    total = np.zeros(len(kept), np.int64)
    np.add.at(total, place, counts)
    return Sampled(kept[:most], total[:most])

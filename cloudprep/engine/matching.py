"""Pairs the points of two clouds that should hold the same points, in the same order or in another."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.agreement import Confusion

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Agreement", "Differences", "label_by_place", "on_one_lattice", "pair_by_place"]

UNCLEAR = -1


@dataclass(frozen=True)
class Agreement:
    """How two yes-or-no labels of the same points agree.

    Parameters
    ----------
    counts : Confusion
        Points by label in both clouds.
    left_out : int
        Points that can't be paired: they share their place with others, and the labels of both clouds
        differ among them.
    """

    counts: Confusion
    left_out: int = 0


@dataclass(frozen=True)
class Differences:
    """How many points each of two clouds holds that the other one lacks."""

    only_first: int
    only_second: int


def pair_by_place(
    places: NDArray[np.int64],
    result: NDArray[np.bool_],
    reference_places: NDArray[np.int64],
    reference: NDArray[np.bool_],
) -> Agreement | Differences:
    """Count how labels agree when the points stand in another order: points of one place belong together.

    Several points at one place are paired where that can be done in one way only as far as the counts go:
    all of them have the same label in one of the clouds. The others are counted as left out.

    Parameters
    ----------
    places, reference_places : ndarray of int64, shapes (n, 3) and (m, 3)
        Coordinates of both clouds as whole steps of one lattice.
    result, reference : ndarray of bool, shapes (n,) and (m,)
        The labels.

    Returns
    -------
    Agreement or Differences
        The counts, or how the sets of points differ where they do.
    """
    first, second, groups = _grouped(places, reference_places)
    count = np.bincount(first, minlength=groups)
    difference = count - np.bincount(second, minlength=groups)
    if difference.any():
        return Differences(int(difference[difference > 0].sum()), int(-difference[difference < 0].sum()))
    yes = np.bincount(first[result], minlength=groups)
    reference_yes = np.bincount(second[reference], minlength=groups)
    clear = ~((yes > 0) & (yes < count) & (reference_yes > 0) & (reference_yes < count))
    n, a, b = count[clear], yes[clear], reference_yes[clear]
    # Where one side is all yes or all no, the product over the size is whole, and the only possibility.
    both = int((a * b // np.maximum(n, 1)).sum())
    lost, taken = int(b.sum()) - both, int(a.sum()) - both
    total = int(n.sum())
    return Agreement(Confusion(both, lost, taken, total - both - lost - taken), len(places) - total)


def label_by_place(
    places: NDArray[np.int64], reference_places: NDArray[np.int64], reference: NDArray[np.bool_]
) -> NDArray[np.int8]:
    """Return for each point what the reference says of its place.

    Parameters
    ----------
    places, reference_places : ndarray of int64, shapes (n, 3) and (m, 3)
        Coordinates of both clouds as whole steps of one lattice.
    reference : ndarray of bool, shape (m,)
        The labels.

    Returns
    -------
    ndarray of int8, shape (n,)
        1 yes, 0 no, -1 where the reference has both at that place, or no point at all.
    """
    first, second, groups = _grouped(places, reference_places)
    there = np.bincount(second, minlength=groups)
    yes = np.bincount(second[reference], minlength=groups)
    said = np.full(groups, UNCLEAR, np.int8)
    said[(yes == there) & (there > 0)] = 1
    said[(yes == 0) & (there > 0)] = 0
    return said[first]


def _grouped(
    places: NDArray[np.int64], reference_places: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64], int]:
    """Return the number of each point's place in both clouds, and how many places there are."""
    stacked = np.concatenate([places, reference_places])
    order = np.lexsort(stacked.T)
    in_order = stacked[order]
    starts = np.ones(len(stacked), bool)
    starts[1:] = (in_order[1:] != in_order[:-1]).any(axis=1)
    group = np.empty(len(stacked), np.int64)
    group[order] = np.cumsum(starts) - 1
    return group[: len(places)], group[len(places) :], int(np.count_nonzero(starts))


def on_one_lattice(
    raw: NDArray[np.int64],
    scales: tuple[float, float, float],
    offsets: tuple[float, float, float],
    steps: tuple[float, float, float],
    start: tuple[float, float, float],
) -> NDArray[np.int64]:
    """Return stored coordinates as whole steps of a lattice that both clouds share.

    Parameters
    ----------
    raw : ndarray of shape (n, 3)
        Stored integers.
    scales, offsets : tuple of float
        Scale and offset of each axis, as stored beside them.
    steps, start : tuple of float
        Step and zero of the lattice.

    Returns
    -------
    ndarray of int64, shape (n, 3)
        The nearest step. Clouds stored with the lattice's own scale and offset come back unchanged.

    Examples
    --------
    >>> import numpy as np
    >>> on_one_lattice(np.array([[5, 7, 9]]), (0.01,) * 3, (0.0,) * 3, (0.001,) * 3, (0.0,) * 3)
    array([[50, 70, 90]])
    """
    if scales == steps and offsets == start:
        return raw.astype(np.int64)
    shift = (np.array(offsets) - np.array(start)) / np.array(steps)
    nearest: NDArray[np.float64] = np.rint(raw * (np.array(scales) / np.array(steps)) + shift)
    return nearest.astype(np.int64)

"""Echoes from crowns: pulses are stopped leaf by leaf, and some come through."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy.spatial import cKDTree

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from ..dice import Dice
    from .pulses import Pulses
    from .site import Crowns

    Array = NDArray[np.float64]

_NEAR = 4
_DRAWS = 3


class Leaves(NamedTuple):
    """Echoes of each pulse from above: heights (m, -inf for none) and kinds, shape (n, k)."""

    z: Array
    kind: NDArray[np.uint8]


def _of(crowns: Crowns, pulses: Pulses, landing: Array, dice: Dice) -> Leaves:
    n = len(pulses.x)
    near = min(_NEAR, len(crowns.x))
    x, y = pulses.at(landing + float(np.median(crowns.half)))
    tree = cKDTree(np.column_stack([crowns.x, crowns.y]))
    _, which = tree.query(
        np.column_stack([x, y]), near, distance_upper_bound=float(crowns.radius.max()) + 5.0
    )
    which = which.reshape(n, near)
    found = np.full((n, near, _DRAWS), -np.inf)
    for k in range(near):
        rows = np.flatnonzero(which[:, k] < len(crowns.x))
        one = which[rows, k]
        px, py = pulses.at(crowns.middle[one], rows)
        share = 1.0 - ((px - crowns.x[one]) ** 2 + (py - crowns.y[one]) ** 2) / crowns.radius[one] ** 2
        rows, one, share = rows[share > 0], one[share > 0], share[share > 0]
        half = crowns.half[one] * np.sqrt(share)
        depth = np.zeros(len(rows))
        for draw in range(_DRAWS):
            depth = depth + dice.exponential(crowns.free_path, len(rows))
            found[rows, k, draw] = np.where(depth < 2 * half, crowns.middle[one] + half - depth, -np.inf)
    z = found.reshape(n, -1)
    return Leaves(z, np.full(z.shape, int(crowns.kind), np.uint8))


def leaves(groups: Sequence[Crowns], pulses: Pulses, landing: Array, dice: Dice) -> Leaves:
    """Return the echoes that crowns would give, highest first.

    Parameters
    ----------
    groups : sequence of Crowns
        The plants.
    pulses : Pulses
        The beams.
    landing : ndarray of shape (n,)
        Height at which each would end without plants, m.
    dice : Dice
        Where the leaves are.
    """
    parts = [_of(crowns, pulses, landing, dice) for crowns in groups if len(crowns.x)]
    if not parts:
        return Leaves(np.full((len(pulses.x), 1), -np.inf), np.zeros((len(pulses.x), 1), np.uint8))
    z = np.concatenate([part.z for part in parts], axis=1)
    kind = np.concatenate([part.kind for part in parts], axis=1)
    order = np.argsort(-z, axis=1, kind="stable")
    return Leaves(np.take_along_axis(z, order, 1), np.take_along_axis(kind, order, 1))

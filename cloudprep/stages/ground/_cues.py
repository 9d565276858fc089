"""Weak cues beside the heights: colour, where it tells plants from ground in the cloud at hand."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.bilinear import bilinear
from cloudprep.kernels.ground_colour import (
    Greens,
    Shades,
    count_shades,
    greenness,
    joined_shades,
    learnt_greens,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.stages.base import Points

    Floats = NDArray[np.float64]

_COLOURS = ("red", "green", "blue")

CUE_COLUMNS = _COLOURS
"""Columns that cues read where the flights carry them, to be named in ``uses``."""

# Green points are ground up to so much less of the height that other points are.
_LESS_HEIGHT = 0.5


class Patches(NamedTuple):
    """Squares on which cues are counted, ``side`` metres wide; ``zero``: the local zero seen from an edge."""

    side: float
    zero: tuple[float, float]

    def place(self, points: Points) -> tuple[Floats, Floats]:
        """Return positions of points in patches."""
        return (points["x"] + self.zero[0]) / self.side, (points["y"] + self.zero[1]) / self.side


class CueCounts(NamedTuple):
    """What a block counts: whole numbers, so that their sums depend on no order."""

    shades: Shades | None = None


def carries_cues(points: Points) -> bool:
    """Tell whether the points carry what cues are read from."""
    return all(name in points for name in _COLOURS)


def counted_cues(points: Points, over: Floats, limit: Floats, patches: Patches) -> CueCounts:
    """Count what cues are learnt from.

    Parameters
    ----------
    points : Points
        n points that may be ground, and carry cues.
    over : ndarray of float64, shape (n,)
        Their heights over the surface, m.
    limit : ndarray of float64, shape (n,)
        Up to which height over the surface each may be ground, m.
    patches : Patches
        Where to count.
    """
    column, row = (np.floor(a).astype(np.int64) for a in patches.place(points))
    shade = greenness(*(points[name] for name in _COLOURS))
    return CueCounts(count_shades(row, column, shade, over, limit))


def joined_cues(parts: Sequence[CueCounts]) -> CueCounts:
    """Add up the counts of all blocks."""
    shades = [p.shades for p in parts if p.shades is not None]
    return CueCounts(joined_shades(shades) if shades else None)


@dataclass(frozen=True)
class Cues:
    """What was learnt from a cloud."""

    patches: Patches
    first: tuple[int, int] = (0, 0)
    greens: Greens | None = None
    figures: Mapping[str, float | int] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()

    def lower(self, points: Points) -> Floats | None:
        """Return by which share the height up to which points are ground is lower: for green ones."""
        if self.greens is None:
            return None
        green = greenness(*(points[name] for name in _COLOURS)) > self.greens.beyond
        across, up = self.patches.place(points)
        weight = bilinear(self.greens.weight, across - self.first[0], up - self.first[1])
        return np.where(green, _LESS_HEIGHT * weight, 0.0)


def learnt_cues(counts: CueCounts, patches: Patches) -> Cues:
    """Learn from the whole cloud which cues tell."""
    if counts.shades is None:
        return Cues(patches)
    greens = learnt_greens(counts.shades)
    if greens is None:
        return Cues(patches)
    return Cues(
        patches,
        (counts.shades.column, counts.shades.row),
        greens if greens.tells else None,
        {"ground.green_tells": round(greens.told, 4)},
    )

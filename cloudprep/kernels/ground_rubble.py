"""Broken rock at the foot of a face: ground as rough as plants are high, but nothing shows below it."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy import ndimage

from cloudprep.kernels.boxes import box_highest
from cloudprep.kernels.ground_heights import BIN, Heights, sums_between

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

_TOUCHING = np.ones((3, 3), bool)


class Rubble(NamedTuple):
    """What broken rock is; lengths in metres.

    Parameters
    ----------
    face, beside : float
        A face rises so high within so much; and so far around a patch the rock goes on.
    least, foot : float
        Area of a patch, and of its part at the foot of a face, m2, at least.
    widest : float
        Its area is at most so many times that of this part.
    below, above : float
        Heights so far below and above the surface are looked at.
    scatter : float
        Their standard deviation, at least.
    alike : float
        How much more alike heights in one cell are than those of the patch, at least: 0 for plants that
        scatter by themselves, 1 for blocks as wide as the cells. Of made-up rubble 0.1 to 0.5, of herbs -0.02
        to 0.04.
    peaked : float
        How many times as closely heights lie on the surface as above it, at most: where plants stand, the
        ground between them stands out (11 to 16 times, of made-up rubble 1.7 to 3.2).
    on, up_to : float
        On the surface is within so many standard deviations of calm ground, above it is up to this height.
    deviations : float
        Rock reaches so many standard deviations above the mean of the heights.
    """

    face: float = 4.0
    beside: float = 3.0
    least: float = 20.0
    foot: float = 10.0
    widest: float = 15.0
    below: float = 0.4
    above: float = 0.9
    scatter: float = 0.16
    alike: float = 0.06
    peaked: float = 6.0
    on: float = 1.5
    up_to: float = 0.6
    deviations: float = 3.0


def _around(rules: Rubble, cell: float) -> int:
    """Return the side of the square that reaches as far as a face rises, cells."""
    return 2 * max(1, round(rules.beside / cell)) + 1


def at_the_foot(coarse: Floats, cell: float, rules: Rubble, *, threads: int = 1) -> Flags:
    """Return cells that lie at the foot of a face, and those that touch them."""
    foot = box_highest(coarse, _around(rules, cell), threads=threads) - coarse >= rules.face
    return np.asarray(ndimage.binary_dilation(foot, _TOUCHING)) if foot.any() else foot


def _density(heights: Heights, low: Floats, high: Floats, threads: int) -> Floats:
    """Return how many heights lie between two limits of each cell, to a metre of height."""
    count = sums_between(heights, low, high, threads=threads)[0]
    return np.asarray(count / np.mean(high - low))


def rubble(
    heights: Heights,
    shift: Floats,
    doubtful: Flags,
    foot: Flags,
    *,
    cell: float,
    calm: float,
    rules: Rubble | None = None,
    threads: int = 1,
) -> Floats:
    """Tell broken rock from plants, patch by patch.

    Both scatter above the surface. But rock hides what is below: heights are spread evenly from the surface
    up, where ground between plants stands out; and blocks are wide, so that points close to each other lie
    alike, where a beam passes one leaf and meets the next.

    Parameters
    ----------
    heights : Heights
        Counts of heights over the coarse surface.
    shift : ndarray of float64, shape (rows, columns)
        How far the finer surface lies above the coarse one, m.
    doubtful : ndarray of bool, shape (rows, columns)
        Cells that look overgrown.
    foot : ndarray of bool, shape (rows, columns)
        From :func:`at_the_foot`. Elsewhere plants are what such patches nearly always are.
    cell : float
        Side of a cell, m.
    calm : float
        Noise of calm ground, m.
    rules : Rubble, optional
        The rules.
    threads : int
        Threads to use; the result doesn't depend on them.

    Returns
    -------
    ndarray of float64, shape (rows, columns)
        How far above the finer surface the rock reaches, m; 0 where there is none.
    """
    rules = rules or Rubble()
    reach = np.zeros(shift.shape)
    if not (foot & doubtful).any():
        return reach
    label, count = ndimage.label(doubtful, _TOUCHING)
    at_foot = np.bincount(label[foot & doubtful], minlength=count + 1) * cell**2
    area = np.bincount(label.ravel(), minlength=count + 1) * cell**2
    asked = (at_foot >= rules.foot) & (area >= rules.least) & (area <= rules.widest * at_foot)
    asked[0] = False
    if not asked.any():
        return reach
    rows, columns = (slice(int(v.min()), int(v.max()) + 1) for v in np.nonzero(asked[label]))
    label, shift = label[rows, columns], shift[rows, columns]
    some = heights._replace(start=heights.start[rows, columns.start : columns.stop + 1])

    def summed(values: Floats) -> Floats:
        return np.asarray(np.bincount(label.ravel(), weights=values.ravel(), minlength=count + 1), np.float64)

    n, total, square = sums_between(some, shift - rules.below, shift + rules.above, threads=threads)
    # Heights over the finer surface.
    square = square - 2 * shift * total + n * shift**2
    total = total - n * shift
    within = np.where(n > 1, square - total**2 / np.maximum(n, 1), 0.0)
    many = np.maximum(summed(n), 2.0)
    mean = summed(total) / many
    variance = np.maximum(summed(square) - many * mean**2, 0.0) / (many - 1)
    own = summed(within) / np.maximum(summed(np.maximum(n - 1, 0.0)), 1.0)
    near = max(rules.on * calm, 2 * BIN)
    on = summed(_density(some, shift - near, shift + near, threads))
    over = summed(_density(some, shift + near + BIN, shift + rules.up_to, threads))
    rock = asked & (variance >= rules.scatter**2) & (own <= (1 - rules.alike) * variance)
    rock &= on <= rules.peaked * over
    reach[rows, columns] = np.where(rock, mean + rules.deviations * np.sqrt(variance), 0.0)[label]
    # Close to the face nothing was doubtful, since the coarse result stands there.
    return box_highest(reach, _around(rules, cell), threads=threads)

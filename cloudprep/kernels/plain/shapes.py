"""Shapes of neighbourhoods: SciPy's kd-tree for the neighbours, NumPy for the sums.

Offsets are rounded as the kernel rounds them, so the sums are exact and NumPy may take them in any order. The
axes of eight neighbourhoods at a time come from the kernel's own formula, whose functions are NumPy here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.neighbours_axes import DEVIATIONS, NORMAL, OFFSETS, SIZE, axes_of_lanes
from cloudprep.kernels.plain.neighbours import candidates, tree_of
from cloudprep.kernels.simd import WIDTH

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_AT_A_TIME = 2048


class Rules(NamedTuple):
    """The kernel's constants.

    Parameters
    ----------
    step_bits : int
        The step that offsets are rounded to is so many powers of two below the k-th distance.
    trim : float
        What is more than so many deviations off the plane doesn't count,
    trim_least : float
        if there are at least so many points.
    """

    step_bits: int
    trim: float
    trim_least: float


def neighbour_shapes(
    points: Floats,
    rows: int,
    wanted: NDArray[np.bool_],
    table: NDArray[np.float32],
    kth: Floats,
    threads: int,
    rules: Rules,
) -> None:
    """Fill in shapes and k-th distances at the wanted points; ``rows`` counts the point itself."""
    tree = tree_of(points)
    asked = np.flatnonzero(wanted)
    for some in np.array_split(asked, len(asked) // _AT_A_TIME + 1):
        away, found = candidates(tree, points[some], rows, threads=threads)
        total = np.zeros(len(some))
        for r in range(1, rows):  # ascending, one by one
            total += np.sqrt(away[:, r])
        limit = away[:, -1]
        here = (away < limit[:, None]).astype(np.float64)
        offsets = (
            _rounded(points[found] - points[some][:, None], np.sqrt(limit), rules.step_bits) * here[..., None]
        )
        axes, off_plane = _axes(here, offsets)
        along = offsets * axes[:, None, 3:6]
        off = (along[..., 0] + along[..., 1]) + (along[..., 2] - off_plane[:, None])
        most = rules.trim * rules.trim * axes[:, 0] * axes[:, 0] + 1e-12 * limit
        most[here.sum(axis=1) < rules.trim_least] = np.inf
        kept = here * (off * off <= most[:, None])
        fewer = np.flatnonzero(kept.sum(axis=1) < here.sum(axis=1))
        axes[fewer], off_plane[fewer] = _axes(kept[fewer], offsets[fewer] * kept[fewer][..., None])
        kth[some] = np.sqrt(limit)
        table[some, 0] = total / (rows - 1)
        table[some, 1:7] = axes
        table[some, 7] = np.abs(off_plane)


def _rounded(offsets: Floats, farthest: Floats, step_bits: int) -> Floats:
    """Round offsets to whole steps of a power of two."""
    # frexp's power is the one above; a distance of 0 leaves nothing to round.
    step = np.ldexp(1.0, np.frexp(farthest)[1] - step_bits)[:, None, None]
    rounded: Floats = np.rint(offsets / step) * step
    return rounded


def _axes(here: Floats, offsets: Floats) -> tuple[Floats, Floats]:
    """Return three deviations and the normal, shape (n, 6), and how far the means lie along the normals."""
    m = len(here)
    sums = np.zeros((10, -(-m // WIDTH) * WIDTH))
    sums[0, :m] = here.sum(axis=1)
    dx, dy, dz = offsets.transpose(2, 0, 1)
    for row, product in enumerate((dx, dy, dz, dx * dx, dy * dy, dz * dz, dx * dy, dx * dz, dy * dz), 1):
        sums[row, :m] = product.sum(axis=1)
    made = np.empty((9, sums.shape[1]))
    axes = np.zeros(SIZE)
    for first in range(0, m, WIDTH):
        axes_of_lanes(sums[:, first : first + WIDTH].ravel(), axes)
        for row, at in enumerate((DEVIATIONS, NORMAL, OFFSETS)):
            made[3 * row : 3 * row + 3, first : first + WIDTH] = axes[at : at + 24].reshape(3, WIDTH)
    made = made[:, :m]
    off_plane: Floats = made[3] * made[6] + made[4] * made[7] + made[5] * made[8]
    return made[:6].T.copy(), off_plane

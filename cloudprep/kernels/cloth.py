"""A cloth that falls onto a raster of heights: the simulation behind the cloth filter.

References
----------
W. Zhang, J. Qi, P. Wan, H. Wang, D. Xie, X. Wang, G. Yan, "An easy-to-use airborne LiDAR data filtering
method based on cloth simulation", Remote Sensing 8(6), 501, 2016.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ground = NDArray[np.float32]
    States = NDArray[np.uint8]

ABSENT, MOVABLE, RESTING = 0, 1, 2
"""States of a particle: none there, in the air, or on what the cloth fell on (for good)."""

# The cloth is at rest when no particle moves by more than this share of what gravity adds in a step, so many
# steps in a row: in one alone a cloth that swings may just turn.
_STILL = 0.02
_STILL_STEPS = 10


class Cloth(NamedTuple):
    """A cloth, one particle a cell.

    Every array has a rim of absent particles around it: shape (rows + 2, columns + 2).

    Attributes
    ----------
    height : ndarray of float64
        Heights, m; 0 where there is no particle.
    before : ndarray of float64
        Heights one step ago, m.
    below : ndarray of float32
        Height, m, at which each particle comes to rest (the paper's intersection height).
    state : ndarray of uint8
        ``ABSENT``, ``MOVABLE`` or ``RESTING``.
    neighbours : ndarray of uint8
        Number of each particle's neighbours, 0 to 4.
    """

    height: Floats
    before: Floats
    below: Ground
    state: States
    neighbours: NDArray[np.uint8]


def hung(below: NDArray[np.float32]) -> Cloth:
    """Hang a level cloth at the height of the highest point below it, at rest.

    Parameters
    ----------
    below : ndarray of float32, shape (rows, columns)
        Heights, m, at which the particles come to rest; NaN where the cloth has a hole. At least one isn't.

    Returns
    -------
    Cloth
        No particle rests yet, not even on the highest point.
    """
    have = np.pad(~np.isnan(below), 1)
    neighbours = np.zeros(have.shape, np.uint8)
    for beside in (have[:-2, 1:-1], have[2:, 1:-1], have[1:-1, :-2], have[1:-1, 2:]):
        neighbours[1:-1, 1:-1] += beside
    height = np.where(have, np.float64(np.nanmax(below)), 0.0)
    ground = np.where(have, np.pad(below, 1), np.float32(0))
    return Cloth(height, height.copy(), ground, np.where(have, MOVABLE, ABSENT).astype(np.uint8), neighbours)


@njit(nogil=True, cache=True, error_model="numpy")
def fall(height: Floats, before: Floats, below: Ground, state: States, pull: float) -> None:
    """Let movable particles fall for one step, and rest where they reach what is below, in place.

    Verlet's rule: a particle goes on by what it moved in the step before, and by ``pull`` down (gravity times
    the square of the time step).
    """
    rows, columns = height.shape
    for r in range(1, rows - 1):
        for c in range(1, columns - 1):
            if state[r, c] == MOVABLE:
                here = height[r, c]
                fallen = 2.0 * here - before[r, c] - pull
                before[r, c] = here
                if fallen <= below[r, c]:
                    fallen = below[r, c]
                    state[r, c] = RESTING
                height[r, c] = fallen


@njit(nogil=True, cache=True, error_model="numpy")
def draw_together(height: Floats, state: States, neighbours: NDArray[np.uint8], drawn: Floats) -> None:
    """Move every movable particle half of the way to the mean height of its neighbours, into ``drawn``.

    All particles are moved at once, from the heights that they had: no order of them counts.
    """
    rows, columns = height.shape
    for r in range(1, rows - 1):
        for c in range(1, columns - 1):
            here = height[r, c]
            if state[r, c] == MOVABLE and neighbours[r, c] > 0:
                # In pairs, so that a mirrored cloth moves alike to the bit.
                around = (height[r, c - 1] + height[r, c + 1]) + (height[r - 1, c] + height[r + 1, c])
                drawn[r, c] = here + 0.5 * (around / neighbours[r, c] - here)
            else:
                drawn[r, c] = here


@njit(nogil=True, cache=True, error_model="numpy")
def largest_move(height: Floats, before: Floats, state: States) -> float:
    """Return the farthest that a movable particle came in one step, m."""
    largest = 0.0
    rows, columns = height.shape
    for r in range(1, rows - 1):
        for c in range(1, columns - 1):
            if state[r, c] == MOVABLE:
                largest = max(largest, abs(height[r, c] - before[r, c]))
    return largest


@njit(nogil=True, cache=True, error_model="numpy")
def set_down(height: Floats, below: Ground, state: States, step: float) -> None:
    """Lay movable particles down beside resting ones, and beside those, in place.

    It happens where what lies below the two differs by less than ``step`` (m).
    """
    columns = height.shape[1]
    tops, lies, states = height.ravel(), below.ravel(), state.ravel()
    waiting = np.empty(len(tops), np.int64)
    count = 0
    for k in range(len(tops)):
        if states[k] == RESTING:
            waiting[count] = k
            count += 1
    while count:
        count -= 1
        k = waiting[count]
        for n in (k - columns, k - 1, k + 1, k + columns):
            if states[n] == MOVABLE and abs(lies[n] - lies[k]) < step:
                states[n] = RESTING
                tops[n] = lies[n]
                waiting[count] = n
                count += 1


def draped(
    below: NDArray[np.float32], *, rigidness: int, pull: float, steps: int, slope_step: float | None
) -> NDArray[np.float32]:
    """Return a cloth that fell onto a raster of heights.

    Each step all particles in the air fall; those that reach what is below them rest there for good; then
    neighbours draw the others to them, half of what is left ``rigidness`` times: 1/2, 3/4 or 7/8 of the
    difference where the neighbours rest.

    Parameters
    ----------
    below : ndarray of float32, shape (rows, columns)
        Heights, m, at which the particles come to rest; NaN where the cloth has a hole. At least one isn't.
    rigidness : int
        How often neighbours draw a particle in one step.
    pull : float
        Gravity times the square of the time step, m, > 0.
    steps : int
        Steps at most, after those that a free fall across all of ``below`` takes.
    slope_step : float, optional
        Afterwards, particles in the air are laid down beside resting ones, and beside those, where what is
        below the two differs by less than this, m. None leaves them in the air.

    Returns
    -------
    ndarray of float32, shape (rows, columns)
        Heights of the cloth, m, never lower than ``below``; NaN where the cloth has a hole.
    """
    cloth = hung(below)
    height, before, state = cloth.height, cloth.before, cloth.state
    drawn = height.copy()
    relief = float(np.nanmax(below)) - float(np.nanmin(below))
    # From rest, n steps of Verlet's rule fall pull * n (n + 1) / 2.
    quiet = 0
    for _ in range(steps + math.ceil(math.sqrt(2 * relief / pull))):
        fall(height, before, cloth.below, state, pull)
        for _ in range(rigidness):
            draw_together(height, state, cloth.neighbours, drawn)
            height, drawn = drawn, height
        quiet = quiet + 1 if largest_move(height, before, state) <= _STILL * pull else 0
        if quiet == _STILL_STEPS:
            break
    if slope_step is not None:
        set_down(height, cloth.below, state, slope_step)
    over = np.maximum(height, cloth.below)[1:-1, 1:-1].astype(np.float32)
    over[np.isnan(below)] = np.nan
    return over

"""Before a wall, ground lies no higher than what is behind it: things that stand there are no part of it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.strips import in_strips

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.kernels.ground_cells import LowestPoints
    from cloudprep.kernels.ground_limits import Limits

    Floats = NDArray[np.float64]
    Raster = NDArray[np.float32]


# Share of a cell that may be lost in rounding.
_ROUNDING = 1e-6


class Behind(NamedTuple):
    """Where the points behind, further uphill, tell how high ground may lie.

    Parameters
    ----------
    steep : float
        Where ground may lie so far above the surface, m, and no fine cell that touches it is of a cliff.
    nearest, farthest, aside : float
        Behind is what lies so far uphill, in cells, and at most so far to either side. A quarter is where the
        fine cell ends.
    margin : float
        Height over the lowest point behind, m, that still is ground.
    """

    steep: float = 0.45
    nearest: float = 0.25
    farthest: float = 1.0
    aside: float = 0.4
    margin: float = 0.35


@njit(nogil=True, cache=True, error_model="numpy")
def _uphill(raster: Raster, r: int, c: int) -> Any:
    """Return the direction in which a raster rises, columns and rows; nothing where it is level."""
    rows, columns = raster.shape
    left, right = max(c - 1, 0), min(c + 1, columns - 1)
    down, up = max(r - 1, 0), min(r + 1, rows - 1)
    across = (raster[r, right] - raster[r, left]) / max(right - left, 1)
    along = (raster[up, c] - raster[down, c]) / max(up - down, 1)
    steep = np.hypot(across, along)
    if steep == 0:
        return 0.0, 0.0
    return across / steep, along / steep


@njit(nogil=True, cache=True, error_model="numpy")
def _any_beside(flags: NDArray[np.bool_], r: int, c: int) -> bool:
    """Tell whether a cell, or one that touches it, is flagged."""
    for r2 in range(max(0, r - 1), min(flags.shape[0], r + 2)):
        for c2 in range(max(0, c - 1), min(flags.shape[1], c + 2)):
            if flags[r2, c2]:
                return True
    return False


@njit(nogil=True, cache=True, error_model="numpy", inline="always")
def _span(ahead: float, aside: float, near: float, far: float, fine: float) -> Any:
    """Return the first and the last cell, from a cell's own, that what is behind its centre touches.

    ``ahead`` is the part of the way uphill along the axis.
    """
    first, last = min(ahead * near, ahead * far) - aside, max(ahead * near, ahead * far) + aside
    return int(np.floor(0.5 + first / fine - _ROUNDING)), int(np.floor(0.5 + last / fine + _ROUNDING))


@njit(nogil=True, cache=True, error_model="numpy")
def _lower(
    points: tuple[Floats, Floats, Floats],
    surface: tuple[Raster, Raster],
    cliffs: NDArray[np.bool_],
    first: tuple[int, int],
    fine: float,
    rules: Behind,
    begin: int,
    end: int,
    high: Raster,
) -> None:
    """Lower some rows' limits to the lowest points behind."""
    x, y, z = points
    low, centre = surface
    rows, columns = centre.shape
    near, far, aside = 2 * fine * rules.nearest, 2 * fine * rules.farthest, 2 * fine * rules.aside
    for r in range(begin, end):
        for c in range(columns):
            if high[r, c] - centre[r, c] < rules.steep or _any_beside(cliffs, r, c):
                continue
            across, along = _uphill(centre, r, c)
            middle_x, middle_y = (first[0] + c + 0.5) * fine, (first[1] + r + 0.5) * fine
            least = high[r, c] - rules.margin
            # Only cells that what is behind touches are looked at.
            left, right = _span(across, abs(along) * aside, near, far, fine)
            down, up = _span(along, abs(across) * aside, near, far, fine)
            for r2 in range(max(0, r + down), min(rows, r + up + 1)):
                for c2 in range(max(0, c + left), min(columns, c + right + 1)):
                    # Comparisons with NaN are false.
                    if low[r2, c2] <= z[r2, c2] < least:
                        u, v = x[r2, c2] - middle_x, y[r2, c2] - middle_y
                        if near <= u * across + v * along <= far and abs(v * across - u * along) <= aside:
                            least = z[r2, c2]
            high[r, c] = min(high[r, c], least + rules.margin)


def lower_before_ground(
    limits: Limits,
    cells: LowestPoints,
    cliffs: NDArray[np.bool_],
    *,
    fine: float,
    rules: Behind | None = None,
    threads: int = 1,
) -> None:
    """Let ground lie no higher than the lowest point behind it, where the surface is steep.

    The surface rounds a wall off, and a tolerance that goes by its slope reaches well above the ground before
    the wall. A shrub or the front of a house that stands there has lower ground between itself and the wall;
    the face of the wall has none behind it, and a slope rises there.

    Parameters
    ----------
    limits : Limits
        Of the surfaces; ``high`` is lowered in place.
    cells : LowestPoints
        Lowest points of the same fine cells, m; heights from the level of the limits.
    cliffs : ndarray of bool, shape (rows, columns)
        Fine cells of cliffs: there, and beside them, nothing is lowered. Their faces are rough, and points
        below an overhang would take its edge for a shrub.
    fine : float
        Side of these cells, m; the surface's are twice as wide.
    rules : Behind, optional
        The rules.
    threads : int
        Threads to use; the result doesn't depend on them.
    """
    given = (
        (cells.x, cells.y, cells.z),
        (limits.low, limits.centre),
        cliffs,
        (limits.column, limits.row),
        fine,
        rules or Behind(),
    )
    shape = cliffs.shape[0], cliffs.shape[1]
    # A cell's limit is read for that cell alone, so that strips don't get in each other's way.
    in_strips(lambda part: _lower(*given, part.start, part.stop, limits.high), shape, threads)

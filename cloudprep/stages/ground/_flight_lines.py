"""Flight lines that lie too high or too low, as a cue: their ground is judged at its own height."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.bilinear import bilinear
from cloudprep.kernels.ground_lines import (
    LineOffsets,
    LineSamples,
    joined_lines,
    joined_samples,
    line_offsets,
    line_samples,
    lines_of_lowest,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.kernels.ground_cells import LowestPoints
    from cloudprep.kernels.ground_limits import Limits
    from cloudprep.stages.base import Points

    Floats = NDArray[np.float64]

LINE_COLUMN = "point_source_id"
"""The column that tells flight lines apart."""

# So many lines are named in a warning.
_NAMED = 3


class LineShare(NamedTuple):
    """What is known of flight lines: whose the lowest points are, and points to compare lines by.

    Parameters
    ----------
    lowest : ndarray of uint16, shape (rows, columns)
        Line of each cell's lowest point.
    samples : LineSamples
        One point a line and cell of comparison.
    """

    lowest: NDArray[np.uint16]
    samples: LineSamples


class Share(NamedTuple):
    """Lowest points of cells, and what is known of flight lines where the column is there."""

    cells: LowestPoints
    lines: LineShare | None = None


def line_share(
    cells: LowestPoints, points: Points, used: NDArray[np.bool_], zero: tuple[float, float], fine: float
) -> LineShare:
    """Gather what flight lines are compared by.

    Parameters
    ----------
    cells : LowestPoints
        Of the same points, in fine cells.
    points : Points
        n points.
    used : ndarray of bool, shape (n,)
        Which of them count.
    zero : tuple of float
        The local zero as seen from the lattice edge before it, m.
    fine : float
        Side of the fine cells, m; lines are compared on cells twice as wide.
    """
    x, y = points["x"][used] + zero[0], points["y"][used] + zero[1]
    z, line = points["z"][used], points[LINE_COLUMN][used]
    lowest = lines_of_lowest(cells, x, y, z, line, fine)
    return LineShare(lowest, line_samples(x, y, z, line, 2 * fine))


def joined_shares(whole: LowestPoints, parts: Sequence[Share], fine: float) -> Share:
    """Join what all blocks know of flight lines, given the lowest points of the whole site."""
    known = [(part.cells, part.lines) for part in parts if part.lines is not None and part.cells.z.size]
    if not known:
        return Share(whole)
    seen = [share.samples.line for _, share in known if len(share.samples.line)]
    if not seen or all((line == seen[0][0]).all() for line in seen):
        return Share(whole)  # one line has nothing to be compared with
    cells, lines = zip(*known, strict=True)
    lowest = joined_lines(whole, cells, [share.lowest for share in lines])
    return Share(whole, LineShare(lowest, joined_samples([share.samples for share in lines], 2 * fine)))


@dataclass(frozen=True)
class FlightLines:
    """How high flight lines lie: ``offsets`` (m) of ``lines``, ascending; without any, all lie at 0."""

    lines: NDArray[np.uint16] = field(default_factory=lambda: np.zeros(0, np.uint16))
    offsets: Floats = field(default_factory=lambda: np.zeros(0))
    figures: Mapping[str, float | int] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()

    @property
    def told(self) -> bool:
        """Whether some line is clearly off."""
        return len(self.lines) > 0

    def of(self, line: NDArray[np.uint16]) -> Floats:
        """Return how high lines lie, m."""
        place = np.minimum(np.searchsorted(self.lines, line), len(self.lines) - 1)
        return np.where(self.lines[place] == line, self.offsets[place], 0.0)

    def levelled(self, points: Points) -> Floats:
        """Return the heights of points with the offset of their line taken off, m."""
        return points["z"] - self.of(points[LINE_COLUMN]) if self.told else points["z"]

    def lowered(self, cells: LowestPoints, lowest: NDArray[np.uint16]) -> LowestPoints:
        """Return lowest points with the offset of the line they are of taken off."""
        return cells._replace(z=cells.z - self.of(lowest))


def compared_lines(share: LineShare | None, limits: Limits, level: float, fine: float) -> FlightLines:
    """Compare flight lines over a first surface.

    Where a line is clearly off, every line that hangs together with it by overlaps gets its offset; where
    none is, nothing is said.

    Parameters
    ----------
    share : LineShare or None
        Of the whole site.
    limits : Limits
        Their centre is the surface.
    level : float
        Height that the surface is counted from, m.
    fine : float
        Side of the fine cells, m.
    """
    if share is None or len(share.samples.line) == 0:
        return FlightLines()
    samples = share.samples
    if (samples.line == samples.line[0]).all():
        return FlightLines()
    across, up = samples.x / fine - limits.column, samples.y / fine - limits.row
    over = samples.z - level - bilinear(limits.centre, across, up)
    found = line_offsets(samples, over, 2 * fine)
    compared = found.error > 0
    if not compared.any():
        return FlightLines()
    figures = {"ground.lines_worst_offset": round(float(np.abs(found.offset).max()), 3)}
    if not found.clear.any():
        return FlightLines(figures=figures)
    used = np.isin(found.group, found.group[found.clear])
    return FlightLines(found.line[used], found.offset[used], figures, (_warning(found),))


def _warning(found: LineOffsets) -> str:
    """Say in words which lines are off, the worst first."""
    off = np.flatnonzero(found.clear)
    off = off[np.argsort(-np.abs(found.offset[off]), kind="stable")]

    def height(k: int) -> str:
        return f"{abs(found.offset[k]):.2f} m {'above' if found.offset[k] > 0 else 'below'}"

    if len(off) == 1:
        fellows = found.line[(found.group == found.group[off[0]]) & (found.line != found.line[off[0]])]
        others = f"flight line {fellows[0]}" if len(fellows) == 1 else "the others"
        lie = f"flight line {found.line[off[0]]} lies {height(off[0])} {others}: its"
        own = "its own height"
    else:
        named = ", ".join(f"{found.line[k]} ({height(k)})" for k in off[:_NAMED])
        more = f" and {len(off) - _NAMED} more" if len(off) > _NAMED else ""
        lie = f"flight lines {named}{more} lie off the others: their"
        own = "the height of each line"
    return f"{lie} ground is judged at {own}; look at the alignment before use"

"""Which points other flight lines contradict, and what they are: the rules of ``contradicted_points``."""

from __future__ import annotations

from enum import IntEnum
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.columns_near import near_and_no_lower
from cloudprep.kernels.columns_sorted import sorted_columns
from cloudprep.kernels.local_contradiction import company, in_order, seen_past
from cloudprep.stages.noise._local_shapes import has_shapes, local_shapes
from cloudprep.stages.noise._usable import usable

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.model.points import Points
    from cloudprep.stages.base import Context

    Flags = NDArray[np.bool_]
    Codes = NDArray[np.uint8]

# Points of other lines around a contradicted one, at least, and in how many quadrants.
_LEAST = 8
_SIDES = 4
# So many in three quadrants make a point doubtful: it goes with the cloud around it, and speaks for nothing.
_DOUBTFUL_LEAST = 4
_DOUBTFUL_SIDES = 3
# Codes of points: contradicted, and where the point is low enough for a cloud, or lies smoothly; doubtful.
CONTRADICTED, LOW, SMOOTH, DOUBTFUL = 1, 2, 4, 8
_SMOOTH_SPACINGS = 0.15
_SMOOTH_LEAST = 0.06
# Other points of the own line that stand around, for each contradicted one.
_STANDING = 0.2
_STRAYS = 2
_CLOUD_POINTS = 5
_CLOUD_WIDE = 1.5
_CLOUD_HIGH = 1.0
_CLOUD_SMOOTH = 0.3


class Kind(IntEnum):
    """What a point that other lines contradict is."""

    NOTHING = 0
    STRAY = 1
    CLOUD = 2
    MOVED = 3


class Lengths(NamedTuple):
    """Mean point spacing and the stage's parameters, m."""

    spacing: float
    clear: float
    radius: float
    company: float
    highest: float


def contradicted(points: Points, context: Context, lengths: Lengths) -> tuple[Codes, Flags]:
    """Return a code for each point, 0 where no line contradicts it, and which points another line covers.

    Parameters
    ----------
    points : Points
        The block and its buffer.
    context : Context
        What surrounds them.
    lengths : Lengths
        How far to look.
    """
    code = np.zeros(len(points), np.uint8)
    covered = np.zeros(len(points), np.bool_)
    rows = np.flatnonzero(usable(points))
    if "point_source_id" not in points or len(rows) == 0:
        return code, covered
    line = points["point_source_id"][rows]
    if line.min() == line.max():
        return code, covered
    every = len(rows) == len(points)
    x, y = (points[axis] if every else points[axis][rows] for axis in "xy")
    columns = sorted_columns(x, y, lengths.radius)
    rows = columns.order if every else rows[columns.order]
    x, y, z, line = in_order(points["x"], points["y"], points["z"], points["point_source_id"], rows)
    below, quadrants, gap = seen_past(columns, x, y, z, line, clear=lengths.clear, threads=context.threads)
    covered[rows] = (below < 0) | (below >= _LEAST)
    some = np.flatnonzero(below >= _DOUBTFUL_LEAST)
    rows, below, quadrants, gap = rows[some], below[some], quadrants[some], gap[some]
    found = (below >= _LEAST) & (quadrants == _SIDES)
    doubtful = ~found & (quadrants >= _DOUBTFUL_SIDES)
    code[rows[found]] = CONTRADICTED
    code[rows[doubtful]] = DOUBTFUL
    code[rows[(found | doubtful) & (gap <= lengths.highest)]] |= LOW
    if found.any():
        shapes = points if has_shapes(points) else points.replaced(local_shapes(points, context))
        limit = max(_SMOOTH_SPACINGS * lengths.spacing, _SMOOTH_LEAST)
        sure = rows[found]
        code[sure[shapes["roughness"][sure] <= limit]] |= SMOOTH
    return code, covered


def kinds_of(points: Points, code: Codes, context: Context, lengths: Lengths) -> Codes:
    """Return what each point is, a :class:`Kind`, from the codes of the block and its buffer."""
    kind = np.zeros(len(points), np.uint8)
    used = usable(points)
    asked = np.flatnonzero(context.core & used & (code > 0))
    if len(asked) == 0:
        return kind
    # What lies clearly lower than all that is asked for around it doesn't count, unless it is contradicted.
    x, y, z = (points[axis] for axis in "xyz")
    near = near_and_no_lower(x, y, z, x[asked], y[asked], z[asked], lengths.company, lengths.clear)
    rows = np.flatnonzero(used & (near | (code > 0)))
    x, y, z = (points[axis][rows] for axis in "xyz")
    columns = sorted_columns(x, y, lengths.company)
    order = columns.order
    rows = rows[order]
    codes = code[rows]
    sure = (codes & CONTRADICTED) > 0
    asked = np.flatnonzero((codes > 0) & context.core[rows])
    around = company(
        columns, x[order], y[order], z[order], points["point_source_id"][rows],
        sure, (codes & DOUBTFUL) > 0, (codes & SMOOTH) > 0, asked,
        clear=lengths.clear, threads=context.threads,
    )  # fmt: skip
    clean = (around.others == 0) & (around.standing <= _STANDING * around.fellows)
    stray = around.fellows <= _STRAYS
    cloud = (
        (around.fellows >= _CLOUD_POINTS)
        & (around.width >= _CLOUD_WIDE)
        & (around.height >= _CLOUD_HIGH)
        & (around.smooth <= _CLOUD_SMOOTH * around.fellows)
    )
    nothing = ~clean | (cloud & ((codes[asked] & LOW) == 0)) | (~sure[asked] & ~cloud)
    found = np.select([nothing, stray, cloud], [Kind.NOTHING, Kind.STRAY, Kind.CLOUD], Kind.MOVED)
    kind[rows[asked]] = found
    return kind

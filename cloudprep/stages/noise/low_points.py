"""Echoes from below the ground: multipath, single and in groups."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, ClassVar, NamedTuple

import numpy as np
import scipy  # its parts are loaded when they are first used

from cloudprep.errors import UsageError
from cloudprep.kernels.cell_summary import lowest_of_used, round_cell, span
from cloudprep.kernels.columns_near import near_any
from cloudprep.kernels.low_groups import LowGroups, find_low_groups
from cloudprep.model.classes import ClassCode
from cloudprep.model.figures import Figure
from cloudprep.model.grid import Window
from cloudprep.stages.base import (
    Context,
    Delta,
    Points,
    Scope,
    Solution,
    Stage,
    StageParams,
    Summary,
    parameter,
)
from cloudprep.stages.noise._local_shapes import SHAPE_COLUMNS, has_shapes
from cloudprep.stages.noise._usable import LABELS, relabelled, usable

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.model.moves import ClassMoves
    from cloudprep.model.site import SiteFacts

    Flags = NDArray[np.bool_]
    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

# Raster cells that the stage takes on: about 5 GB of working memory.
_MOST_CELLS = 100_000_000
_SMALLEST_DERIVED_CELL = 1.0
# Few cells without a point: a narrow ditch must not fall to pieces.
_CELL_PER_SPACING = 1.25
_BESIDE_SPACINGS = 2.0
# Of so large a share of a group's points something higher must be seen right beside.
_SEEN = 0.75
# A floor has so many points on a surface, and this share of all; on a surface the roughness is no more of the
# neighbours' mean distance, and they spread so many times as far.
_FLOOR_LEAST = 60
_FLOOR_SHARE = 0.5
_FLOOR_ROUGH = 0.2
_FLOOR_FLAT = 3.0


class LowPointsParams(StageParams):
    """Parameters of :class:`LowPoints`."""

    drop: float = parameter(
        0.4,
        unit="m",
        gt=0,
        le=100,
        meaning="how far below the lowest surface around them points must lie",
        source="measured on made-up scenes",
    )
    largest_group: float = parameter(
        6.0,
        unit="m",
        gt=0,
        le=50,
        meaning="largest extent of a group along x or y; what is larger is a surface of its own",
        source="common practice, no source",
    )
    cell: float | None = parameter(
        None,
        unit="m",
        gt=0,
        meaning="side of the cells whose lowest points are compared",
        derived="1.25 times the point spacing, rounded up to a size that divides a kilometre; at least 1 m",
    )
    beside: float | None = parameter(
        None,
        unit="m",
        gt=0,
        le=50,
        meaning="how near, in plan, something higher must be seen: a real pit is open to the sky",
        derived="twice the point spacing",
    )
    withheld: bool = parameter(False, meaning="set the withheld flag of low points too")


class LowestPoints(NamedTuple):
    """The lowest point of each cell of a rectangle of the lattice; NaN where a cell is empty."""

    column: int
    row: int
    x: Floats
    y: Floats
    z: Floats


class _Found(NamedTuple):
    """The groups of the site, and where the raster of their cells lies."""

    window: Window
    groups: LowGroups


class LowPoints(Stage):
    """Low noise: small groups of points that hang below the surface all around them.

    Multipath echoes lie under the ground, singly or some dozens within a few metres, and would pull a ground
    filter down with them. The lowest points of the cells of one lattice are compared with the prevailing
    surface, joined into groups, and a group becomes low noise (class 7) if

    - it extends no more than ``largest_group`` (m) along x and y;
    - in at least five of eight directions something is there within eight cells of its rim, and in every such
      direction it is higher: even the third lowest cell there lies more than ``drop`` (m) above the group;
    - a fifth of the cells around agree on that surface, within ``drop``;
    - it isn't level with others: where ground is seen through gaps, between roofs or trees, five other groups
      of low cells within 40 m, and 0.4 of all there, lie within 0.5 m of its height; echoes come from any
      depth;
    - no level ground (slope up to 0.15) within 20 m would pass below it if it went on: what lies in a shaft
      between two floors is above the lower one. A twentieth of the cells there is enough, and 0.05 m lower
      for each metre away;
    - within ``beside`` (m) in plan of three quarters of its points something higher is seen;
    - it is no floor, where ``local_shape`` ran before: fewer than 60 of its points, or than half, lie on a
      surface (roughness up to 0.2 of the neighbours' mean distance, extent at least three times as large).

    So ditches and gullies stay (they go on in some direction), pits do (nothing hangs over their floor), and
    so do the few ground points under a forest (there are others as low around them). What stays unfound: a
    group at a corner of the data, one under a canopy through which hardly any ground is seen, and one beside
    a cliff (within some twelve cells) that lies higher than the cliff's foot.

    Points that are noise already (7, 18) or withheld are not used. Where the lattice lies matters little: the
    cells only pick the points that are compared, by their true positions.
    """

    name = "low_points"
    reports = (Figure("low_points.points", "", "points that became low noise"),)
    kind = "noise"
    Params = LowPointsParams
    params: LowPointsParams
    scope = Scope.CLOUD
    uses = (*LABELS, *SHAPE_COLUMNS)
    provides = LABELS
    summarises = True
    references = (
        # Errors below the ground and why they must go first.
        (
            "G. Sithole, G. Vosselman, Experimental comparison of filter algorithms for bare-Earth "
            "extraction from airborne laser scanning point clouds, ISPRS Journal of Photogrammetry and "
            "Remote Sensing 59 (2004)"
        ),
    )
    bytes_per_point: ClassVar[int] = 90

    def derive(self, site: SiteFacts) -> tuple[Mapping[str, Any], Mapping[str, str]]:
        """Return cell size and search distance for the site's point spacing."""
        values: dict[str, Any] = {}
        reasons: dict[str, str] = {}
        if self.params.cell is None:
            values["cell"] = round_cell(max(_SMALLEST_DERIVED_CELL, _CELL_PER_SPACING * site.spacing))
            reasons["cell"] = (
                f"{_CELL_PER_SPACING} times the point spacing of {site.spacing:.2f} m, rounded up, at least "
                f"{_SMALLEST_DERIVED_CELL:g} m"
            )
        if self.params.beside is None:
            values["beside"] = _BESIDE_SPACINGS * site.spacing
            reasons["beside"] = f"twice the point spacing of {site.spacing:.2f} m"
        return values, reasons

    @property
    def _cell(self) -> float:
        assert self.params.cell is not None  # noqa: S101 - a resolved stage
        return self.params.cell

    @property
    def _beside(self) -> float:
        assert self.params.beside is not None  # noqa: S101 - a resolved stage
        return self.params.beside

    @property
    def _margin(self) -> int:
        """How many cells from a group something beside its points may lie."""
        return math.ceil(self._beside / self._cell)

    def reach(self) -> float:
        """Return how far from a point the others of its group can lie, and what is seen beside them."""
        return self.params.largest_group + 3 * self._cell + self._beside

    def summarise(self, points: Points, context: Context) -> Summary:
        """Return the lowest point of each cell of the lattice, from the block's usable points."""
        used = usable(points) & context.core
        if not used.any():
            nothing = np.empty((0, 0))
            return Summary(LowestPoints(0, 0, nothing, nothing, nothing))
        x, y, z = (points[a] for a in "xyz")
        lattice = context.site.lattice(self._cell)
        left, right, lower, upper = span(x, y, used)
        c0, c1 = lattice.column_of(np.array([left, right])).tolist()
        r0, r1 = lattice.row_of(np.array([lower, upper])).tolist()
        shape = r1 - r0 + 1, c1 - c0 + 1
        self._check_size(shape)
        phase = lattice.phase
        first = math.floor((left + phase[0]) / self._cell), math.floor((lower + phase[1]) / self._cell)
        lowest = lowest_of_used(
            x, y, z, used, phase=phase, side=self._cell, first=first, shape=shape, shift=(0.0, 0.0)
        )
        return Summary(LowestPoints(c0, r0, *lowest))

    def _check_size(self, shape: tuple[int, int]) -> None:
        if shape[0] * shape[1] > _MOST_CELLS:
            width, height = shape[1] * self._cell / 1000, shape[0] * self._cell / 1000
            raise UsageError(
                f"stage {self.name}: the site spans {width:.1f} x {height:.1f} km, that is "
                f"{shape[0] * shape[1] / 1e6:.0f} million cells of {self._cell:g} m (at most "
                f"{_MOST_CELLS / 1e6:.0f} million): choose a larger 'cell', or run the flights in parts"
            )

    def merge(self, parts: Sequence[LowestPoints]) -> LowestPoints:
        """Keep the lowest point of each cell over all blocks; ties by x, then y."""
        filled = [p for p in parts if p.z.size]
        if not filled:
            nothing = np.empty((0, 0))
            return LowestPoints(0, 0, nothing, nothing, nothing)
        if len(filled) == 1:
            return filled[0]
        column, row = min(p.column for p in filled), min(p.row for p in filled)
        shape = (
            max(p.row + p.z.shape[0] for p in filled) - row,
            max(p.column + p.z.shape[1] for p in filled) - column,
        )
        self._check_size(shape)
        joined = LowestPoints(column, row, *(np.full(shape, np.nan) for _ in range(3)))
        for part in filled:
            r, c = part.row - row, part.column - column
            at = slice(r, r + part.z.shape[0]), slice(c, c + part.z.shape[1])
            x, y, z = joined.x[at], joined.y[at], joined.z[at]
            level = (part.z == z) & ((part.x < x) | ((part.x == x) & (part.y < y)))
            lower = (part.z < z) | (np.isnan(z) & ~np.isnan(part.z)) | level
            for target, values in ((x, part.x), (y, part.y), (z, part.z)):
                target[lower] = values[lower]
        return joined

    def solve(self, merged: LowestPoints, site: SiteFacts) -> Solution:
        """Find the groups of low cells."""
        rows, columns = merged.z.shape
        window = Window(site.lattice(self._cell), merged.column, merged.row, columns, rows)
        groups = find_low_groups(
            merged.x - window.left,
            merged.y - window.bottom,
            merged.z,
            cell=self._cell,
            drop=self.params.drop,
            largest=self.params.largest_group,
            threads=self.threads,
        )
        return Solution(_Found(window, groups))

    def run(self, points: Points, context: Context, solution: Solution | None = None) -> Delta:
        """Label the points of the groups over which something higher is seen."""
        del context
        low = np.zeros(len(points), np.bool_)
        found: _Found | None = solution.value if solution is not None else None
        if found is not None and len(found.groups.row):
            window, groups = found
            near = near_any(
                points["x"],
                points["y"],
                np.asarray(window.left + (groups.column + 0.5) * self._cell, np.float64),
                np.asarray(window.bottom + (groups.row + 0.5) * self._cell, np.float64),
                (self._margin + 1) * self._cell,
            )
            rows = np.flatnonzero(usable(points) & near)
            x, y, z = (points[a][rows] for a in "xyz")
            low[rows] = self._low(x, y, z, _smooth(points, rows), found)
        nothing = np.zeros(len(points), np.bool_)
        return Delta(relabelled(points, low, nothing, withheld=self.params.withheld))

    def _low(self, x: Floats, y: Floats, z: Floats, smooth: Flags, found: _Found) -> Flags:
        """Return which points belong to a group and have something higher beside them often enough."""
        window, groups = found.window, found.groups
        column, row = window.lattice.column_of(x) - window.column, window.lattice.row_of(y) - window.row
        which = _nearest_cells(groups, window.shape, self._margin)[row, column]
        near = np.flatnonzero(which >= 0)
        x, y, z, k = x[near], y[near], z[near], which[near]
        east = x - (window.left + (groups.column[k] + 0.5) * self._cell)
        north = y - (window.bottom + (groups.row[k] + 0.5) * self._cell)
        above = z - (groups.limit[k, 0] + groups.limit[k, 1] * east + groups.limit[k, 2] * north)
        own = (column[near] == groups.column[k]) & (row[near] == groups.row[k])
        member = own & (above < 0)
        seen = self._beside_others(x, y, member)
        group = groups.group[k[member]]
        count = np.bincount(group)
        covered = np.bincount(group, seen, len(count)) >= _SEEN * count
        # A floor that is densely seen is one, whatever leans over it.
        even = np.bincount(group, smooth[near[member]], len(count))
        covered &= (even < _FLOOR_SHARE * count) | (even < _FLOOR_LEAST)
        low = np.zeros(len(row), np.bool_)
        low[near[member]] = covered[group]
        return low

    def _beside_others(self, x: Floats, y: Floats, member: Flags) -> Flags:
        """Tell of each member which has a point that is none beside it."""
        if member.all() or not member.any():
            return np.zeros(int(member.sum()), np.bool_)
        tree = scipy.spatial.cKDTree(np.column_stack([x[~member], y[~member]]))
        distance, _ = tree.query(np.column_stack([x[member], y[member]]))
        return np.asarray(distance <= self._beside)

    def figures(self, moves: ClassMoves) -> dict[str, float | int]:
        """Return how many points became low noise."""
        return {"low_points.points": moves.gained((ClassCode.LOW_NOISE,))}


def _smooth(points: Points, rows: NDArray[np.int64]) -> Flags:
    """Return which of some points lie on a surface, by the shape of their neighbours; none without shapes."""
    if not has_shapes(points):
        return np.zeros(len(rows), np.bool_)
    rough, extent, apart = (points[n][rows] for n in ("roughness", "extent", "neighbour_distance"))
    smooth: Flags = (rough <= _FLOOR_ROUGH * apart) & (extent >= _FLOOR_FLAT * rough)
    return smooth


def _nearest_cells(groups: LowGroups, shape: tuple[int, int], margin: int) -> NDArray[np.int32]:
    """Return which of the groups' cells each cell of the raster is or lies near; -1 for none.

    Of several the first counts, and a cell of a group is always itself.
    """
    lookup = np.full(shape, -1, np.int32)
    index = np.arange(len(groups.row), dtype=np.int32)[::-1]
    offsets = range(-margin, margin + 1)
    far_first = sorted(((dr, dc) for dr in offsets for dc in offsets), key=lambda o: -max(map(abs, o)))
    for dr, dc in far_first:
        r, c = groups.row[::-1] + dr, groups.column[::-1] + dc
        inside = (r >= 0) & (c >= 0) & (r < shape[0]) & (c < shape[1])
        lookup[r[inside], c[inside]] = index[inside]
    return lookup

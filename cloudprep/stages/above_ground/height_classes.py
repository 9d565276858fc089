"""Classes by height above ground: three of vegetation, and buildings where they are asked for."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Self

import numpy as np
from pydantic import model_validator
from scipy import ndimage

from cloudprep.kernels.roof_cells import CellSums, cell_planes, cell_sums, index_of, joined_sums
from cloudprep.model.classes import ClassCode
from cloudprep.model.columns import COLUMNS
from cloudprep.model.figures import Figure
from cloudprep.stages.base import (
    ClassCodes,
    Delta,
    Scope,
    Solution,
    Stage,
    StageParams,
    Summary,
    parameter,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.model.moves import ClassMoves
    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.base import Context, Points

_HEIGHT = "height_above_ground"
_OPEN = (0, 1, 3, 4, 5)
# What lies farther above a roof than this doesn't belong to it (a crown that hangs over it does not).
_ON_ROOF = 1.0
# Points on the rim of a roof lie this close to its plane, in residuals, and at most this far, m.
_NEAR_PLANE = 3.0
_FEWEST = 6
_SINGLE_SHARE = 0.6


class HeightClassesParams(StageParams):
    """Parameters of :class:`HeightClasses`."""

    low_to: float = parameter(
        0.5,
        gt=0,
        unit="m",
        meaning="low vegetation (3) reaches up to this height above ground",
        source="common practice, no source: bands of 0.5 and 2 m are usual, projects define their own",
    )
    medium_to: float = parameter(
        2.0,
        gt=0,
        unit="m",
        meaning="medium vegetation (4) reaches up to this height; what is higher is high vegetation (5)",
        source="common practice, no source",
    )
    buildings: bool = parameter(
        default=False, meaning="look for roofs too: high points that lie on planes become class 6"
    )
    roof_height: float = parameter(
        2.0,
        gt=0,
        unit="m",
        meaning="buildings: roofs lie at least this high above ground",
        source="common practice, no source",
    )
    roof_area: float = parameter(
        16.0,
        gt=0,
        unit="m2",
        meaning="buildings: smallest area of a roof",
        source="common practice, no source: a small garage",
    )
    roof_roughness: float = parameter(
        0.12,
        gt=0,
        unit="m",
        meaning="buildings: standard deviation of points about a roof's planes, at most",
        source="chosen on scenes of this project",
    )
    cell: float | None = parameter(
        None,
        gt=0,
        unit="m",
        meaning="buildings: cells in which planes are looked for, three by three at a time",
        derived="1 m, or 2.5 point spacings where that is more",
    )
    keep_classes: ClassCodes = parameter(
        tuple(code for code in range(256) if code not in _OPEN),
        meaning="class codes whose points are left alone; all but 0, 1, 3, 4 and 5 unless told",
    )

    @model_validator(mode="after")
    def _check_order(self) -> Self:
        if self.medium_to <= self.low_to:
            raise ValueError(f"'medium_to' {self.medium_to:g} must be more than 'low_to' {self.low_to:g}")
        return self


@dataclass(frozen=True)
class _Roofs:
    """Where roofs are: a raster of cells, 0 none, 1 a roof's rim, 2 a roof, and the planes there."""

    row: int
    column: int
    kind: NDArray[np.uint8]
    index: NDArray[np.int32]
    plane: NDArray[np.float64]


class HeightClasses(Stage):
    """Give points above ground a class by their height: low, medium and high vegetation (3, 4, 5).

    It goes by ``height_above_ground`` alone, which a stage before it works out; points without one keep
    their class, and so do those of ``keep_classes`` (ground, water, noise and whatever else says more), and
    withheld points.

    With ``buildings``, points on roofs become class 6 instead. Points from ``roof_height`` up are gathered in
    cells; a plane is fitted to every three by three cells, and each cell takes the smoothest plane it lies
    in. Cells whose points lie close to the plane (``roof_roughness``), mostly as single returns, and that
    hang together over ``roof_area``, are roofs; small holes in them (chimneys, windows) belong to them.
    Beside a roof, points on its plane count too. What stands more than a metre over a roof doesn't.

    It is a simple rule for what is left when ground is known. Lorries, conveyors and containers larger than
    ``roof_area`` are roofs to it; glass, roofs under trees and roofs whose points are too few for planes are
    missed.

    Figures: ``classes.low_vegetation``, ``classes.medium_vegetation``, ``classes.high_vegetation``,
    ``classes.building`` (points that have the class after the stage) and, where roofs are looked for,
    ``roofs.count`` and ``roofs.area`` (m2).
    """

    name = "height_classes"
    reports = (
        Figure("roofs.count", "", "roofs"),
        Figure("roofs.area", "m2", "area of roofs"),
        Figure("classes.low_vegetation", "", "points of class 3"),
        Figure("classes.medium_vegetation", "", "points of class 4"),
        Figure("classes.high_vegetation", "", "points of class 5"),
        Figure("classes.building", "", "points of class 6"),
    )
    kind = "above_ground"
    Params = HeightClassesParams
    scope = Scope.CLOUD
    needs = ("x", "y", "z", "classification", _HEIGHT)
    uses = ("withheld", "number_of_returns")
    provides = ("classification",)
    summarises = True
    references = (
        "ASPRS LAS 1.4-R15, table 17",
        "Kuwahara et al. 1976, Processing of RI-angiocardiographic images",
    )
    bytes_per_point = 160

    params: HeightClassesParams

    def derive(self, site: SiteFacts) -> tuple[Mapping[str, Any], Mapping[str, str]]:
        """Return the cell."""
        if self.params.cell is not None:
            return {}, {}
        spacing = site.spacing if math.isfinite(site.spacing) else 1.0
        cell = max(1.0, math.ceil(25 * spacing) / 10)
        return {"cell": cell}, {
            "cell": f"point spacing {spacing:.2f} m: about six points in a cell, at least 1 m"
        }

    def summarise(self, points: Points, context: Context) -> Summary:
        """Return sums of the block's high points by cell; none unless roofs are looked for."""
        if not self.params.buildings:
            return Summary(joined_sums([]))
        column, row, x, y = self._cells(points, context.site)
        used = context.core & self._open(points) & (points[_HEIGHT] >= self.params.roof_height)
        z = points["z"] - context.site.lowest
        single = (
            points["number_of_returns"] <= 1 if "number_of_returns" in points else np.ones(len(points), bool)
        )
        only = np.asarray(single, bool)[used]
        return Summary(cell_sums(column[used], row[used], x[used], y[used], z[used], only))

    def merge(self, parts: Sequence[CellSums]) -> CellSums:
        """Add up the sums of all blocks."""
        return joined_sums(list(parts))

    def solve(self, merged: CellSums, site: SiteFacts) -> Solution:
        """Find the roofs."""
        del site
        if not self.params.buildings:
            return Solution()
        cell = self._cell()
        planes = cell_planes(merged, cell, _FEWEST)
        index, row, column = index_of(merged)
        smooth = (planes.residual <= self.params.roof_roughness) & (planes.single >= _SINGLE_SHARE)
        mask = np.zeros(index.shape, bool)
        there = index >= 0
        mask[there] = smooth[index[there]]
        mask = _without_small(
            ndimage.binary_opening(mask, np.ones((2, 2), bool)), self.params.roof_area, cell
        )
        holes = ndimage.binary_fill_holes(mask) & ~mask
        mask |= holes & ~_without_small(holes, self.params.roof_area, cell)
        rim = ndimage.binary_dilation(mask, np.ones((3, 3), bool)) & ~mask
        kind = np.where(mask, 2, np.where(rim, 1, 0)).astype(np.uint8)
        # A rim cell goes by the plane of the nearest roof cell.
        owner = index
        if mask.any():
            with_plane = mask & there
            indices: Any = np.empty((2, *mask.shape), np.int32)
            ndimage.distance_transform_edt(
                ~with_plane, return_distances=False, return_indices=True, indices=indices
            )
            rows, columns = indices
            owner = np.where(kind > 0, index[rows, columns], -1).astype(np.int32)
            shift_r = rows - np.arange(index.shape[0])[:, None]
            shift_c = columns - np.arange(index.shape[1])[None, :]
            plane = _moved_planes(planes.plane, owner, kind, shift_r * cell, shift_c * cell)
        else:
            plane = np.empty((0, 3))
        count = int(ndimage.label(mask, np.ones((3, 3), bool))[1])
        figures = {"roofs.count": count, "roofs.area": float(np.count_nonzero(mask)) * cell * cell}
        places = np.full(mask.shape, -1, np.int32)
        places[kind > 0] = np.arange(np.count_nonzero(kind > 0))
        return Solution(_Roofs(row, column, kind, places, plane), (), figures)

    def run(self, points: Points, context: Context, solution: Solution | None = None) -> Delta:
        """Return the classes."""
        assert solution is not None  # noqa: S101 - this stage summarises
        codes = points["classification"].copy()
        height = points[_HEIGHT]
        told = self._open(points)
        p = self.params
        by_height = np.where(
            height <= p.low_to,
            ClassCode.LOW_VEGETATION,
            np.where(height <= p.medium_to, ClassCode.MEDIUM_VEGETATION, ClassCode.HIGH_VEGETATION),
        )
        codes[told] = by_height[told]
        if solution.value is not None:
            on_roof = self._on_roofs(points, context.site, solution.value)
            codes[told & on_roof] = ClassCode.BUILDING
        return Delta({"classification": codes})

    def figures(self, moves: ClassMoves) -> dict[str, float | int]:
        """Return how many points have each class now."""
        codes = moves.of_codes()
        named = {
            "low_vegetation": ClassCode.LOW_VEGETATION,
            "medium_vegetation": ClassCode.MEDIUM_VEGETATION,
            "high_vegetation": ClassCode.HIGH_VEGETATION,
            "building": ClassCode.BUILDING,
        }
        return {f"classes.{name}": int(codes[code]) for name, code in named.items()}

    def _cell(self) -> float:
        assert self.params.cell is not None  # noqa: S101 - resolved
        return self.params.cell

    def _open(self, points: Points) -> NDArray[np.bool_]:
        """Return which points may get a class."""
        table = np.ones(256, bool)
        table[list(self.params.keep_classes)] = False
        told: NDArray[np.bool_] = table[points["classification"]]
        told &= points[_HEIGHT] != COLUMNS[_HEIGHT].nothing
        if "withheld" in points:
            told &= ~points["withheld"]
        return told

    def _cells(
        self, points: Points, site: SiteFacts
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
        """Return each point's cell, and where it lies in it from the south-western corner."""
        cell, lattice = self._cell(), site.lattice(self._cell())
        column, row = lattice.column_of(points["x"]), lattice.row_of(points["y"])
        left, bottom = lattice.left_edge(0), lattice.lower_edge(0)
        return column, row, points["x"] - (left + column * cell), points["y"] - (bottom + row * cell)

    def _on_roofs(self, points: Points, site: SiteFacts, roofs: _Roofs) -> NDArray[np.bool_]:
        """Return which points belong to roofs, or to the walls beneath them."""
        column, row, x, y = self._cells(points, site)
        r, c = row - roofs.row, column - roofs.column
        inside = (r >= 0) & (c >= 0) & (r < roofs.kind.shape[0]) & (c < roofs.kind.shape[1])
        kind = np.zeros(len(points), np.uint8)
        kind[inside] = roofs.kind[r[inside], c[inside]]
        at = np.flatnonzero(kind)
        on = np.zeros(len(points), bool)
        if len(at) == 0:
            return on
        a, b, d = roofs.plane[roofs.index[r[at], c[at]]].T
        above = points["z"][at] - site.lowest - (a + b * x[at] + d * y[at])
        near = np.abs(above) <= _NEAR_PLANE * self.params.roof_roughness
        high = points[_HEIGHT][at] >= self.params.roof_height
        on[at] = high & np.where(kind[at] == 2, above <= _ON_ROOF, near)
        return on


def _without_small(mask: NDArray[np.bool_], area: float, cell: float) -> NDArray[np.bool_]:
    """Leave out what hangs together over less than an area, m2."""
    parts, count = ndimage.label(mask)
    if count == 0:
        return mask
    large = np.bincount(parts.ravel()) * cell * cell >= area
    large[0] = False
    kept: NDArray[np.bool_] = large[parts]
    return kept


def _moved_planes(
    plane: NDArray[np.float64],
    owner: NDArray[np.int32],
    kind: NDArray[np.uint8],
    up: NDArray[np.float64],
    across: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the planes of roof and rim cells, in order, each seen from its own south-western corner."""
    there = kind > 0
    found = plane[owner[there]].copy()
    found[:, 0] -= across[there] * found[:, 1] + up[there] * found[:, 2]
    return found

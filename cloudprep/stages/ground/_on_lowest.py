"""Ground stages that work on the lowest points of cells: all of them but the surface itself."""

from __future__ import annotations

from abc import abstractmethod
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from cloudprep.stages.base import Context, Delta, Points, Scope, Solution, Stage, Summary
from cloudprep.stages.ground._labels import NEEDED, USED, ground_figures, labelled, usable_points
from cloudprep.stages.ground._lowest import NOTHING_USABLE, fitting_cell, joined_lowest, lowest_heights

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.kernels.cell_summary import CellGrid
    from cloudprep.model.moves import ClassMoves
    from cloudprep.model.site import SiteFacts


class OnLowest(Stage):
    """Base of ground stages that work out a ground for the site, with which every point is compared.

    A subclass declares ``cell`` (resolved to metres), ``keep_classes`` and ``returns`` among its parameters,
    gathers the lowest points, and says which points lie on the ground it found.
    """

    kind: ClassVar[str] = "ground"
    params: Any
    scope: ClassVar[Scope] = Scope.CLOUD
    needs: ClassVar[tuple[str, ...]] = NEEDED
    uses: ClassVar[tuple[str, ...]] = USED
    provides: ClassVar[tuple[str, ...]] = ("classification",)
    summarises: ClassVar[bool] = True
    bytes_per_point: ClassVar[int] = 80

    @abstractmethod
    def on_ground(self, points: Points, ground: Any) -> NDArray[np.bool_]:
        """Return which points (at least one, all of them usable) lie on the ground."""

    def derive(self, site: SiteFacts) -> tuple[Mapping[str, Any], Mapping[str, str]]:
        """Return the cell size for the site's point spacing."""
        if self.params.cell is not None:
            return {}, {}
        cell, reason = fitting_cell(site)
        return {"cell": cell}, {"cell": reason}

    def reach(self) -> float:
        """Return 0: the surface is worked out for the site, and points are compared with nothing else."""
        return 0.0

    def _usable(self, points: Points) -> NDArray[np.bool_]:
        return usable_points(points, self.params.keep_classes, self.params.returns)

    def run(self, points: Points, context: Context, solution: Solution | None = None) -> Delta:
        """Label the points by where they lie to the ground surface."""
        del context
        usable = self._usable(points)
        ground = np.zeros(len(points), bool)
        if solution is not None and solution.value is not None and usable.any():
            ground[usable] = self.on_ground(points.take(usable), solution.value)
        return Delta({"classification": labelled(points, ground, usable, self.params.keep_classes)})

    def figures(self, moves: ClassMoves) -> dict[str, float | int]:
        """Return how many points are ground, and their share of all points."""
        return ground_figures(moves)


class OnLowestHeights(OnLowest):
    """Base of ground stages that work out a surface from the lowest height of each cell."""

    @abstractmethod
    def surface(self, lowest: CellGrid, site: SiteFacts) -> Any:
        """Return the ground of the site from its lowest heights, of which there is at least one."""

    def summarise(self, points: Points, context: Context) -> Summary:
        """Return the lowest height in each cell of the lattice, from the block's usable points."""
        used = self._usable(points) & context.core
        return Summary(lowest_heights(points, used, context.site, self.params.cell, self.name))

    def merge(self, parts: Sequence[CellGrid]) -> CellGrid:
        """Join the lowest heights of all blocks."""
        return joined_lowest(parts, self.params.cell, self.name)

    def solve(self, merged: CellGrid, site: SiteFacts) -> Solution:
        """Work out the ground of the site."""
        if merged.values.size == 0:
            return Solution(warnings=(NOTHING_USABLE,))
        return Solution(self.surface(merged, site))

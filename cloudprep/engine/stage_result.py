"""What came of one stage."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cloudprep.model.delta import Solution
    from cloudprep.model.grid import Grid
    from cloudprep.model.layer import Layer, TinSurface
    from cloudprep.model.moves import ClassMoves


@dataclass
class StageResult:
    """What came of one stage.

    Parameters
    ----------
    grids : tuple of Grid
        Raster products.
    layers : tuple of Layer
        Vector products.
    surfaces : tuple of TinSurface
        Surfaces of triangles.
    figures : dict
        Named results.
    flight_figures : dict of int to dict
        Named results of single flights, by number.
    warnings : list of str
        Lines for people.
    reasons : dict of str to str
        What was settled once the points were seen, and why, by parameter.
    changed : int
        Points whose class or withheld flag is another now.
    moves : ClassMoves or None
        Which classes points went to; None where the stage gives no classes.
    """

    grids: tuple[Grid, ...] = ()
    layers: tuple[Layer, ...] = ()
    surfaces: tuple[TinSurface, ...] = ()
    figures: dict[str, float | int] = field(default_factory=dict)
    flight_figures: dict[int, dict[str, float | int]] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)
    reasons: dict[str, str] = field(default_factory=dict)
    changed: int = 0
    moves: ClassMoves | None = None

    def take(self, solution: Solution) -> None:
        """Add what a stage worked out for the site."""
        self.grids = (*self.grids, *solution.grids)
        self.layers = (*self.layers, *solution.layers)
        self.surfaces = (*self.surfaces, *solution.surfaces)
        self.figures.update(solution.figures)
        for number, figures in solution.flight_figures.items():
            self.flight_figures.setdefault(int(number), {}).update(figures)
        self.reasons.update(solution.reasons)
        self.warnings.extend(w for w in solution.warnings if w not in self.warnings)

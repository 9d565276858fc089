"""Small stages that stand in for real ones; loaded under the module name ``fake_stages``."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import model_validator

from cloudprep.stages.base import ClassCodes, Scope, Stage, StageParams, parameter


class RockParams(StageParams):
    cell: float = parameter(1.0, meaning="cell of the grid", unit="m", gt=0, source="an invented paper")
    slope: float = parameter(45.0, meaning="steepest slope", unit="degrees", gt=0, lt=90)
    neighbours: int = parameter(8, meaning="how many neighbours", unit="points", ge=1, le=500)
    spacing: float | None = parameter(
        None, meaning="spacing of the points", unit="m", derived="the measured spacing", gt=0
    )
    growth: Literal["linear", "geometric"] = parameter("linear", meaning="how windows grow")
    keep_classes: ClassCodes = parameter((9,), meaning="classes left alone")
    robust: bool = parameter(False, meaning="median instead of mean")
    label: str = parameter("rock", meaning="a name")
    weight: float | Literal["equal"] = parameter("equal", meaning="weight of a point")

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.slope < self.cell:
            raise ValueError("'slope' must not be smaller than 'cell'")
        return self


class RockFinder(Stage):
    """Find rocks by their roughness.

    A second paragraph about ``rocks`` and :class:`~stones`.

    Parameters
    ----------
    params : RockParams
        The parameters.

    Notes
    -----
    It was invented for the tests.
    """

    name = "rock_finder"
    kind = "noise"
    Params = RockParams
    scope = Scope.NEIGHBOURHOOD
    needs = ("x", "y", "z", "classification")
    uses = ("withheld",)
    provides = ("classification",)
    references = ("Nobody (2001), On rocks. Journal of Inventions 1(2):3-4.",)

    def reach(self) -> float:
        assert self.params.spacing is not None  # as the contract says: asked of a resolved stage only
        return 3 * self.params.spacing


class FloorFinder(Stage):
    """Find the floor."""

    name = "floor_finder"
    kind = "ground"
    Params = StageParams
    scope = Scope.CLOUD
    provides = ("classification",)

    def reach(self) -> float:
        return 12.5


class FloorGridParams(StageParams):
    cell: float = parameter(1.0, meaning="cell of the grid", unit="m", gt=0)


class FloorGrid(Stage):
    """Draw the floor as a raster."""

    name = "floor_grid"
    kind = "surface"
    Params = FloorGridParams
    scope = Scope.CLOUD
    grids = ("floor", "floor_kinds")


class Pebbles(Stage):
    """Measure how pebbles lie, for the stages that follow."""

    name = "pebbles"
    kind = "noise"
    Params = StageParams
    scope = Scope.NEIGHBOURHOOD
    provides = ("roughness", "neighbour_distance")


class PebbleSorter(Stage):
    """Label pebbles by how they lie."""

    name = "pebble_sorter"
    kind = "noise"
    Params = StageParams
    scope = Scope.POINT
    needs = ("x", "y", "z", "roughness", "neighbour_distance")
    provides = ("classification",)


class PebbleLooker(Stage):
    """Label pebbles, better where it is known how they lie."""

    name = "pebble_looker"
    kind = "noise"
    Params = StageParams
    scope = Scope.POINT
    uses = ("roughness",)
    provides = ("classification", "ground_confidence")

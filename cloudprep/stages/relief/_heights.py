"""What stages share that look at one raster of heights."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar, Literal

from cloudprep.stages.base import Scope, Stage, parameter

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.model.figures import Figure
    from cloudprep.model.grid import Grid

Of = Literal["dtm", "dsm"]
"""Rasters of heights."""


def of_parameter() -> Any:
    """Declare ``of: Of``, alike for all of them."""
    return parameter(
        "dtm", meaning="the raster of heights: dtm, the terrain; dsm, the surface with all that stands on it"
    )


class OfHeights(Stage):
    """A stage that makes one raster from one raster of heights; its name is the source's with the stage's."""

    kind = "relief"
    reports: ClassVar[tuple[Figure, ...]] = ()
    scope = Scope.RASTER
    needs = ()
    reads = ("dtm", "dsm")
    # The product; heights are held by whoever made them.
    bytes_per_cell = 6

    def sources(self) -> tuple[str, ...]:
        """Return the raster that was chosen."""
        return (str(self.params.model_dump()["of"]),)

    def products(self) -> tuple[str, ...]:
        """Return the name of the raster made from it."""
        return (f"{self.sources()[0]}_{self.name}",)

    def source(self) -> Grid:
        """Return the raster that was chosen."""
        return self.rasters[self.sources()[0]]

    def made(
        self,
        values: NDArray[Any],
        meaning: str,
        unit: str,
        *,
        blends: bool = True,
    ) -> Grid:
        """Return the product on the cells of the source."""
        grid = type(self.source())
        return grid(self.products()[0], values, self.source().window, meaning, unit, blends=blends)

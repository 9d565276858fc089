"""What rasters of tops and of averages share: their cells, and how far a gap is bridged."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cloudprep.stages.base import Stage
from cloudprep.stages.surface._cell_parts import derived_gap, reach_of
from cloudprep.stages.surface._cells import settled_cell

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cloudprep.model.site import SiteFacts


class BridgesGaps(Stage):
    """A stage with the parameters ``cell`` and ``widest_gap``."""

    def derive(self, site: SiteFacts) -> tuple[Mapping[str, Any], Mapping[str, str]]:
        """Return the lengths that were left open, and why they are what they are.

        Raises
        ------
        UsageError
            If the grid would have more than 400 million cells.
        """
        given = self.params.model_dump()
        cell, (values, reasons) = settled_cell(self.name, site, given["cell"])
        if given["widest_gap"] is None:
            values["widest_gap"], reasons["widest_gap"] = derived_gap(site, cell)
        return values, reasons

    def reach(self) -> float:
        """Return how far what lies around a gap may lie."""
        resolved = self.params.model_dump()
        return reach_of(resolved["widest_gap"], resolved["cell"])

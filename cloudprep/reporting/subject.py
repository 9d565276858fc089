"""What a report is about."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cloudprep.reporting.gathered import Gathered
    from cloudprep.reporting.rasters import Rasters


@dataclass(frozen=True)
class Subject:
    """A run and what was gathered of it.

    Parameters
    ----------
    name : str
        What people call the run: the name of its folder.
    record : mapping
        The run record as plain values; what it says of time and memory isn't used.
    gathered : Gathered
        Figures of cells, histograms, a sample.
    rasters : Rasters
        The rasters that were delivered.
    """

    name: str
    record: Mapping[str, Any]
    gathered: Gathered
    rasters: Rasters

    @property
    def inputs(self) -> list[Mapping[str, Any]]:
        """Records of all inputs."""
        return list(self.record.get("inputs", []))

    @property
    def drops_noise(self) -> bool:
        """Whether noise is left out of the delivered clouds."""
        return bool((self.record.get("pipeline", {}).get("output") or {}).get("drop_noise"))

    @property
    def grounded(self) -> bool:
        """Whether any point is ground."""
        return bool(self.gathered.counts.codes[2])

"""Facts about the whole site, measured once before the stages run."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from cloudprep.model.crs import METRE
from cloudprep.model.grid import Lattice

if TYPE_CHECKING:
    from cloudprep.model.bounds import Bounds


@dataclass(frozen=True)
class FlightFacts:
    """What stages that look at each flight by itself know of one from its header.

    Parameters
    ----------
    name : str
        As people are told.
    columns : frozenset of str
        Columns that it carries.
    adjusted_time : bool
        Whether the header says that times are adjusted standard GPS time (else seconds of the GPS week).
    """

    name: str
    columns: frozenset[str] = frozenset()
    adjusted_time: bool = True


@dataclass(frozen=True)
class SiteFacts:
    """What stages may derive their parameters from. Stray points (absurd coordinates) are left out of it.

    Parameters
    ----------
    count : int
        Number of points.
    bounds : Bounds
        Extent in local metres; half-open, so the upper edge lies just beyond the last point.
    lowest, highest : float
        Range of heights, m.
    spacing : float
        Mean point spacing, m: ``sqrt(25 * occupied 5 m cells / count)``, so gaps in the flight don't count;
        in wider cells where these hold hardly more than one point.
    multiple_returns : bool
        Whether any pulse gave more than one return.
    origin : tuple of float
        Global easting and northing (m, whole kilometres) of the local zero.
    resolution : float
        The finest step in which the flights store x or y, m.
    columns : frozenset of str
        Columns that every flight carries.
    cell : float, optional
        The cell that the pipeline asks for in all rasters, m.
    vertical_unit : float
        Metres in one unit of the heights as the flights give them and as results are delivered.
    flights : tuple of FlightFacts
        Of each flight, by its number (column ``flight``); empty where nothing is known of them.
    """

    count: int
    bounds: Bounds
    lowest: float
    highest: float
    spacing: float
    multiple_returns: bool
    origin: tuple[float, float] = (0.0, 0.0)
    resolution: float = 0.001
    columns: frozenset[str] = frozenset()
    cell: float | None = None
    vertical_unit: float = METRE
    flights: tuple[FlightFacts, ...] = ()

    def flight(self, number: int) -> FlightFacts:
        """Return what is known of a flight; of one that nothing is known of, that it carries all columns."""
        if number < len(self.flights):
            return self.flights[number]
        return FlightFacts(f"flight {number + 1}", self.columns)

    def lattice(self, cell: float) -> Lattice:
        """Return the global lattice of a cell size (m) as seen from the site's local metres."""
        return Lattice(cell, self.origin)

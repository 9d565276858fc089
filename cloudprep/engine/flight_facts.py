"""What stages are told of single flights, and what they tell of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cloudprep.errors import UsageError
from cloudprep.model.columns import MOST_FLIGHTS
from cloudprep.model.site import FlightFacts

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cloudprep.engine.stage_result import StageResult
    from cloudprep.engine.tracking import TrackedInput
    from cloudprep.io.las import Flight

__all__ = ["flight_facts", "refuse_too_many", "take_flight_figures"]

# Global encoding, bit 0 (ASPRS LAS 1.4-R15): adjusted standard GPS time, else seconds of the GPS week.
_ADJUSTED_TIME = 1 << 0


def flight_facts(flight: Flight, name: str) -> FlightFacts:
    """Return what stages may know of a flight from its header."""
    return FlightFacts(name, flight.columns, bool(flight.header.encoding & _ADJUSTED_TIME))


def refuse_too_many(wanted: Sequence[str], flights: int) -> None:
    """Refuse more flights than a column can tell apart.

    Raises
    ------
    UsageError
        If the column ``flight`` is wanted and there are too many.
    """
    if "flight" in wanted and flights > MOST_FLIGHTS:
        raise UsageError(
            f"{flights:,} inputs are more than a pipeline with stages that look at each of them can tell "
            f"apart ({MOST_FLIGHTS:,}): run parts of them"
        )


def take_flight_figures(result: StageResult, flights: Sequence[TrackedInput]) -> None:
    """Give each flight the figures that a stage found of it.

    Parameters
    ----------
    result : StageResult
        Of the stage.
    flights : sequence of TrackedInput
        Those that the store holds, in its order.
    """
    for number, figures in result.flight_figures.items():
        flights[number].figures.update({name: float(value) for name, value in figures.items()})

"""The cell of a raster made from points: one rule for all, so that they lie on top of each other."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from cloudprep.errors import UsageError
from cloudprep.stages.base import parameter

if TYPE_CHECKING:
    from cloudprep.model.grid import Window
    from cloudprep.model.site import SiteFacts

Settled = tuple[dict[str, Any], dict[str, str]]
"""Derived values, and the reason for each."""
MOST_CELLS = 400_000_000
_CELLS = (0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0)
_CELL_TO_SPACING = 1.4


def cell_parameter() -> Any:
    """Return the description of the parameter ``cell``."""
    return parameter(
        None,
        gt=0,
        unit="m",
        meaning="cell size; cell edges lie on whole multiples of it",
        derived="what the pipeline says under grid, else 1.4 point spacings, rounded up to 0.25, 0.5, 1, 2, "
        "5, 10 ... m",
        source="ratio of cell to point spacing in the quality levels of the USGS Lidar Base Specification "
        "(0.35 m: 0.5 m; 0.71 m: 1 m; 1.41 m: 2 m), from memory",
    )


def derived_cell(site: SiteFacts) -> tuple[float, str]:
    """Return the cell (m) of rasters of a site, and why: what the pipeline asks for, else what suits."""
    if site.cell is not None:
        return site.cell, "the pipeline's grid: cell"
    spacing = site.spacing if math.isfinite(site.spacing) else _CELLS[-1]
    cell = rounded_up(spacing)
    reason = (
        f"point spacing {spacing:.2f} m x {_CELL_TO_SPACING}, rounded up to 0.25, 0.5, 1, 2, 5, 10 ... m: "
        "about two points a cell"
    )
    for coarser in _CELLS:
        if coarser > cell and _cells(site, cell) > MOST_CELLS:
            cell = coarser
            reason = (
                f"the finest usual cell that keeps the grid below {MOST_CELLS // 1_000_000} million cells"
            )
    return cell, reason


def settled_cell(stage: str, site: SiteFacts, given: float | None) -> tuple[float, Settled]:
    """Return the cell (m) of a stage's rasters, and what it adds to the stage's derived values and reasons.

    Raises
    ------
    UsageError
        If there would be more than 400 million cells.
    """
    if given is not None:
        raster_window(stage, site, given)
        return given, ({}, {})
    cell, reason = derived_cell(site)
    raster_window(stage, site, cell)
    return cell, ({"cell": cell}, {"cell": reason})


def raster_window(stage: str, site: SiteFacts, cell: float) -> Window:
    """Return the cells of a site.

    Raises
    ------
    UsageError
        If there would be more than 400 million, with a cell that would do.
    """
    if _cells(site, cell) > MOST_CELLS:
        size = f"{site.bounds.width:,.0f} x {site.bounds.height:,.0f} m"
        fits = next((usual for usual in _CELLS if _cells(site, usual) <= MOST_CELLS), _CELLS[-1])
        raise UsageError(
            f"{stage}: a cell of {cell:g} m makes {_cells(site, cell) / 1e6:,.0f} million cells on this "
            f"site ({size}), more than {MOST_CELLS // 1_000_000} million: choose 'cell' {fits:g} m or more"
        )
    return site.lattice(cell).window(site.bounds)


def rounded_up(spacing: float) -> float:
    """Return the smallest usual cell of at least 1.4 spacings."""
    return next((cell for cell in _CELLS if cell >= _CELL_TO_SPACING * spacing), _CELLS[-1])


def coarser_cell(cell: float, times: float) -> float:
    """Return the smallest usual cell that makes a raster so many times smaller.

    Parameters
    ----------
    cell : float
        The cell, m.
    times : float
        How many times too large its raster is, >= 1.
    """
    wanted = cell * math.sqrt(times)
    return next((usual for usual in _CELLS if usual > cell and usual >= wanted), math.ceil(wanted))


def _cells(site: SiteFacts, cell: float) -> float:
    return math.ceil(site.bounds.width / cell + 1) * math.ceil(site.bounds.height / cell + 1)

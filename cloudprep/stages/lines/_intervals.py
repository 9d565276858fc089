"""How far apart contours lie where nobody says so: round in the unit that the site's heights come in."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cloudprep.model.crs import METRE
from cloudprep.stages.surface._cells import derived_cell

if TYPE_CHECKING:
    from cloudprep.model.site import SiteFacts

_METRES = (0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0)
_FEET = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0)
# Birds and noise widen the range of heights: hence so many.
_MOST_LINES = 300
_FEWEST_LINES = 10


def derived_interval(site: SiteFacts) -> tuple[float, str]:
    """Return the contour interval (m) that suits a site, and why.

    A line to each cell's side of height, where that makes 10 to 300 lines from the lowest point to the
    highest; rounded up to what is usual.
    """
    cell = derived_cell(site)[0]
    relief = max(site.highest - site.lowest, 0.0)
    wanted = max(min(cell, relief / _FEWEST_LINES), relief / _MOST_LINES)
    unit = site.vertical_unit
    usual, name = (_METRES, "m") if unit == METRE else (_FEET, "feet")
    number = next((n for n in usual if n * unit >= wanted * (1 - 1e-9)), usual[-1])
    if wanted == relief / _MOST_LINES:
        why = f"a 300th of the {relief:.0f} m from the lowest to the highest point"
    elif wanted == cell:
        why = f"as high as the cell of {cell:g} m is wide"
    else:
        why = f"a tenth of the {relief:.1f} m from the lowest to the highest point"
    return number * unit, f"{why}, rounded up to {number:g} {name}"

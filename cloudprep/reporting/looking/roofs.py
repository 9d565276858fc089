"""Ground over likely roofs: level patches of ground points that stand above all around with sharp edges."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from cloudprep.reporting.looking.finding import Finding, Patch, patches
from cloudprep.reporting.words import plain, whole

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from cloudprep.reporting.subject import Subject

KEY = "roofs"
TITLE = "Ground that may be a roof"
RULE = (
    "patches of ground points from 12 to 6,000 m² that stand two metres or more above the ground around "
    "(what an "
    "opening by 80 m leaves), with a sharp step down nearly all around"
)
_RAISED = 2.0
_OPENING = 80.0
_LEAST, _MOST = 12.0, 6000.0
# How far ground within two metres (or cells) of a patch has to lie below it for a step to be sharp: more than
# a slope of 50 degrees makes of it.
_STEP, _STEEPEST = 1.8, 1.2
# Where no ground lies beside a patch, nothing tells whether its edge is sharp.
_UNKNOWN = 0.5
_LEVEL, _ROOF_GOES_ON = 1.0, 0.8
_SHARP = 0.6


def find(subject: Subject) -> Iterator[Finding]:
    """Give the places."""
    gathered = subject.gathered
    if not subject.grounded:
        return
    cell, cells = gathered.cell, gathered.cells
    ground = gathered.ground
    # Where no ground is known, an opening must neither see a height nor make one.
    known = np.where(np.isnan(ground), np.inf, ground)
    size = 2 * max(1, round(_OPENING / cell / 2)) + 1
    if size > min(ground.shape):
        size = max(3, 2 * (min(ground.shape) // 2) - 1)
    lowest = ndimage.minimum_filter(known, size=(size, size))
    opened = ndimage.maximum_filter(np.where(np.isfinite(lowest), lowest, -np.inf), size=(size, size))
    above = ground - opened
    with np.errstate(invalid="ignore"):
        raised = above > _RAISED
    step = max(_STEP, _STEEPEST * 2.0 * cell)
    for patch in patches(
        raised, gathered, least=max(2, int(_LEAST / cell**2)), most=int(_MOST / cell**2) + 1
    ):
        sharp = _sharp_share(patch, ground, (cells.low, cells.high), step, cell)
        if sharp < _SHARP:
            continue
        heights = ground[patch.at]
        height = float(np.median(above[patch.at]))
        area = len(patch.rows) * cell**2
        rough = _roughness(patch, heights, cell)
        likelihood = min((sharp - _SHARP + 0.1) / 0.4, 1.0) * (1.0 if rough < 0.6 else 0.5)
        unit, name = gathered.place.vertical_unit, gathered.place.unit
        yield Finding(
            KEY,
            TITLE,
            f"{whole(area)} m² labelled ground stand {plain(height / unit, 2)} {name} above the ground "
            "around, with a "
            f"sharp step down along {whole(100 * sharp)} % of the edge.",
            patch.x,
            patch.y,
            float(np.median(heights)),
            area,
            height,
            likelihood,
        )


def _sharp_share(
    patch: Patch,
    ground: NDArray[np.float64],
    extremes: tuple[NDArray[np.float32], NDArray[np.float32]],
    step: float,
    cell: float,
) -> float:
    """Return which share of what lies around a patch is ground a sharp step below it.

    A ledge has higher ground on one side, and a hill goes over into what is around it; a roof has neither.
    """
    ring = max(2, round(2.0 / cell))
    rows = slice(max(patch.rows.min() - ring, 0), patch.rows.max() + ring + 1)
    columns = slice(max(patch.columns.min() - ring, 0), patch.columns.max() + ring + 1)
    own = np.zeros(ground[rows, columns].shape, bool)
    own[patch.rows - rows.start, patch.columns - columns.start] = True
    far, (row, column) = ndimage.distance_transform_edt(~own, return_indices=True)
    around = (far > 0) & (far <= ring)
    if not around.any():
        return 0.0
    heights = ground[rows, columns]
    with np.errstate(invalid="ignore"):
        down = heights[row, column] - heights >= step
        low, high = (values[rows, columns] for values in extremes)
        level = (low > heights[row, column] - _LEVEL) & (high - low < _LEVEL)
    # Other points at the same level, and none lower or higher, are the rest of a roof as likely as not.
    share = np.where(np.isnan(heights), np.where(level, _ROOF_GOES_ON, _UNKNOWN), np.where(down, 1.0, 0.0))
    return float(share[around].mean())


def _roughness(patch: Patch, heights: NDArray[np.float64], cell: float) -> float:
    """Return the median distance from a plane through the patch, m."""
    design = np.stack([patch.rows * cell, patch.columns * cell, np.ones(len(heights))], axis=1)
    plane = np.linalg.lstsq(design - design.mean(axis=0) * [1, 1, 0], heights, rcond=None)[0]
    left = heights - (design - design.mean(axis=0) * [1, 1, 0]) @ plane
    return float(np.median(np.abs(left)))

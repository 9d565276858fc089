"""Where the terrain rests on little: few ground points under trees, unsure labels, large errors."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from cloudprep.reporting.looking.finding import Finding, blocks, patches
from cloudprep.reporting.words import plain, whole

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cloudprep.reporting.subject import Subject

TREES, UNSURE, ERRORS = "trees", "unsure", "errors"
TITLES = {
    TREES: "Few ground points under trees",
    UNSURE: "Unsure ground labels",
    ERRORS: "Large error of the terrain model",
}
RULES = {
    TREES: "places of 150 m² and more, most of whose cells hold points high above others, with fewer "
    "than one ground "
    "point in 20 m²",
    UNSURE: "squares of 8 m whose ground labels have a mean ground_confidence under 60 %",
    ERRORS: "places whose standard error is above half a metre and above six times the median of the site",
}
_BLOCK = 8.0
_HIGH, _SPREAD = 3.0, 2.0
_TREE_SHARE = 0.5
_GROUND_POINTS = 0.05
_LEAST_TREES = 150.0
_UNSURE = 60.0
_LEAST_JUDGED = 5
_ERROR, _TIMES = 0.5, 6.0


def _factor(cell: float) -> int:
    return max(1, round(_BLOCK / cell))


def find_trees(subject: Subject) -> Iterator[Finding]:
    """Give places with few ground points under trees."""
    gathered = subject.gathered
    if not subject.grounded:
        return
    cells, cell = gathered.cells, gathered.cell
    factor = _factor(cell)
    with np.errstate(invalid="ignore"):
        tall = gathered.seen & ~(cells.high - gathered.terrain < _HIGH) & (cells.high - cells.low > _SPREAD)
    seen = blocks(gathered.seen.astype(np.int64), factor).sum(axis=2)
    tall_cells = blocks(tall.astype(np.int64), factor).sum(axis=2)
    ground = blocks(cells.ground.astype(np.int64), factor).sum(axis=2)
    area = (cell * factor) ** 2
    # A block that the site covers in part would have few points for that alone.
    bare = (seen > 0.5 * factor**2) & (tall_cells > _TREE_SHARE * seen) & (ground < _GROUND_POINTS * area)
    for patch in patches(bare, gathered, factor=factor, least=max(1, math.ceil(_LEAST_TREES / area))):
        size = len(patch.rows) * area
        number = int(ground[patch.at].sum())
        # The middle of a round gap lies so far from its rim; grown over, ground rarely is smoother than 5 %.
        stake = 0.2 + 0.05 * math.sqrt(size / math.pi)
        yield Finding(
            TREES,
            TITLES[TREES],
            f"{whole(number)} ground points on {whole(size)} m² of wood: the terrain is carried over "
            "from its edges.",
            patch.x,
            patch.y,
            _height_at(subject, patch.x, patch.y),
            size,
            stake,
            0.6,
        )


def find_unsure(subject: Subject) -> Iterator[Finding]:
    """Give places whose ground labels are unsure."""
    gathered = subject.gathered
    cells = gathered.cells
    if not gathered.has_confidence or not subject.grounded:
        return
    factor = _factor(gathered.cell)
    count = blocks(cells.sure_count.astype(np.int64), factor).sum(axis=2)
    total = blocks(cells.sure_sum.astype(np.int64), factor).sum(axis=2)
    mean = total / np.maximum(count, 1)
    spread = np.where(cells.ground > 0, cells.ground_high - cells.ground_low, np.nan).astype(np.float64)
    unsure = (count >= _LEAST_JUDGED) & (mean < _UNSURE)
    area = (gathered.cell * factor) ** 2
    parts = blocks(spread, factor)
    for patch in patches(unsure, gathered, factor=factor):
        sure = float(total[patch.at].sum() / count[patch.at].sum())
        stake = float(np.clip(np.nanmedian(parts[patch.at]), 0.2, 3.0))
        size = len(patch.rows) * area
        yield Finding(
            UNSURE,
            TITLES[UNSURE],
            f"{whole(count[patch.at].sum())} ground points on {whole(size)} m² are {whole(sure)} % sure "
            "on average.",
            patch.x,
            patch.y,
            _height_at(subject, patch.x, patch.y),
            size,
            stake,
            1.0 - sure / 100.0,
        )


def find_errors(subject: Subject) -> Iterator[Finding]:
    """Give places where the terrain model may be far off, as the run itself says."""
    gathered = subject.gathered
    error = subject.rasters.reduced("dtm_standard_error", gathered.place, gathered.window)
    if error is None or not np.isfinite(error).any():
        return
    limit = max(_ERROR, _TIMES * float(np.nanmedian(error)))
    unit, name = gathered.place.vertical_unit, gathered.place.unit
    least = max(1, math.ceil(4.0 / gathered.cell**2))
    # Places that only a cell or two part are one.
    joined = ndimage.binary_closing(np.nan_to_num(error) > limit, np.ones((3, 3), bool))
    for patch in patches(joined, gathered, least=least):
        worst = float(np.nanmax(error[patch.at]))
        size = len(patch.rows) * gathered.cell**2
        yield Finding(
            ERRORS,
            TITLES[ERRORS],
            f"The standard error reaches {plain(worst / unit, 2)} {name} on {whole(size)} m²; the "
            "median of the site is "
            f"{plain(float(np.nanmedian(error)) / unit, 2)} {name}.",
            patch.x,
            patch.y,
            _height_at(subject, patch.x, patch.y),
            size,
            float(np.nanmedian(error[patch.at])),
            0.5,
        )


def _height_at(subject: Subject, x: float, y: float) -> float:
    """Return the height of the ground, or of the lowest point, at a place; m."""
    gathered = subject.gathered
    column = min(int((x - gathered.window.left) / gathered.cell), gathered.window.columns - 1)
    row = min(int((y - gathered.window.bottom) / gathered.cell), gathered.window.rows - 1)
    for values in (gathered.terrain, gathered.cells.low):
        if np.isfinite(values[row, column]):
            return float(values[row, column])
    return gathered.place.lowest

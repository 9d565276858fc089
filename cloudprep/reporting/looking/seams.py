"""Seams: where two flight lines see the same ground at different heights."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.report_cells import NO_LINE
from cloudprep.reporting.looking.finding import Finding, blocks, patches
from cloudprep.reporting.words import plain, short_name, whole

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from cloudprep.reporting.subject import Subject

KEY = "seams"
TITLE = "Step between flight lines"
RULE = (
    "squares of 20 m where ground points of two flight lines differ in height by more than 5 cm, and by "
    "more than four "
    "times what chance makes of it"
)
_BLOCK = 20.0
_STEP = 0.05
_TIMES = 4.0
_LEAST_CELLS = 8
_STEPS = 1e-4
_LINES_OF_A_FLIGHT = 1 << 16


def find(subject: Subject) -> Iterator[Finding]:
    """Give the places."""
    gathered = subject.gathered
    cells = gathered.cells
    if not gathered.has_lines or not subject.grounded:
        return
    both = (cells.line[:, :, 1] != NO_LINE) & (cells.line_count >= 2).all(axis=2)
    if not both.any():
        return
    mean = cells.line_sum / np.maximum(cells.line_count, 1) * _STEPS
    difference = np.where(both, mean[:, :, 1] - mean[:, :, 0], np.nan)
    factor = max(1, round(_BLOCK / gathered.cell))
    for pair in np.unique(cells.line[both], axis=0)[:50]:
        of_pair = both & (cells.line == pair).all(axis=2)
        yield from _of_pair(subject, np.where(of_pair, difference, np.nan), pair, factor)


def _of_pair(
    subject: Subject, difference: NDArray[np.float64], pair: NDArray[np.int64], factor: int
) -> Iterator[Finding]:
    gathered = subject.gathered
    parts = blocks(difference, factor)
    count = np.isfinite(parts).sum(axis=2)
    enough = count >= min(_LEAST_CELLS, factor**2)
    if not enough.any():
        return
    middle = np.full(count.shape, np.nan)
    chance = np.full(count.shape, np.nan)
    middle[enough] = np.nanmedian(parts[enough], axis=1)
    spread = np.nanmedian(np.abs(parts[enough] - middle[enough][:, None]), axis=1)
    # The standard error of a median is 1.2533 that of a mean (normal distribution).
    chance[enough] = 1.2533 * 1.4826 * spread / np.sqrt(count[enough])
    with np.errstate(invalid="ignore"):
        apart = enough & (np.abs(middle) > np.maximum(_STEP, _TIMES * chance))
    area = (gathered.cell * factor) ** 2
    unit, name = gathered.place.vertical_unit, gathered.place.unit
    names = " and ".join(_line_name(subject, int(line)) for line in pair)
    for patch in patches(apart, gathered, factor=factor):
        step = float(np.median(middle[patch.at]))
        size = len(patch.rows) * area
        yield Finding(
            KEY,
            TITLE,
            f"Ground points of {names} differ by {plain(abs(step) / unit, 2)} {name} on {whole(size)} m².",
            patch.x,
            patch.y,
            _height_at(subject, patch.x, patch.y),
            size,
            abs(step),
            0.9,
        )


def _line_name(subject: Subject, line: int) -> str:
    flight, own = divmod(line, _LINES_OF_A_FLIGHT)
    alive = [i for i in subject.inputs if i.get("status") == "done"]
    name = short_name(str(alive[flight]["path"])) if flight < len(alive) else f"input {flight + 1}"
    return f"{name}, line {own}" if own else name


def _height_at(subject: Subject, x: float, y: float) -> float:
    gathered = subject.gathered
    column = min(int((x - gathered.window.left) / gathered.cell), gathered.window.columns - 1)
    row = min(int((y - gathered.window.bottom) / gathered.cell), gathered.window.rows - 1)
    height = gathered.terrain[row, column]
    return float(height) if np.isfinite(height) else gathered.place.lowest

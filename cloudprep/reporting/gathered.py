"""What the pages of a report are drawn from, gathered in one pass over the points."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import ndimage

from cloudprep.kernels.report_cells import (
    Cells,
    Counts,
    add_points,
    chosen_points,
    empty_cells,
    empty_counts,
)
from cloudprep.model.classes import NOISE_CODES
from cloudprep.reporting.sample import MOST_POINTS, Sample, shares_to_keep

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.model.grid import Window
    from cloudprep.reporting.place import Columns, Place, PointSource

# Sums of heights are whole tenths of a millimetre.
_STEP = 1e-4
# Ground is taken to reach so far beyond the cells that have some, m; heights above it are unknown
# farther away.
_GROUND_REACHES = 30.0
_LINES_OF_A_FLIGHT = 1 << 16
_SAMPLED = ("x", "y", "z", "classification", "flight")


@dataclass(frozen=True)
class Gathered:
    """Figures of a site's cells, histograms, and a sample of its points.

    Parameters
    ----------
    place : Place
        The site.
    window : Window
        The cells; row 0 of arrays is the southernmost.
    cells : Cells
        Figures of each.
    counts : Counts
        Histograms.
    sample : Sample
        Some of the points.
    has_confidence, has_intensity, has_lines : bool
        Whether points carry these.
    """

    place: Place
    window: Window
    cells: Cells
    counts: Counts
    sample: Sample
    has_confidence: bool = False
    has_intensity: bool = False
    has_lines: bool = False

    @property
    def cell(self) -> float:
        """Side of a cell, m."""
        return self.window.lattice.cell

    @property
    def total(self) -> int:
        """Number of points."""
        return int(self.counts.codes.sum())

    @property
    def noise(self) -> int:
        """Number of noise points."""
        return int(self.counts.codes[list(NOISE_CODES)].sum())

    @cached_property
    def ground(self) -> NDArray[np.float64]:
        """Mean height of the ground points of each cell, m; NaN without any. Shape (rows, columns)."""
        return mean_ground(self.cells, self.place.lowest)

    @cached_property
    def terrain(self) -> NDArray[np.float64]:
        """The same with cells near ground filled with the nearest one's height; NaN farther away."""
        return filled(self.ground, _GROUND_REACHES / self.cell)

    @cached_property
    def seen(self) -> NDArray[np.bool_]:
        """Cells with points that aren't noise."""
        return self.cells.points > 0

    @cached_property
    def inside(self) -> NDArray[np.bool_]:
        """Cells that belong to the site: those with points, and those that they enclose."""
        if not self.seen.any():
            return self.seen
        # Gaps up to some 20 m wide belong to it although they reach its edge.
        reach = max(1, round(10.0 / self.cell))
        return np.asarray(ndimage.binary_fill_holes(closed(self.seen, reach)), bool)


def mean_ground(cells: Cells, zero: float) -> NDArray[np.float64]:
    """Return the mean height of ground in each cell, m; NaN where there is none."""
    mean = np.full(cells.ground.shape, np.nan)
    np.divide(cells.ground_sum, cells.ground, out=mean, where=cells.ground > 0)
    return mean * _STEP + zero


def closed(mask: NDArray[np.bool_], reach: int) -> NDArray[np.bool_]:
    """Return a mask with gaps up to twice the reach (cells) wide closed; any reach costs the same."""
    padded = np.pad(mask, reach + 1)
    grown = ndimage.distance_transform_edt(~padded) <= reach
    shrunk = ndimage.distance_transform_edt(grown) > reach
    out: NDArray[np.bool_] = (shrunk | padded)[reach + 1 : -reach - 1, reach + 1 : -reach - 1]
    return out


def filled(heights: NDArray[np.float64], reach: float) -> NDArray[np.float64]:
    """Return heights with empty cells near others (cells) filled with the nearest height."""
    empty = np.isnan(heights)
    if not empty.any() or empty.all():
        return heights
    far, (row, column) = ndimage.distance_transform_edt(empty, return_indices=True)
    return np.where(far <= max(reach, 1.0), heights[row, column], np.nan)


def gather(source: PointSource, place: Place, most: int = MOST_POINTS) -> Gathered:
    """Go over all points once.

    Parameters
    ----------
    source : PointSource
        The points.
    place : Place
        What is known of the site beforehand; its class counts decide how many points of each class are kept.
    most : int
        Points of the sample, about.

    Returns
    -------
    Gathered
        The same for any order of points, files and pieces.
    """
    window = place.picture_window()
    cells, counts = empty_cells(*window.shape), empty_counts()
    shares = shares_to_keep(place.codes, most)
    kept: list[dict[str, NDArray[Any]]] = []
    seen: set[str] = set()
    for piece in source.pieces():
        seen.update(piece)
        add_points(
            piece["x"],
            piece["y"],
            piece["z"],
            piece["classification"],
            cells,
            counts,
            place=(window.left, window.bottom, window.lattice.cell),
            heights=(place.lowest, place.highest),
            sure=piece.get("ground_confidence"),
            intensity=piece.get("intensity"),
            line=_line_of(piece),
        )
        rows, hashes = chosen_points(piece["x"], piece["y"], piece["z"], piece["classification"], shares)
        taken = {name: piece[name][rows] for name in _SAMPLED if name in piece}
        kept.append({**taken, "hash": hashes})
    sample = _sample(kept, place, cells, window, int(counts.codes.sum()))
    lines = "point_source_id" in seen or "flight" in seen
    return Gathered(
        place, window, cells, counts, sample, "ground_confidence" in seen, "intensity" in seen, lines
    )


def _line_of(piece: Columns) -> NDArray[np.int64] | None:
    """Return a number of each point's flight line: of the input, and of the line in it."""
    line: NDArray[np.int64] | None = None
    if "flight" in piece:
        line = piece["flight"].astype(np.int64) * _LINES_OF_A_FLIGHT
    if "point_source_id" in piece:
        own = piece["point_source_id"].astype(np.int64)
        line = own if line is None else line + own
    return line


def _sample(
    kept: list[dict[str, NDArray[Any]]], place: Place, cells: Cells, window: Window, total: int
) -> Sample:
    kinds = {"x": "f8", "y": "f8", "z": "f8", "classification": "u1", "flight": "u2", "hash": "u8"}
    size = sum(len(k["hash"]) for k in kept)
    joined: dict[str, NDArray[Any]] = {}
    for name, kind in kinds.items():
        parts = [k.get(name, np.zeros(len(k["hash"]), kind)) for k in kept]
        joined[name] = np.concatenate(parts).astype(kind) if parts else np.empty(0, kind)
    # By place where hashes are equal, and no more than a sample may have.
    order = np.lexsort((joined["z"], joined["y"], joined["x"], joined["hash"]))
    order = order[: min(size, 2 * MOST_POINTS)]
    found = {name: values[order] for name, values in joined.items()}
    terrain = filled(mean_ground(cells, place.lowest), _GROUND_REACHES / window.lattice.cell)
    return Sample(
        found["x"],
        found["y"],
        found["z"],
        found["classification"],
        (found["z"] - values_at(terrain, window, found["x"], found["y"])).astype(np.float32),
        found["flight"],
        total,
        place.origin,
        place.horizontal_unit,
        place.vertical_unit,
        place.unit,
    )


def values_at(
    values: NDArray[np.float64], window: Window, x: NDArray[np.float64], y: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the values of the cells in which places lie; of the nearest cell for those outside."""
    column = np.clip(np.floor((x - window.left) / window.lattice.cell), 0, window.columns - 1)
    row = np.clip(np.floor((y - window.bottom) / window.lattice.cell), 0, window.rows - 1)
    found: NDArray[np.float64] = values[row.astype(np.int64), column.astype(np.int64)]
    return found

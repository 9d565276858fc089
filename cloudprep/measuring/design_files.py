"""What a comparison with a design leaves in a folder: rasters, tables, points to stake out, a picture."""

from __future__ import annotations

import math
from contextlib import ExitStack
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.spatial import cKDTree

from cloudprep.io.atomic import make_folder
from cloudprep.io.raster_writing import written_on_cells
from cloudprep.kernels.profile import beside_line
from cloudprep.measuring.design import TOO_HIGH, TOO_LOW, WITHIN
from cloudprep.measuring.design_sections import RULES
from cloudprep.measuring.difference_picture import DifferencePicture
from cloudprep.measuring.feet import in_feet, with_feet
from cloudprep.measuring.outputs import refuse_inputs, table_cells, table_row, write_table
from cloudprep.model.crs import INTERNATIONAL_FOOT, METRE, US_SURVEY_FOOT

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.measuring.design import DesignComparison, DesignReport, Strip
    from cloudprep.measuring.design_sections import AxisVolumes

    Floats = NDArray[np.float64]

CODES = {TOO_LOW: "too low", WITHIN: "within the tolerance", TOO_HIGH: "too high"}
_LEGEND = ("orange: too low (fill), blue: too high (cut)", "grey: within the tolerance, white: no heights")
_SUFFIXES = {METRE: "m", INTERNATIONAL_FOOT: "ft", US_SURVEY_FOOT: "ftUS"}
_HALF = 0.5


def write_design(
    comparison: DesignComparison,
    report: DesignReport,
    out: Path,
    *,
    staking_step: float | None = None,
    axis: Path | None = None,
) -> list[Path]:
    """Write all products of a comparison with a design.

    Parameters
    ----------
    comparison : DesignComparison
        Still open.
    report : DesignReport
        What it came to.
    out : Path
        The folder.
    staking_step : float, optional
        Least distance between points to stake out, m; ten cells if left out.
    axis : Path, optional
        The file of the axes, which must not be written over.

    Returns
    -------
    list of Path
        The files.

    Raises
    ------
    OutputError
        If one can't be written, or would be written over an input.
    """
    c = comparison
    names = ("difference.tif", "tolerance.tif", "design.csv", "staking.csv", "design.png", "stations.csv")
    refuse_inputs(
        [out / name for name in names],
        [c.request.terrain, c.request.design.path, c.request.boundary, axis],
    )
    make_folder(out)
    rasters = [out / "difference.tif", out / "tolerance.tif"]
    picture = DifferencePicture(*c.window[2:], (TOO_LOW, TOO_HIGH))
    staking = _Staking(c, max(staking_step or 10 * c.cell, c.cell))
    with ExitStack() as stack:
        difference = stack.enter_context(
            written_on_cells(
                rasters[0], c.raster, c.window, meaning="terrain less design", unit="metre",
                caution=report.caution,
            )
        )  # fmt: skip
        codes = stack.enter_context(
            written_on_cells(
                rasters[1], c.raster, c.window, codes=CODES,
                meaning=f"whether the terrain is within {report.tolerance:g} m of the design",
                caution=report.caution,
            )
        )  # fmt: skip
        for strip in c.strips(c.whole):
            row = strip.row - c.window[0]
            difference.put(row, strip.difference)
            codes.put(row, strip.code)
            picture.add(row, strip.difference, strip.code)
            staking.add(strip)
    told = f"too high or too low by more than {report.tolerance:g} m"
    made = [
        *rasters,
        write_table(out / "design.csv", _area_rows(report)),
        write_table(out / "staking.csv", staking.rows(report.axes)),
        picture.write(out / "design.png", report.cell, _LEGEND, told, report.caution),
    ]
    if report.axes:
        made.append(write_table(out / "stations.csv", _station_rows(c, report)))
    return made


def _area_rows(report: DesignReport) -> list[list[Any]]:
    areas = [*report.areas, *(axis.surface for axis in report.axes)]
    figures = [with_feet(a.figures, report.foot) for a in areas]
    rows = [table_row(a.name, values) for a, values in zip(areas, figures, strict=True)]
    return [["name", *figures[0]], *rows]


def _station_rows(c: DesignComparison, report: DesignReport) -> list[list[Any]]:
    """Return a row a station: areas there, and volumes since the station before."""
    plan = _SUFFIXES.get(c.unit, "unit")
    head = ["axis", "station_m", f"easting_{plan}", f"northing_{plan}", "cut_area_m2", "fill_area_m2",
            "width_m"]  # fmt: skip
    rules = [f"{kind}_{rule}" for rule in RULES for kind in ("cut", "fill")]
    rows: list[list[Any]] = [head]
    for axis in report.axes:
        between = axis.between()
        for i, station in enumerate(axis.stations.tolist()):
            place = (c.raster.left + axis.x[i] / c.unit, c.raster.bottom + axis.y[i] / c.unit)
            here = {
                "station_m": station,
                "cut_area_m2": float(axis.cut[i]),
                "fill_area_m2": float(axis.fill[i]),
                "width_m": float(axis.covered[i]),
            }
            since = {f"{rule}_m3": float(between[rule][i - 1]) if i else None for rule in rules}
            feet = {} if report.foot is None else in_feet({**here, **since}, report.foot)
            of_place = (station, *place, *list(here.values())[1:])
            rows.append([axis.name, *(f"{v:.3f}" for v in of_place), *table_cells({**since, **feet})])
            rows[0] = [*head, *since, *feet]
    return rows


class _Staking:
    """Points out of tolerance: of every square the one that is off most, and none near a worse one."""

    def __init__(self, comparison: DesignComparison, step: float) -> None:
        self._c, self._step = comparison, step
        _, _, rows, columns = comparison.window
        self._across = max(1, round(step / comparison.cell))
        self._squares = math.ceil(columns / self._across)
        self._found: list[Floats] = []
        self._rows = rows

    def add(self, strip: Strip) -> None:
        """Take the worst of each square of some rows; cells covered by less than half don't count."""
        c = self._c
        out = ((strip.code == TOO_LOW) | (strip.code == TOO_HIGH)) & (strip.area >= _HALF)
        r, col = np.nonzero(out)
        if len(r) == 0:
            return
        down, across = strip.row + r, strip.column + col
        terrain, design = strip.terrain[r, col], strip.design[r, col]
        square = ((down - c.window[0]) // self._across) * self._squares + (
            across - c.window[1]
        ) // self._across
        self._found.append(_worst(np.column_stack([square, across + 0.5, down + 0.5, terrain, design])))

    def rows(self, axes: Sequence[AxisVolumes]) -> list[list[Any]]:
        """Return the table: the worst first, or along the axes where there are some."""
        c = self._c
        plan, up = _SUFFIXES.get(c.unit, "unit"), _SUFFIXES.get(c.up, "unit")
        head = ["point", f"easting_{plan}", f"northing_{plan}", f"terrain_{up}", f"design_{up}", f"cut_{up}",
                f"fill_{up}"]  # fmt: skip
        rows: list[list[Any]] = [head + (["axis", "station_m", "left_m"] if axes else [])]
        if not self._found:
            return rows
        points = self._apart(_worst(np.concatenate(self._found)))
        places = points[:, 1:3] * c.cell
        which, along, left = _beside(axes, places)
        order = np.lexsort((along, which)) if axes else np.arange(len(points))
        for number, i in enumerate(order):
            _, across, north, terrain, design = points[i]
            off = (terrain - design) / c.up
            place = (c.raster.left + across * c.raster.cell, c.raster.bottom + north * c.raster.cell)
            row = [number + 1, *(f"{v:.3f}" for v in (*place, terrain / c.up, design / c.up)),
                   f"{off:.3f}" if off > 0 else "", f"{-off:.3f}" if off < 0 else ""]  # fmt: skip
            if axes:
                row += [axes[which[i]].name, f"{along[i]:.3f}", f"{left[i]:.3f}"]
            rows.append(row)
        return rows

    def _apart(self, points: Floats) -> Floats:
        """Return points, the worst first, leaving out those within a step of a worse one that is kept."""
        order = np.lexsort((points[:, 1], points[:, 2], -np.abs(points[:, 3] - points[:, 4])))
        points = points[order]
        places = points[:, 1:3] * self._c.cell
        tree = cKDTree(places)
        kept = np.ones(len(points), bool)
        for i in range(len(points)):
            if kept[i]:
                near = np.asarray(tree.query_ball_point(places[i], self._step * (1 - 1e-9)))
                kept[near[near > i]] = False
        return points[kept]


def _worst(points: Floats) -> Floats:
    """Return of each square (the first column) the point that is off most; of equal ones the southernmost."""
    off = np.abs(points[:, 3] - points[:, 4])
    order = np.lexsort((points[:, 1], points[:, 2], -off, points[:, 0]))
    points = points[order]
    return np.asarray(points[np.r_[True, np.diff(points[:, 0]) != 0]])


def _beside(axes: Sequence[AxisVolumes], places: Floats) -> tuple[NDArray[np.int64], Floats, Floats]:
    """Return for each place the nearest axis, and where it lies along and beside it."""
    which = np.zeros(len(places), np.int64)
    along, left = np.zeros(len(places)), np.full(len(places), np.inf)
    for k, axis in enumerate(axes):
        station, side = beside_line(axis.line, places[:, 0], places[:, 1], math.inf)
        closer = np.abs(side) < np.abs(left)
        which[closer], along[closer], left[closer] = k, station[closer], side[closer]
    return which, along, left

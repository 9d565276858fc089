"""What a comparison of two dates leaves in a folder: rasters, tables, layers, a picture."""

from __future__ import annotations

from contextlib import ExitStack
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep import __version__
from cloudprep.io.atomic import make_folder
from cloudprep.io.raster_writing import written_on_cells
from cloudprep.io.vectors import write_layers
from cloudprep.measuring.areas import read_areas
from cloudprep.measuring.change import LOWERED, RAISED, UNSURE, significance
from cloudprep.measuring.difference_picture import DifferencePicture
from cloudprep.measuring.feet import with_feet
from cloudprep.measuring.outputs import as_columns, refuse_inputs, table_row, write_table
from cloudprep.model.crs import METRE
from cloudprep.model.layer import Layer

if TYPE_CHECKING:
    from pathlib import Path

    from cloudprep.measuring.change import ChangeReport, Comparison

CODES = {LOWERED: "lowered", UNSURE: "too little to tell", RAISED: "raised"}
_LEGEND = ("orange: lowered, blue: raised", "grey: too little to tell, white: no heights")


def write_change(comparison: Comparison, report: ChangeReport, out: Path) -> list[Path]:
    """Write all products of a comparison.

    Parameters
    ----------
    comparison : Comparison
        Still open.
    report : ChangeReport
        What it came to.
    out : Path
        The folder.

    Returns
    -------
    list of Path
        The files.

    Raises
    ------
    OutputError
        If one can't be written, or would be written over an input.
    """
    asked = comparison.request
    names = ("difference.tif", "significance.tif", "change.csv", "change.gpkg", "change.png")
    refuse_inputs([out / name for name in names], [asked.before, asked.after, asked.over, asked.stable])
    make_folder(out)
    rasters = [out / "difference.tif", out / "significance.tif"]
    picture = DifferencePicture(*comparison.window[2:], (LOWERED, RAISED))
    with ExitStack() as stack:
        unit = "metre"
        difference = stack.enter_context(
            written_on_cells(
                rasters[0], comparison.first, comparison.window,
                meaning="height after less height before", unit=unit, caution=report.caution,
            )
        )  # fmt: skip
        codes = stack.enter_context(
            written_on_cells(
                rasters[1], comparison.first, comparison.window, codes=CODES,
                meaning="whether the change is significant", caution=report.caution,
            )
        )  # fmt: skip
        for strip in comparison.strips():
            row = strip.row - comparison.window[0]
            code = significance(strip)
            difference.put(row, strip.difference)
            codes.put(row, code)
            picture.add(row, strip.difference, code)
    told = f"significant from {report.smallest}"
    drawn = picture.write(out / "change.png", report.cell, _LEGEND, told, report.caution)
    made = [*rasters, _table(report, out / "change.csv"), drawn]
    if comparison.request.over is not None:
        made.append(_layer(comparison, report, out / "change.gpkg"))
    return made


def _table(report: ChangeReport, target: Path) -> Path:
    figures = [with_feet(a.figures, report.foot) for a in report.areas]
    rows = [table_row(a.name, values) for a, values in zip(report.areas, figures, strict=True)]
    return write_table(target, [["name", *figures[0]], *rows])


def _layer(comparison: Comparison, report: ChangeReport, target: Path) -> Path:
    raster, over = comparison.first, comparison.request.over
    assert over is not None  # noqa: S101 - the caller looked
    unit = raster.crs.horizontal_unit or METRE
    areas = read_areas(over, raster)
    attributes: dict[str, Any] = {"name": np.array([a.name for a in report.areas], dtype=object)}
    attributes |= as_columns([with_feet(a.figures, report.foot) for a in report.areas])
    layer = Layer(
        "change", "polygon", np.array([a.shape for a in areas], dtype=object), attributes,
        "change between two dates",
    )  # fmt: skip
    origin = (raster.left * unit, raster.bottom * unit)
    write_layers([layer], target, raster.crs, origin, software=f"cloudprep {__version__}")
    return target

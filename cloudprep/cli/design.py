"""``cloudprep design``: what is still to do until the design is built."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cloudprep.cli.options import AsJson, Debug  # noqa: TC001 - typer reads the annotations
from cloudprep.cli.volume import (  # noqa: TC001
    FigureUnit,
    RandomError,
    SharedError,
    SharedOver,
    SystematicError,
)

if TYPE_CHECKING:
    from cloudprep.measuring.design import AreaToDo, DesignReport

NAME = "design"
HELP = """Compare a terrain with the surface to be built: cut and fill to do, and what is within tolerance.

\b
Examples:
  cloudprep design dtm.tif road.xml --out todo
  cloudprep design dtm.tif pit.dxf --surface FINAL --design-unit metre --tolerance 0.1 --out todo
  cloudprep design dtm.tif road.xml --axis centre.gpkg --station-step 20 --corridor-width 30 --out todo

The design is a LandXML file with a surface of triangles, a DXF drawing with 3D faces, polyface meshes or
meshes (pip install 'cloudprep[dxf]'), or a raster of heights. Triangles are taken exactly: a cell that their
outline cuts counts by the covered part.

\b
In DIR:
  difference.tif  terrain less design, m
  tolerance.tif   1 too low, 2 within the tolerance, 3 too high
  design.csv      cut, fill, areas within, above and below
  staking.csv     points out of tolerance, in the terrain's own units: of every square of --staking-step
                  the worst, none nearer than that to a worse one; the worst first, or along --axis
  design.png      a picture
  stations.csv    (--axis) areas of sections square to the axis, and volumes since the station before: by
                  average end areas, by these with pyramids where one area is 0, and prismoidal with the
                  section half-way

Figures are metres. Where the terrain's plan is in feet, or --unit names a foot, they are given in that foot
too: square feet and acres, cubic feet, and cubic yards of 27 cubic feet. Rasters stay in metres.
"""

_IN_FEET = ("measured_ft2", "cut_yd3", "fill_yd3", "net_yd3", "interval_95_yd3", "within_ft2", "above_ft2",
            "below_ft2")  # fmt: skip
_AXIS_IN_FEET = ("length_ft", "cut_end_areas_yd3", "fill_end_areas_yd3", "cut_prismoidal_yd3",
                 "fill_prismoidal_yd3")  # fmt: skip

Terrain = Annotated[Path, typer.Argument(metavar="TERRAIN", help="A raster of heights.", show_default=False)]
DesignPath = Annotated[
    Path,
    typer.Argument(metavar="DESIGN", help="LandXML, DXF, or a raster of heights.", show_default=False),
]
Out = Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder of the results.", show_default=False)]
Tolerance = Annotated[
    float, typer.Option("--tolerance", min=0, metavar="METRES", help="Heights may differ by this much.")
]
Boundary = Annotated[
    Path | None,
    typer.Option(
        "--boundary",
        metavar="AREAS",
        help="Polygons to measure within; the design's own outline if left out.",
        show_default=False,
    ),
]
Axis = Annotated[
    Path | None,
    typer.Option("--axis", metavar="LINES", help="Cut sections along these lines.", show_default=False),
]
StationStep = Annotated[
    float, typer.Option("--station-step", min=0.001, metavar="METRES", help="Distance of sections.")
]
Stations = Annotated[
    str | None,
    typer.Option(
        "--stations",
        metavar="METRES,...",
        help="Stations instead of even ones: 0,50,75.",
        show_default=False,
    ),
]
Width = Annotated[
    float,
    typer.Option(
        "--corridor-width", min=0.001, metavar="METRES", help="Length of sections, half on either side."
    ),
]
StakingStep = Annotated[
    float | None,
    typer.Option(
        "--staking-step",
        min=0.001,
        metavar="METRES",
        help="Least distance of points to stake out; ten cells if left out.",
        show_default=False,
    ),
]
Surface = Annotated[
    str | None,
    typer.Option(
        "--surface",
        metavar="NAME",
        help="Which surface of a LandXML file, or layer of a drawing.",
        show_default=False,
    ),
]
DesignCrs = Annotated[
    str | None,
    typer.Option(
        "--design-crs",
        metavar="EPSG:n[+m]",
        help="Reference system of a design that names none.",
        show_default=False,
    ),
]
DesignUnit = Annotated[
    str | None,
    typer.Option(
        "--design-unit",
        metavar="metre|foot|us_survey_foot",
        help="Unit of the design, plan and heights.",
        show_default=False,
    ),
]
SwapAxes = Annotated[
    bool, typer.Option("--swap-axes", help="The design has easting and northing the other way round.")
]


def command(
    terrain: Terrain,
    design: DesignPath,
    out: Out,
    tolerance: Tolerance = 0.05,
    boundary: Boundary = None,
    axis: Axis = None,
    station_step: StationStep = 20.0,
    stations: Stations = None,
    corridor_width: Width = 40.0,
    staking_step: StakingStep = None,
    surface: Surface = None,
    design_crs: DesignCrs = None,
    design_unit: DesignUnit = None,
    swap_axes: SwapAxes = False,
    random_error: RandomError = None,
    shared_error: SharedError = None,
    shared_over: SharedOver = None,
    systematic_error: SystematicError = None,
    unit: FigureUnit = None,
    as_json: AsJson = False,
    debug: Debug = False,  # noqa: ARG001 - the guard reads it
) -> None:
    """Compare a terrain with a design."""
    from contextlib import ExitStack

    from cloudprep.cli.console import put, put_json, tell
    from cloudprep.cli.volume import given_errors
    from cloudprep.errors import UsageError
    from cloudprep.measuring.design import DesignComparison, DesignRequest, measure_design
    from cloudprep.measuring.design_files import write_design
    from cloudprep.measuring.design_reading import DesignSource
    from cloudprep.measuring.design_sections import AxisRequest, cut_along
    from cloudprep.measuring.outputs import refuse_urls

    refuse_urls("design", terrain, design, boundary, axis, out)
    check_unit(design_unit)
    if stations is not None and axis is None:
        raise UsageError("--stations are along --axis LINES")
    source = DesignSource(design, surface, design_crs, design_unit, swap_axes)
    errors = given_errors(random_error, shared_error, shared_over, systematic_error)
    request = DesignRequest(terrain, source, tolerance, boundary, errors, unit)
    cut = None if axis is None else AxisRequest(axis, station_step, corridor_width, _numbers(stations))
    with ExitStack() as stack:
        comparison = DesignComparison(request, stack)
        axes = () if cut is None else cut_along(comparison, cut)
        report = measure_design(comparison, axes)
        for path in write_design(comparison, report, out, staking_step=staking_step, axis=axis):
            tell(f"written: {path}")
    for note in report.assumed:
        tell(f"assumed: {note}")
    for note in report.warnings:
        tell(f"warning: {note}")
    put_json(report.as_dict()) if as_json else put(report_text(report))


def check_unit(unit: str | None) -> None:
    """Refuse a unit that isn't known.

    Raises
    ------
    UsageError
        With those that are.
    """
    from cloudprep.errors import UsageError
    from cloudprep.measuring.design_reading import UNITS

    if unit is not None and unit not in UNITS:
        raise UsageError(f"--design-unit {unit}: give {', '.join(UNITS)}")


def _numbers(text: str | None) -> tuple[float, ...] | None:
    from math import isfinite

    from cloudprep.errors import UsageError

    if text is None:
        return None
    try:
        found = tuple(float(word) for word in text.split(","))
    except ValueError:
        found = (float("nan"),)
    if not all(isfinite(v) for v in found):
        raise UsageError(f"--stations {text}: give metres with commas between, such as 0,50,75")
    return found


def report_text(report: DesignReport) -> str:
    """Return a comparison with a design for people."""
    from cloudprep.cli.foot_table import foot_lines

    names = [a.name for a in report.areas] + [a.surface.name for a in report.axes]
    wide = max([4, *(len(name) for name in names)])
    head = f"{'area':<{wide}}{'m2':>12}{'cut m3':>13}{'fill m3':>13}{'net m3':>13}{'+- 95 %':>11}"
    head += f"{'within':>9}{'above':>8}{'below':>8}"
    lines = [
        f"{report.terrain} less {report.surface} of {report.design}",
        f"cells of {report.cell:g} m, {report.reference}",
        "",
        head,
    ]
    lines += [_row(a, wide) for a in report.areas]
    lines.append(f"within, above, below: shares of the area by the tolerance of {report.tolerance:g} m")
    for axis in report.axes:
        lines += [
            "",
            f"axis {axis.name}: {len(axis.stations)} stations",
            f"{'':<34}{'cut m3':>13}{'fill m3':>13}",
        ]
        for words, rule in (
            ("average end areas", "end_areas"),
            ("with pyramids where one area is 0", "pyramids"),
            ("prismoidal", "prismoidal"),
        ):
            found = axis.total(rule)
            lines.append(f"{words:<34}{found.cut:>13,.2f}{found.fill:>13,.2f}")
        lines.append(
            f"{'all cells of the same corridor':<34}{axis.surface.cut:>13,.2f}{axis.surface.fill:>13,.2f}"
        )
    if report.foot is not None:
        rows = [(a.name, a.figures) for a in report.areas]
        lines += ["", *foot_lines(rows, report.foot, wide, _IN_FEET)]
        if report.axes:
            rows = [(axis.name, axis.figures) for axis in report.axes]
            lines += ["", *foot_lines(rows, report.foot, wide, _AXIS_IN_FEET, kind="axis")]
    return "\n".join([*lines, "", report.errors, report.caution])


def _row(a: AreaToDo, wide: int) -> str:
    interval = "-" if a.interval_95 is None else f"{a.interval_95:,.1f}"
    shares = [v / a.measured if a.measured else 0.0 for v in (a.within, a.above, a.below)]
    return (
        f"{a.name:<{wide}}{a.measured:>12,.1f}{a.cut:>13,.2f}{a.fill:>13,.2f}{a.net:>13,.2f}{interval:>11}"
        f"{shares[0]:>9.1%}{shares[1]:>8.1%}{shares[2]:>8.1%}"
    )

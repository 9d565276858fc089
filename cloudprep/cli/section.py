"""``cloudprep section``: heights along lines."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cloudprep.cli.options import AsJson, Debug  # noqa: TC001 - typer reads the annotations
from cloudprep.cli.volume import LayerName  # noqa: TC001 - typer reads the annotations

if TYPE_CHECKING:
    from cloudprep.measuring.section import SectionReport

NAME = "section"
HELP = """Cut sections through terrains, surfaces, earlier dates and clouds, along lines.

\b
Examples:
  cloudprep section dtm.tif --along axis.gpkg --out sections
  cloudprep section may.tif june.tif june.laz --along lines.geojson --width 2 --out sections

For each line there come a table of stations, a table of grades (with distances in plan and along the slope),
and a picture as SVG and PNG, its scale stated;
sections.dxf holds all profiles as lines in space. Points of a cloud are shown in the colours of their
classes.
"""

Sources = Annotated[
    list[Path],
    typer.Argument(
        metavar="TERRAIN_OR_CLOUD", help="Rasters of heights, .las or .laz files.", show_default=False
    ),
]
Along = Annotated[
    Path, typer.Option("--along", metavar="LINES", help="Lines to cut along.", show_default=False)
]
Out = Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder of the results.", show_default=False)]
Width = Annotated[
    float,
    typer.Option(
        "--width", min=0, metavar="METRES", help="Points this far apart across the line belong to it."
    ),
]
Step = Annotated[
    float | None,
    typer.Option(
        "--step",
        min=0.001,
        metavar="METRES",
        help="Distance of stations; half a cell if left out.",
        show_default=False,
    ),
]
Tolerance = Annotated[
    float,
    typer.Option("--tolerance", min=0, metavar="METRES", help="Grades are straight within this."),
]


def command(
    sources: Sources,
    along: Along,
    out: Out,
    width: Width = 1.0,
    step: Step = None,
    tolerance: Tolerance = 0.05,
    layer: LayerName = None,
    as_json: AsJson = False,
    debug: Debug = False,  # noqa: ARG001 - the guard reads it
) -> None:
    """Cut sections along lines."""
    from cloudprep.cli.console import put, put_json, tell
    from cloudprep.measuring.section import cut_sections, write_sections

    report = cut_sections(sources, along, width=width, step=step, tolerance=tolerance, layer=layer)
    _, notes = write_sections(report, out)
    for note in report.assumed:
        tell(f"assumed: {note}")
    for note in notes:
        tell(f"note: {note}")
    put_json(report.as_dict()) if as_json else put(report_text(report, out))


def report_text(report: SectionReport, out: Path) -> str:
    """Return what came of it, for people."""
    lines = []
    for section in report.sections:
        lines.append(f"section {section.name}: {section.length:,.2f} m in plan")
        for p in section.profiles:
            gaps = section.length - p.horizontal
            told = f", {gaps:,.1f} m without heights" if gaps > 1e-6 * section.length else ""
            lines.append(
                f"  {p.source}: {p.horizontal:,.2f} m in plan, {p.slope_length:,.2f} m along the slope, "
                f"{len(p.segments)} grades{told}"
            )
        lines += [f"  {c.source}: {len(c.along):,} points" for c in section.clouds]
    return "\n".join([*lines, "", f"{len(report.files)} files in {out}", report.caution])

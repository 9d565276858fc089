"""``cloudprep section``: heights along lines."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cloudprep.cli.design import DesignCrs, DesignUnit, Surface, SwapAxes  # noqa: TC001
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
  cloudprep section june.tif road.xml --along axis.gpkg --out sections

Designs are LandXML files with a surface of triangles and DXF drawings with faces (pip install
'cloudprep[dxf]'); a design as a raster is given like a terrain. They are cut exactly, and end where they end.

For each line there come a table of stations, a table of grades (with distances in plan and along the slope),
and a picture as SVG and PNG, its scale stated;
sections.dxf holds all profiles as lines in space. Points of a cloud are shown in the colours of their
classes.
"""

Sources = Annotated[
    list[Path],
    typer.Argument(
        metavar="TERRAIN_OR_CLOUD",
        help="Rasters of heights, .las or .laz files, designs as .xml or .dxf.",
        show_default=False,
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
    surface: Surface = None,
    design_crs: DesignCrs = None,
    design_unit: DesignUnit = None,
    swap_axes: SwapAxes = False,
    as_json: AsJson = False,
    debug: Debug = False,  # noqa: ARG001 - the guard reads it
) -> None:
    """Cut sections along lines."""
    from functools import partial

    from cloudprep.cli.console import put, put_json, tell
    from cloudprep.cli.design import check_unit
    from cloudprep.errors import UsageError
    from cloudprep.measuring.design_reading import FACES, DesignSource
    from cloudprep.measuring.outputs import refuse_urls
    from cloudprep.measuring.section import cut_sections
    from cloudprep.measuring.section_files import write_sections

    refuse_urls("section", *sources, along, out)
    check_unit(design_unit)
    told = surface or design_crs or design_unit or swap_axes
    if told and not any(path.suffix.lower() in FACES for path in sources):
        raise UsageError(
            "--surface, --design-crs, --design-unit and --swap-axes are for designs in LandXML or DXF: none "
            "is given"
        )
    design = partial(DesignSource, surface=surface, crs=design_crs, unit=design_unit, swapped=swap_axes)
    report = cut_sections(
        sources, along, width=width, step=step, tolerance=tolerance, layer=layer, design=design
    )
    _, notes = write_sections(report, out)
    for note in report.assumed:
        tell(f"assumed: {note}")
    for note in report.warnings:
        tell(f"warning: {note}")
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
            name = f"design {p.source}" if p.designed else p.source
            lines.append(
                f"  {name}: {p.horizontal:,.2f} m in plan, {p.slope_length:,.2f} m along the slope, "
                f"{len(p.segments)} grades{told}"
            )
        lines += [f"  {c.source}: {len(c.along):,} points" for c in section.clouds]
    return "\n".join([*lines, "", f"{len(report.files)} files in {out}", report.caution])

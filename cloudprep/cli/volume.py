"""``cloudprep volume``: volumes over areas."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from cloudprep.cli.options import AsJson, Debug  # noqa: TC001 - typer reads the annotations

if TYPE_CHECKING:
    from cloudprep.kernels.volume_error import HeightErrors
    from cloudprep.measuring.volumes import VolumeReport

NAME = "volume"
HELP = """Measure volumes between a terrain and a base, over areas.

\b
Examples:
  cloudprep volume site/terrain/dtm.tif --over piles.gpkg
  cloudprep volume dtm.tif --over pit.geojson --base level:102.5
  cloudprep volume site/terrain/dtm.tif --over piles.gpkg --out volumes.csv
  cloudprep volume dtm.tif --over pit.gpkg --unit us_survey_foot
  cloudprep volume after.tif --over piles.gpkg --base before.tif --random-error 0.04 --systematic-error 0.02

Areas are polygons with any attributes; a name and a density (t/m3) among them are used. A cell counts by the
part of it that the area covers.

\b
Bases:
  lowest-edge    the level of the lowest terrain along the edge (for piles on flat ground)
  edge-plane     the plane that fits the terrain along the edge best
  edge-surface   the surface that the terrain along the edge spans (for uneven ground)
  level:Z        a level, in the terrain's unit of heights
  FILE           another terrain: an earlier date

Figures are metres. Where the terrain's plan is in feet, or --unit names a foot, they are given in that foot
too: square feet and acres, cubic feet, and cubic yards of 27 cubic feet.

The interval holds what is known of errors: of single cells (the raster of standard errors beside the
terrain, or --random-error), shared by neighbours, and systematic. A base that follows from the edge has the
errors of the terrain along it, and is in the interval; where the base is FILE, errors are those of
differences, or both terrains have a raster of standard errors.
"""

_IN_FEET = ("measured_ft2", "cut_ft3", "fill_ft3", "cut_yd3", "fill_yd3", "net_yd3", "interval_95_yd3")

Terrain = Annotated[Path, typer.Argument(metavar="TERRAIN", help="A raster of heights.", show_default=False)]
Over = Annotated[
    Path, typer.Option("--over", metavar="AREAS", help="Polygons to measure over.", show_default=False)
]
BaseName = Annotated[str, typer.Option("--base", metavar="BASE", help="What to measure from: see above.")]
LayerName = Annotated[
    str | None,
    typer.Option(
        "--layer", metavar="NAME", help="Which layer of AREAS, where it has several.", show_default=False
    ),
]
RandomError = Annotated[
    float | None,
    typer.Option(
        "--random-error",
        min=0,
        metavar="METRES",
        help="Standard deviation from cell to cell.",
        show_default=False,
    ),
]
SharedError = Annotated[
    float | None,
    typer.Option(
        "--shared-error",
        min=0,
        metavar="METRES",
        help="Standard deviation that neighbours share.",
        show_default=False,
    ),
]
SharedOver = Annotated[
    float | None,
    typer.Option(
        "--shared-over",
        min=0,
        metavar="METRES",
        help="How far they share it (a variogram's range).",
        show_default=False,
    ),
]
SystematicError = Annotated[
    float | None,
    typer.Option(
        "--systematic-error", min=0, metavar="METRES", help="Error alike everywhere.", show_default=False
    ),
]
FigureUnit = Annotated[
    Literal["metre", "foot", "us_survey_foot"] | None,
    typer.Option(
        "--unit",
        help="Unit of figures besides metres; that of the terrain's plan if left out.",
        show_default=False,
    ),
]
Out = Annotated[
    Path | None,
    typer.Option(
        "--out",
        metavar="FILE",
        help="Write a table (.csv), or the areas with their volumes (.gpkg).",
        show_default=False,
    ),
]


def command(
    terrain: Terrain,
    over: Over,
    base: BaseName = "lowest-edge",
    layer: LayerName = None,
    random_error: RandomError = None,
    shared_error: SharedError = None,
    shared_over: SharedOver = None,
    systematic_error: SystematicError = None,
    unit: FigureUnit = None,
    out: Out = None,
    as_json: AsJson = False,
    debug: Debug = False,  # noqa: ARG001 - the guard reads it
) -> None:
    """Measure volumes between a terrain and a base, over areas."""
    from cloudprep.cli.console import put, put_json, tell
    from cloudprep.measuring.outputs import refuse_urls
    from cloudprep.measuring.volumes import measure_volumes

    refuse_urls("volume", terrain, over, base, out)
    if out is not None:
        from cloudprep.measuring.volume_files import check_target, write_volumes

        check_target(out, terrain, over, base)
    errors = given_errors(random_error, shared_error, shared_over, systematic_error)
    report = measure_volumes(terrain, over, base=base, layer=layer, errors=errors, unit=unit)
    if out is not None:
        tell(f"written: {write_volumes(report, out, layer)}")
    for note in report.assumed:
        tell(f"assumed: {note}")
    for note in report.warnings:
        tell(f"warning: {note}")
    put_json(report.as_dict()) if as_json else put(report_text(report))


def given_errors(
    random: float | None, shared: float | None, over: float | None, systematic: float | None
) -> HeightErrors | None:
    """Return the errors that options give, or None where none is given."""
    from cloudprep.errors import UsageError
    from cloudprep.kernels.volume_error import HeightErrors

    if (shared is None) != (over is None):
        raise UsageError("--shared-error and --shared-over go together")
    given = (random, shared, over, systematic)
    return None if all(v is None for v in given) else HeightErrors(*(v or 0.0 for v in given))


def report_text(report: VolumeReport) -> str:
    """Return volumes for people."""
    from cloudprep.cli.foot_table import foot_lines
    from cloudprep.measuring.volumes import total_of

    wide = max([4, *(len(v.name) for v in report.volumes)])
    head = f"{'area':<{wide}}{'m2':>12}{'cut m3':>14}{'fill m3':>14}{'net m3':>14}{'+- 95 %':>10}"
    head += f"{'mean m':>9}{'t':>12}"
    lines = [f"terrain {report.terrain}, cells of {report.cell:g} m, {report.reference}", "", head]
    for v in report.volumes:
        interval = "-" if v.error is None else f"{v.error.interval_95:,.1f}"
        mean = "-" if v.mean is None else f"{v.mean:,.2f}"
        tonnes = "-" if v.tonnes is None else f"{v.tonnes:,.1f}"
        lines.append(
            f"{v.name:<{wide}}{v.measured:>12,.1f}{v.cut:>14,.2f}{v.fill:>14,.2f}{v.net:>14,.2f}"
            f"{interval:>10}{mean:>9}{tonnes:>12}"
        )
    cut, fill, net = total_of(report.volumes)
    if len(report.volumes) > 1:
        lines.append(f"{'all':<{wide}}{'':>12}{cut:>14,.2f}{fill:>14,.2f}{net:>14,.2f}")
    if report.foot is not None:
        rows = [(v.name, v.figures) for v in report.volumes]
        lines += ["", *foot_lines(rows, report.foot, wide, _IN_FEET, summed=True)]
    lines.append("")
    lines += [f"{v.name}: from the {v.base}" for v in report.volumes]
    return "\n".join([*lines, report.errors, "", report.caution])

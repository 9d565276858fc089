"""``cloudprep checkpoints``: vertical accuracy against surveyed points."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from cloudprep.cli.options import AsJson, Debug  # noqa: TC001 - typer reads the annotations

if TYPE_CHECKING:
    from cloudprep.kernels.accuracy import ResidualStatistics
    from cloudprep.measuring.checkpoints import CheckpointReport

NAME = "checkpoints"
HELP = """Compare a terrain model or a classified cloud with surveyed points.

\b
Examples:
  cloudprep checkpoints site/terrain/dtm.tif survey.csv --survey-error 0.02
  cloudprep checkpoints site/clouds/north.laz survey.csv --land-cover cover
  cloudprep checkpoints dtm.tif points.txt --columns name,northing,easting,height
  cloudprep checkpoints dtm.tif rover.csv --points-crs EPSG:4326 --points-unit metre

The file has a point a line: name, easting, northing, height, and whatever else; a heading tells the columns,
or --columns does. Commas, semicolons, tabs or spaces part them; decimals may have commas. With --points-crs,
which may be one of degrees, --points-unit is the unit of heights alone. Points off the product or on its
gaps, lines that can't be read and points that come twice are reported, and don't count.

A residual is the product less the survey. A raster is read between its cell centres, a cloud within the
triangle of its ground points (class 2).
"""

Product = Annotated[
    Path,
    typer.Argument(
        metavar="TERRAIN_OR_CLOUD", help="A raster of heights, or a .las or .laz file.", show_default=False
    ),
]
Points = Annotated[
    Path, typer.Argument(metavar="POINTS.csv", help="The surveyed points.", show_default=False)
]
SurveyError = Annotated[
    float | None,
    typer.Option(
        "--survey-error",
        min=0,
        metavar="METRES",
        help="RMSE of the survey of the points itself.",
        show_default=False,
    ),
]
LandCover = Annotated[
    str | None,
    typer.Option(
        "--land-cover", metavar="COLUMN", help="Column that tells what grows at a point.", show_default=False
    ),
]
Vegetated = Annotated[
    str | None,
    typer.Option(
        "--vegetated",
        metavar="A,B",
        help="Land covers that count as vegetated, where their names don't tell.",
        show_default=False,
    ),
]
Columns = Annotated[
    str | None,
    typer.Option(
        "--columns",
        metavar="A,B,...",
        help="What the columns are, in order: name, easting, northing, height, and any word for others.",
        show_default=False,
    ),
]
PointsCrs = Annotated[
    str | None,
    typer.Option(
        "--points-crs",
        metavar="EPSG:n",
        help="Reference system of the points, if another one.",
        show_default=False,
    ),
]
PointsUnit = Annotated[
    Literal["metre", "foot", "us_survey_foot"] | None,
    typer.Option("--points-unit", help="Unit of the points, if another one.", show_default=False),
]


def command(
    product: Product,
    points: Points,
    survey_error: SurveyError = None,
    land_cover: LandCover = None,
    vegetated: Vegetated = None,
    columns: Columns = None,
    points_crs: PointsCrs = None,
    points_unit: PointsUnit = None,
    as_json: AsJson = False,
    debug: Debug = False,  # noqa: ARG001 - the guard reads it
) -> None:
    """Compare a terrain model or a classified cloud with surveyed points."""
    from cloudprep.cli.console import put, put_json, tell
    from cloudprep.config import checked_reference
    from cloudprep.measuring.checkpoints import check_points
    from cloudprep.measuring.outputs import refuse_urls

    refuse_urls("checkpoints", product, points)
    report = check_points(
        product,
        points,
        columns=columns.split(",") if columns is not None else None,
        survey_error=survey_error,
        land_cover=land_cover,
        vegetated=vegetated.split(",") if vegetated is not None else (),
        points_crs=checked_reference(points_crs) if points_crs is not None else None,
        points_unit=points_unit,
    )
    for note in report.assumed:
        tell(f"assumed: {note}")
    for note in report.warnings:
        tell(f"warning: {note}")
    put_json(report.as_dict()) if as_json else put(report_text(report))


def report_text(report: CheckpointReport) -> str:
    """Return a comparison for people."""
    counted = [p for p in report.points if not p.left_out]
    lines = [
        f"{len(counted)} of {len(report.points)} checkpoints count; heights of the product: {report.manner}"
    ]
    for word, found in (("open ground", report.open_ground), ("vegetated", report.vegetated)):
        if found is not None:
            lines += ["", f"residuals over {word}, m (product less survey)", *_figures(found)]
    lines += ["", "worst points"]
    lines += [f"  {p.name:<20}{p.residual:+10.3f} m   line {p.line}" for p in report.worst()]
    out = [f"  line {p.line} {p.name}: {p.left_out}" for p in report.points if p.left_out]
    out += [f"  line {number}: {reason}" for number, reason in report.skipped]
    if out:
        lines += ["", "left out", *out]
    lines += ["", *report.statements, "", report.caution]
    return "\n".join(lines)


def _figures(found: ResidualStatistics) -> list[str]:
    def metres(value: float | None) -> str:
        return "-" if value is None else f"{value:.4f}"

    rows = (
        ("checkpoints", str(found.count)),
        ("mean", metres(found.mean)),
        ("median", metres(found.median)),
        ("standard deviation (n - 1)", metres(found.deviation)),
        ("RMSE", metres(found.rmse)),
        ("normalised median deviation", metres(found.nmad)),
        ("skew", "-" if found.skew is None else f"{found.skew:.2f}"),
        ("lowest, highest", f"{metres(found.lowest)}, {metres(found.highest)}"),
        ("95th percentile of sizes", metres(found.percentile_95)),
        ("1.96 x RMSE", metres(found.nva_95)),
        ("chance of such a mean without bias", "-" if found.bias_p is None else f"{found.bias_p:.3f}"),
    )
    return [f"  {word:<36}{value:>18}" for word, value in rows]

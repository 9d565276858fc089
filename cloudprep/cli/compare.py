"""``cloudprep compare``: what changed between two runs of the same inputs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cloudprep.cli.options import AsJson, Debug  # noqa: TC001 - typer reads the annotations

if TYPE_CHECKING:
    from rich.console import RenderableType

    from cloudprep.runs.compare import RunComparison

NAME = "compare"
HELP = """Tell what changed between two runs of the same inputs.

\b
Examples:
  cloudprep compare before after
  cloudprep compare before after --labels-changed 0.001 --height-difference 0.01
  cloudprep compare before after --out difference --json

The check before a pipeline or a new version is put to use: run both on the same flights and compare. Labels
are compared point by point, rasters cell by cell; figures, parameters, versions and gates side by side.
Whatever differs is told. Without tolerances any other label, cell or product is too much (exit code 3);
figures, parameters and versions are only told, and so are layers and pictures whose bytes differ. A gate that
passed and now fails, an input or a file that is missing, and what can't be compared are always too much.
"""

RunA = Annotated[Path, typer.Argument(metavar="RUN_A", help="Folder of the first run.", show_default=False)]
RunB = Annotated[Path, typer.Argument(metavar="RUN_B", help="Folder of the second run.", show_default=False)]
Out = Annotated[
    Path | None,
    typer.Option(
        "--out",
        metavar="DIR",
        help="Folder for comparison.json and comparison.xml (JUnit).",
        show_default=False,
    ),
]
LabelsChanged = Annotated[
    float,
    typer.Option(
        "--labels-changed",
        min=0,
        max=1,
        metavar="SHARE",
        help="Share of a flight's points that may have another class or withheld flag.",
    ),
]
DimensionsChanged = Annotated[
    float,
    typer.Option(
        "--dimensions-changed",
        min=0,
        max=1,
        metavar="SHARE",
        help="Share of a flight's points that may have another value of an extra dimension.",
    ),
]
HeightDifference = Annotated[
    float,
    typer.Option(
        "--height-difference",
        min=0,
        metavar="METRES",
        help="By how much cells of rasters of heights may differ.",
    ),
]
ValueDifference = Annotated[
    float,
    typer.Option(
        "--value-difference",
        min=0,
        metavar="NUMBER",
        help="By how much cells of other rasters may differ, in their own unit.",
    ),
]
CellsBeyond = Annotated[
    float,
    typer.Option(
        "--cells-beyond",
        min=0,
        max=1,
        metavar="SHARE",
        help="Share of a raster's cells that may differ by more, have another code, or be in one run only.",
    ),
]

_VERDICTS = {"same": "same", "within": "within", "beyond": "TOO MUCH", "told": ""}
_MOST_ROWS = 60


def command(
    run_a: RunA,
    run_b: RunB,
    out: Out = None,
    labels_changed: LabelsChanged = 0.0,
    dimensions_changed: DimensionsChanged = 0.0,
    height_difference: HeightDifference = 0.0,
    value_difference: ValueDifference = 0.0,
    cells_beyond: CellsBeyond = 0.0,
    as_json: AsJson = False,
    debug: Debug = False,  # noqa: ARG001 - the guard reads it
) -> None:
    """Tell what changed between two runs of the same inputs."""
    from cloudprep.cli.console import put, put_json, put_rendered, tell
    from cloudprep.runs.compare import Tolerances, compare_runs
    from cloudprep.runs.compare_files import write_comparison

    tolerances = Tolerances(
        labels_changed, dimensions_changed, height_difference, value_difference, cells_beyond
    )
    found = compare_runs(run_a, run_b, tolerances)
    if out is not None:
        for path in write_comparison(found, out):
            tell(f"written: {path}")
    if as_json:
        put_json(found.as_dict())
    else:
        put_rendered(*comparison_tables(found))
        put(summary(found))
    raise typer.Exit(found.exit_code)


def summary(found: RunComparison) -> str:
    """Return the outcome in a line."""
    beyond = sum(one.verdict == "beyond" for one in found.findings)
    if beyond:
        return f"{beyond} {'thing differs' if beyond == 1 else 'things differ'} by more than the tolerance"
    if any(one.verdict == "within" for one in found.findings):
        return "the runs differ within the tolerance"
    if any(one.verdict == "told" for one in found.findings):
        return "labels and rasters are the same; what else differs is told above"
    return "the runs are the same"


def comparison_tables(found: RunComparison) -> list[RenderableType]:
    """Return what was found, what differs most first, the classes of all points, and figures that differ."""
    from cloudprep.cli.tables import change_table, class_change_table, figure_table
    from cloudprep.judging.words import plain, short_names
    from cloudprep.runs.compare_records import side_by_side

    names = short_names(one.name for one in found.findings)
    order = ("beyond", "within", "told", "same")
    findings = sorted(found.findings, key=lambda one: order.index(one.verdict))
    rows = [
        (one.about, plain(names[one.name]), _VERDICTS[one.verdict], plain(one.text))
        for one in findings[:_MOST_ROWS]
    ]
    if len(findings) > _MOST_ROWS:
        rows.append(("", f"and {len(findings) - _MOST_ROWS} more (--json has them)", "", ""))
    tables: list[RenderableType] = [change_table(rows)]
    if found.together.relabelled:
        tables.append(class_change_table(found.together.changes()))
    figures = side_by_side(found.first.record.get("figures", {}), found.second.record.get("figures", {}))
    differing = {name: one for name, one in figures.items() if one["first"] != one["second"]}
    if differing:
        tables.append(figure_table(differing))
    return tables

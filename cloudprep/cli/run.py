"""``cloudprep run``: a pipeline on the flights of one site."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from cloudprep.cli.options import AsJson, Debug, Inputs, PipelineName, Quiet, Verbose  # noqa: TC001 - typer reads the annotations

if TYPE_CHECKING:
    from cloudprep.engine.run import RunOutcome

NAME = "run"
HELP = """Run a pipeline on the flights of one site.

\b
Examples:
  cloudprep run bare_earth flights/ --out site
  cloudprep run quarry.yaml day1.laz day2.laz --out quarry --workers 4
  cloudprep run bare_earth "flights/*.laz" --out site --dry-run
  cloudprep run bare_earth county/ --out county --memory 4GB --scratch /fast/disk
  cloudprep run bare_earth county/ --out county --engine dask --scheduler 10.0.0.5:8786 --scratch /shared
  cloudprep run bare_earth county/ --out site --boundary site.gpkg
  cloudprep run bare_earth old.las --out site --assume-crs EPSG:25832+7837
  cloudprep run bare_earth "s3://flights/day1/*.laz" --out s3://results/day1

All flights of a run are one site: neighbourhoods cross from one flight to the next, and each flight is
delivered as its own file under OUT/clouds. The terrain model comes to OUT/terrain, the record of what was
done to OUT/run.json. The inputs are never changed.
"""

Out = Annotated[
    str,
    typer.Option("--out", metavar="DIR", help="Folder of the results, or its URL.", show_default=False),
]
Workers = Annotated[
    int | None,
    typer.Option(
        "--workers",
        min=1,
        metavar="N",
        help="Processors to use; all if left out. The results don't depend on it.",
        show_default=False,
    ),
]
Memory = Annotated[
    str | None,
    typer.Option(
        "--memory",
        metavar="SIZE",
        help="Memory to use, such as 4GB; 60 % of the machine's if left out. Points that don't fit are held "
        "in files meanwhile. The results don't depend on it.",
        show_default=False,
    ),
]
Scratch = Annotated[
    Path | None,
    typer.Option(
        "--scratch",
        metavar="DIR",
        help="Folder for these files (best on a fast disk); OUT if left out. They are gone at the end.",
        show_default=False,
    ),
]
EngineName = Annotated[
    Literal["threads", "dask"],
    typer.Option(
        "--engine",
        help="Who works on the site: threads of this process, or workers of a dask cluster "
        "(as many processes as --workers says, unless --scheduler names a cluster that is there). "
        "The results don't depend on it.",
    ),
]
Scheduler = Annotated[
    str | None,
    typer.Option(
        "--scheduler",
        metavar="ADDRESS",
        help="Address of a dask scheduler, for --engine dask. Its workers must share the --scratch folder; "
        "--memory is then for each of them.",
        show_default=False,
    ),
]
Cell = Annotated[
    float | None,
    typer.Option(
        "--cell",
        min=0.001,
        metavar="METRES",
        help="Cell size of all rasters that the pipeline gives none; from the point spacing if left out.",
        show_default=False,
    ),
]
BoundaryFile = Annotated[
    Path | None,
    typer.Option(
        "--boundary",
        metavar="FILE",
        help="Polygons of the area to deliver (GeoPackage, shapefile, GeoJSON, KML; any reference system): "
        "rasters hold nothing outside, layers are cut, clouds come without the points outside. Points within "
        "100 m still shape the edge, points farther away are used for nothing; a pipeline's 'boundary:' "
        "section says otherwise, or names a layer.",
        show_default=False,
    ),
]
DryRun = Annotated[bool, typer.Option("--dry-run", help="Show steps, memory and outputs, and touch nothing.")]
Overwrite = Annotated[bool, typer.Option("--overwrite", help="Replace a finished run in the folder.")]
Resume = Annotated[
    bool,
    typer.Option(
        "--resume",
        help="Leave a finished run of just this alone, with the exit code it had; do it if it is unfinished, "
        "or again if inputs, pipeline, version or results have changed.",
    ),
]
Report = Annotated[
    bool,
    typer.Option(
        "--report/--no-report",
        help="Write OUT/report.html, the run as one page for people, or don't; a pipeline's "
        "'output: {report: false}' leaves it out, too.",
    ),
]
AssumeCrs = Annotated[
    str | None,
    typer.Option(
        "--assume-crs",
        metavar="EPSG:n[+m]",
        help="Reference system of flights that carry none; m is the height system.",
        show_default=False,
    ),
]


def command(
    pipeline: PipelineName,
    inputs: Inputs,
    out: Out,
    workers: Workers = None,
    memory: Memory = None,
    scratch: Scratch = None,
    engine: EngineName = "threads",
    scheduler: Scheduler = None,
    cell: Cell = None,
    boundary: BoundaryFile = None,
    dry_run: DryRun = False,
    overwrite: Overwrite = False,
    resume: Resume = False,
    assume_crs: AssumeCrs = None,
    report: Report = True,
    as_json: AsJson = False,
    verbose: Verbose = 0,
    quiet: Quiet = 0,
    debug: Debug = False,  # noqa: ARG001 - the guard reads it
) -> None:
    """Run a pipeline on the flights of one site."""
    from cloudprep.cli.progress import set_up_logging, shown_progress
    from cloudprep.engine.fetching import fetched_pipeline
    from cloudprep.engine.run import RunRequest, run_site
    from cloudprep.engine.urls import as_folder
    from cloudprep.errors import UsageError

    set_up_logging(verbose)
    if resume and overwrite:
        raise UsageError("--resume keeps what is done, --overwrite does it again: give one of them")
    if workers is not None:
        # The compressor has threads of its own, as many as processors unless told before it begins.
        os.environ.setdefault("RAYON_NUM_THREADS", str(workers))
    request = RunRequest(
        pipeline=fetched_pipeline(pipeline),
        inputs=tuple(inputs),
        out=as_folder(out),
        workers=workers,
        memory=checked_memory(memory),
        scratch=scratch,
        engine=engine,
        scheduler=scheduler,
        cell=cell,
        boundary=boundary,
        overwrite=overwrite,
        resume=resume,
        dry_run=dry_run,
        assume_crs=checked_assumption(assume_crs),
        report=report,
    )
    with shown_progress(verbose, quiet) as progress:
        for warning in request.pipeline.warnings:
            progress.note(f"warning: {warning}")
        outcome = run_site(request, progress)
    show_outcome(outcome, as_json=as_json, quiet=quiet)
    raise typer.Exit(outcome.exit_code)


def checked_memory(text: str | None) -> int | None:
    """Return an amount of memory that was typed, bytes.

    Raises
    ------
    UsageError
        If it is none.
    """
    if text is None:
        return None
    from cloudprep.engine.memory import parse_bytes

    return parse_bytes(text)


def checked_assumption(assume_crs: str | None) -> str | None:
    """Return a reference system as it was typed, if it has the right form.

    Raises
    ------
    UsageError
        If it has another form.
    """
    if assume_crs is None:
        return None
    from cloudprep.config import checked_reference
    from cloudprep.errors import UsageError

    try:
        return checked_reference(assume_crs)
    except UsageError as error:
        raise UsageError(f"--assume-crs {error}") from error


def show_outcome(outcome: RunOutcome, *, as_json: bool, quiet: int) -> None:
    """Show what came of a run: the record for machines, or tables for people."""
    from cloudprep.cli.console import put, put_json

    if as_json:
        put_json(outcome.record)
        return
    if quiet > 1:
        return
    if outcome.record.get("stages"):
        _put_tables(outcome.record)
    put("\n".join(outcome.lines))


def _put_tables(record: dict[str, Any]) -> None:
    from cloudprep.cli.console import put_rendered
    from cloudprep.cli.tables import class_table, flight_table, gate_table, stage_table

    put_rendered(
        flight_table(record["inputs"]),
        stage_table(record["stages"]),
        class_table(record["stages"][-1]["classes"]),
        *([gate_table(record)] if record.get("gates") else []),
    )

"""``cloudprep batch``: many flights, put into sites, each with a run of its own."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from cloudprep.cli.options import AsJson, Debug, PipelineName, Quiet, Verbose  # noqa: TC001 - typer reads the annotations
from cloudprep.cli.run import AssumeCrs, BoundaryFile, Cell, Memory, Workers  # noqa: TC001 - typer reads the annotations

if TYPE_CHECKING:
    from cloudprep.runs.batch_request import BatchOutcome

NAME = "batch"
HELP = """Run a pipeline on many flights: those that touch are one site, each site is a run of its own.

\b
Examples:
  cloudprep batch bare_earth flights/ --out done
  cloudprep batch bare_earth flights/ --out done --resume
  cloudprep batch quarry.yaml "2026-*/*.laz" --out done --group-by folder
  cloudprep batch bare_earth flights/ --out done --dry-run

Each site comes to OUT/<site>, as `cloudprep run` would leave it; OUT/batch.json sums up and is up to date
after every site. A flight that can't be used is set aside with its reason, and a site that fails stops no
other one. --resume goes on after an interruption, or when flights or the pipeline have changed: it does what
is missing or not up to date, and leaves the rest alone.
"""

Inputs = Annotated[
    list[str],
    typer.Argument(
        metavar="INPUT",
        help="Flights: .las or .laz files, folders (with what lies below them), or patterns in quotes.",
        show_default=False,
    ),
]
Out = Annotated[
    str,
    typer.Option(
        "--out", metavar="DIR", help="Folder of the batch: one below it a site.", show_default=False
    ),
]
Group = Annotated[
    Literal["adjacency", "folder", "file"],
    typer.Option(
        "--group-by",
        help="Which flights are one site: those that touch, directly or through others; those of a folder; "
        "or each by itself. Flights of different reference systems never are.",
    ),
]
Gap = Annotated[
    float,
    typer.Option("--gap", min=0, metavar="METRES", help="Flights so far apart still touch."),
]
Resume = Annotated[
    bool,
    typer.Option("--resume", help="Go on with what is in DIR: do what is missing, unfinished or changed."),
]
Overwrite = Annotated[bool, typer.Option("--overwrite", help="Do all sites again, whatever is in DIR.")]
FailFast = Annotated[bool, typer.Option("--fail-fast", help="Stop at the first flight or site that fails.")]
DryRun = Annotated[
    bool, typer.Option("--dry-run", help="Show the sites and what would be done; write nothing.")
]
Scratch = Annotated[
    Path | None,
    typer.Option(
        "--scratch",
        metavar="DIR",
        help="Folder for points that don't fit into memory; that of each site if left out.",
        show_default=False,
    ),
]


def command(
    pipeline: PipelineName,
    inputs: Inputs,
    out: Out,
    group_by: Group = "adjacency",
    gap: Gap = 10.0,
    resume: Resume = False,
    overwrite: Overwrite = False,
    fail_fast: FailFast = False,
    workers: Workers = None,
    memory: Memory = None,
    scratch: Scratch = None,
    cell: Cell = None,
    boundary: BoundaryFile = None,
    assume_crs: AssumeCrs = None,
    dry_run: DryRun = False,
    as_json: AsJson = False,
    verbose: Verbose = 0,
    quiet: Quiet = 0,
    debug: Debug = False,  # noqa: ARG001 - the guard reads it
) -> None:
    """Run a pipeline on many flights."""
    from cloudprep.cli.progress import set_up_logging, shown_progress
    from cloudprep.cli.run import checked_assumption, checked_memory
    from cloudprep.engine.urls import local_path
    from cloudprep.errors import UsageError
    from cloudprep.runs.batch import BatchRequest, refuse_urls, run_batch

    set_up_logging(verbose)
    refuse_urls([*inputs, out])
    if resume and overwrite:
        raise UsageError("--resume keeps what is done, --overwrite does it again: give one of them")
    request = BatchRequest(
        pipeline=pipeline,
        inputs=tuple(inputs),
        out=Path(local_path(out)),
        group_by=group_by,
        gap=gap,
        resume=resume,
        overwrite=overwrite,
        fail_fast=fail_fast,
        dry_run=dry_run,
        tell_all=verbose > 0,
        workers=workers,
        memory=checked_memory(memory),
        scratch=scratch,
        cell=cell,
        boundary=boundary,
        assume_crs=checked_assumption(assume_crs),
    )
    with shown_progress(verbose, quiet) as progress:
        outcome = run_batch(request, progress)
    _show(outcome, as_json=as_json, quiet=quiet)
    raise typer.Exit(outcome.exit_code)


def _show(outcome: BatchOutcome, *, as_json: bool, quiet: int) -> None:
    from cloudprep.cli.console import put, put_json, put_rendered

    if as_json:
        put_json(outcome.record.model_dump(mode="json"))
        return
    if quiet > 1:
        return
    if outcome.record.status != "planned":
        from cloudprep.cli.tables import batch_table

        put_rendered(batch_table(outcome.record))
    put("\n".join(outcome.lines))

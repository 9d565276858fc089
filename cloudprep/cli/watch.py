"""``cloudprep watch``: takes new captures as they come into a folder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from cloudprep.cli.options import AsJson, Debug, PipelineName, Quiet, Verbose  # noqa: TC001 - typer reads the annotations
from cloudprep.cli.run import AssumeCrs, BoundaryFile, Cell, Memory, Workers  # noqa: TC001 - typer reads the annotations

if TYPE_CHECKING:
    from cloudprep.runs.watch_events import Event

NAME = "watch"
HELP = """Watch a folder: take each new capture once it has come whole, and deliver it as a run of its own.

\b
Examples:
  cloudprep watch inbox bare_earth --out done
  cloudprep watch inbox capture_gate --out done --settle 120
  cloudprep watch inbox bare_earth --out done --group-by folder
  cloudprep watch inbox bare_earth --out done --once

A capture is a flight, or with --group-by folder each folder in INBOX with all flights below it. It is taken
when no file of it has changed for --settle seconds and its flights are whole; names that begin with a dot or
a tilde are copies under way. What it holds is delivered once, whatever it is called and however often it is
copied. One that can't be used is set aside with the reason, and taken again when it changes, or with --retry.

Each capture comes to DIR/<name>, as `cloudprep run` would leave it, and DIR/ledger.gpkg shows all on a map.
DIR/watch.sqlite keeps what was done: stop the watch, or pull the plug, and it goes on where it was. INBOX is
never changed. Ctrl-C ends the watch.

Exit codes with --once: 0 all is delivered; 1 one was set aside, is delivered in part, or is left for another
time; 3 a gate failed. Each is told once: by the first watch that comes to its end afterwards.
"""

Inbox = Annotated[Path, typer.Argument(metavar="INBOX", help="The folder to watch.", show_default=False)]
Out = Annotated[
    Path,
    typer.Option(
        "--out", metavar="DIR", help="Folder of the results: one below it a capture.", show_default=False
    ),
]
Settle = Annotated[
    float,
    typer.Option(
        "--settle", min=0, metavar="SECONDS", help="For so long no file of a capture may have changed."
    ),
]
Poll = Annotated[
    float, typer.Option("--poll", min=0.1, metavar="SECONDS", help="Time between two looks at INBOX.")
]
Once = Annotated[
    bool,
    typer.Option(
        "--once", help="End when what lies there now is done; what still grows is left for next time."
    ),
]
Retry = Annotated[bool, typer.Option("--retry", help="Take captures that were set aside once more.")]
Group = Annotated[
    Literal["file", "folder"],
    typer.Option(
        "--group-by", help="A capture is a flight by itself, or a folder in INBOX with its flights."
    ),
]
Scratch = Annotated[
    Path | None,
    typer.Option(
        "--scratch",
        metavar="DIR",
        help="Folder for points that don't fit into memory; that of each run if left out.",
        show_default=False,
    ),
]


def command(
    inbox: Inbox,
    pipeline: PipelineName,
    out: Out,
    settle: Settle = 30.0,
    poll: Poll = 5.0,
    once: Once = False,
    retry: Retry = False,
    group_by: Group = "file",
    workers: Workers = None,
    memory: Memory = None,
    scratch: Scratch = None,
    cell: Cell = None,
    boundary: BoundaryFile = None,
    assume_crs: AssumeCrs = None,
    as_json: AsJson = False,
    verbose: Verbose = 0,
    quiet: Quiet = 0,
    debug: Debug = False,  # noqa: ARG001 - the guard reads it
) -> None:
    """Watch a folder."""
    import json

    from cloudprep.cli.console import put, tell
    from cloudprep.cli.progress import Lines, set_up_logging
    from cloudprep.cli.run import checked_assumption, checked_memory
    from cloudprep.config import load_pipeline
    from cloudprep.runs.supervisor import Supervisor
    from cloudprep.runs.watch import WatchRequest, watch
    from cloudprep.runs.watch_runner import CarriedOut

    def told(event: Event) -> None:
        if as_json:
            put(json.dumps(event.as_dict(), ensure_ascii=False))
        elif quiet == 0 or event.is_trouble:
            put(event.line())

    set_up_logging(verbose)
    request = WatchRequest(
        inbox=inbox,
        out=out,
        pipeline=load_pipeline(pipeline),
        settle=settle,
        poll=poll,
        once=once,
        retry=retry,
        group_by=group_by,
        workers=workers,
        memory=checked_memory(memory),
        scratch=scratch,
        cell=cell,
        boundary=boundary,
        assume_crs=checked_assumption(assume_crs),
    )
    for warning in request.pipeline.warnings:
        tell(f"warning: {warning}")
    # What each run remarks on stands in its record; -v tells it here too.
    progress = Lines(verbose or -2)
    with Supervisor(workers) as supervisor:
        code = watch(request, told, CarriedOut(supervisor, progress))
    raise typer.Exit(code)

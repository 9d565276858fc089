"""``cloudprep report``: the report of a finished run, made again."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from cloudprep.cli.options import Debug  # noqa: TC001 - typer reads the annotations

NAME = "report"
HELP = """Make the report of a finished run again, from what it delivered.

\b
Examples:
  cloudprep report site
  cloudprep report site --to site_report.html

Every run writes report.html itself; this is for older runs, and for those made with --no-report. Noise that a
run left out of its clouds can't be shown.
"""

Folder = Annotated[Path, typer.Argument(metavar="DIR", help="Folder of a finished run.", show_default=False)]
Target = Annotated[
    Path | None,
    typer.Option("--to", metavar="FILE", help="Where to; DIR/report.html if left out.", show_default=False),
]


def command(
    folder: Folder,
    to: Target = None,
    debug: Debug = False,  # noqa: ARG001 - the guard reads it
) -> None:
    """Make the report of a finished run again."""
    from cloudprep.cli.console import put
    from cloudprep.runs.report_again import report_again

    put(str(report_again(folder, to)))

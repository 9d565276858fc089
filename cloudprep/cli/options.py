"""Options that several commands share, each declared once."""

from __future__ import annotations

from typing import Annotated

import typer

PipelineName = Annotated[
    str,
    typer.Argument(
        metavar="PIPELINE",
        help="A pipeline file (YAML) or its URL, or the name of a ready one, such as bare_earth.",
        show_default=False,
    ),
]
Inputs = Annotated[
    list[str],
    typer.Argument(
        metavar="INPUT",
        help="Flights: .las or .laz files, folders (with what lies below them), or patterns in quotes; "
        "or URLs of these, which are fetched first.",
        show_default=False,
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Give the result as JSON, for machines.")]
Verbose = Annotated[
    int,
    typer.Option(
        "--verbose", "-v", count=True, show_default=False, help="Tell each step and its time; -vv tells all."
    ),
]
Quiet = Annotated[
    int,
    typer.Option(
        "--quiet", "-q", count=True, show_default=False, help="No progress, no warnings; -qq: errors only."
    ),
]
Debug = Annotated[
    bool, typer.Option("--debug", help="Show where in the program an error arose (or set CLOUDPREP_DEBUG=1).")
]

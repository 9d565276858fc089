"""``cloudprep ledger``: the runs below a folder as a map."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from cloudprep.cli.options import AsJson, Debug  # noqa: TC001 - typer reads the annotations

NAME = "ledger"
HELP = """Make one map of all runs below a folder.

\b
Examples:
  cloudprep ledger results
  cloudprep ledger results --json

DIR/ledger.gpkg holds the flights and the runs as polygons in longitude and latitude, with their figures, and
tables of gates and of all figures. It is made from the run.json of every finished run up to six folders below
DIR; unfinished runs are left out, records that can't be used are named. A batch and a watched folder keep
theirs up to date by themselves.

Answers of `cloudprep checkpoints ... --json > RUN/checkpoints.json` are taken up: the RMSE of the run's
terrain model, or of the flight whose delivered cloud was checked.
"""

Folder = Annotated[Path, typer.Argument(metavar="DIR", help="Folder with runs below it.", show_default=False)]


def command(
    folder: Folder,
    as_json: AsJson = False,
    debug: Debug = False,  # noqa: ARG001 - the guard reads it
) -> None:
    """Make one map of all runs below a folder."""
    from cloudprep.cli.console import put, put_json, tell
    from cloudprep.errors import EXIT_DONE, EXIT_INPUT_FAILED
    from cloudprep.runs.ledger import refresh_ledger

    made = refresh_ledger(folder, rebuild=True)
    for line in made.broken:
        tell(f"left out: {line}")
    if as_json:
        put_json(made.as_dict())
    else:
        put(f"{made.runs} {'run' if made.runs == 1 else 'runs'} in {made.path}")
    raise typer.Exit(EXIT_INPUT_FAILED if made.broken else EXIT_DONE)

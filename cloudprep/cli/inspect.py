"""``cloudprep inspect``: what is in the flights, and what is odd about them."""

from __future__ import annotations

from typing import Any

import typer

from cloudprep.cli.options import AsJson, Debug, Inputs  # noqa: TC001 - typer reads the annotations

NAME = "inspect"
HELP = """Tell what is in flights and what is odd about them.

\b
Examples:
  cloudprep inspect north.laz
  cloudprep inspect flights/
  cloudprep inspect "day*/*.laz" --json
  cloudprep inspect https://example.org/north.laz

Every flight is read once from end to end: format, reference system and units, extent, density and spacing,
returns, classes, flags, times, flight lines and records. A file that can't be used is named (exit code 1),
and the others are still shown.
"""


def command(
    inputs: Inputs,
    as_json: AsJson = False,
    debug: Debug = False,  # noqa: ARG001 - the guard reads it
) -> None:
    """Tell what is in flights and what is odd about them."""
    from dataclasses import replace

    from cloudprep.cli.console import put, put_json, tell
    from cloudprep.cli.flight_text import report_text
    from cloudprep.engine.fetching import FetchedInputs
    from cloudprep.engine.inputs import expand_inputs
    from cloudprep.engine.inspect import inspect_flight
    from cloudprep.engine.progress import Silent
    from cloudprep.errors import EXIT_INPUT_FAILED, BadInputError

    found: list[dict[str, Any]] = []
    failed = False
    with FetchedInputs(inputs, None, Silent()) as fetched:
        for lost in fetched.fetched:
            if lost.failure:
                failed = True
                tell(f"{lost.url}: {lost.failure}")
                found.append({"path": lost.url, "status": "failed", "reason": lost.failure})
        paths = expand_inputs(fetched.local) if fetched.local or not fetched.fetched else []
        for number, path in enumerate(paths):
            try:
                report = replace(inspect_flight(path), url=fetched.shown(path))
            except BadInputError as error:
                failed = True
                tell(f"{fetched.shown(path)}: {error.reason}")
                found.append({"path": fetched.shown(path), "status": "failed", "reason": error.reason})
                continue
            if as_json:
                found.append(report.as_dict())
            else:
                put(("\n" if number else "") + report_text(report))
    if as_json:
        put_json({"schema_version": 1, "flights": found})
    if failed:
        raise typer.Exit(EXIT_INPUT_FAILED)

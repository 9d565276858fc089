"""``cloudprep doctor``: whether this machine is fit for the work."""

from __future__ import annotations

import typer

from cloudprep.cli.options import AsJson, Debug  # noqa: TC001 - typer reads the annotations

NAME = "doctor"
HELP = """Look at this machine: versions, memory, room, compiled kernels.

\b
Examples:
  cloudprep doctor
  cloudprep doctor --json

What may go wrong is told with the way out; then the exit code is 1.
"""


def command(as_json: AsJson = False, debug: Debug = False) -> None:  # noqa: ARG001 - the guard reads it
    """Look at this machine."""
    from cloudprep.cli.console import put, put_json
    from cloudprep.engine.doctor import examine
    from cloudprep.errors import EXIT_INPUT_FAILED

    findings = examine()
    problems = [f for f in findings if f.problem]
    if as_json:
        put_json({"findings": [f.as_dict() for f in findings], "problems": len(problems)})
    else:
        width = max(len(f.name) for f in findings)
        for finding in findings:
            put(f"{finding.name:<{width}}  {finding.value}")
        put("")
        put("\n".join(f"problem: {f.name}: {f.problem}" for f in problems) or "no problem found")
    if problems:
        raise typer.Exit(EXIT_INPUT_FAILED)

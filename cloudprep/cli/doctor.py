"""``cloudprep doctor``: whether this machine is fit for the work."""

from __future__ import annotations

from typing import Annotated

import typer

from cloudprep.cli.options import AsJson, Debug  # noqa: TC001 - typer reads the annotations

NAME = "doctor"
HELP = """Look at this machine: versions, memory, room, compiled kernels.

\b
Examples:
  cloudprep doctor
  cloudprep doctor --json
  cloudprep doctor --compile

What may go wrong is told with the way out; then the exit code is 1. With --compile the kernels of the ready
pipelines are compiled beforehand, once after installation, so that the first run needn't wait for that.
"""

Compile = Annotated[bool, typer.Option("--compile", help="Compile kernels now instead of in the first run.")]


def command(
    compile_now: Compile = False,
    as_json: AsJson = False,
    debug: Debug = False,  # noqa: ARG001 - the guard reads it
) -> None:
    """Look at this machine."""
    from cloudprep.cli.console import put, put_json
    from cloudprep.engine.doctor import examine
    from cloudprep.errors import EXIT_INPUT_FAILED

    if compile_now:
        from cloudprep.cli.progress import shown_progress
        from cloudprep.engine.ahead import compile_all

        with shown_progress(0, 0) as progress:
            compile_all(progress)
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

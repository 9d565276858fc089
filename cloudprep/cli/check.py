"""``cloudprep check``: whether a pipeline is good, and what it will do."""

from __future__ import annotations

from cloudprep.cli.options import Debug, PipelineName  # noqa: TC001 - typer reads the annotations

NAME = "check"
HELP = """Check a pipeline and show what it will do.

\b
Examples:
  cloudprep check quarry.yaml
  cloudprep check bare_earth

Every problem is told at once with file and line (exit code 2). A good pipeline is shown with every parameter
it will use. No flight is read.
"""


def command(pipeline: PipelineName, debug: Debug = False) -> None:  # noqa: ARG001 - the guard reads it
    """Check a pipeline and show what it will do."""
    from cloudprep.cli.console import put, tell
    from cloudprep.config.describe import plan_text
    from cloudprep.engine.fetching import fetched_pipeline

    loaded = fetched_pipeline(pipeline)
    for warning in loaded.warnings:
        tell(f"warning: {warning}")
    put(plan_text(loaded))

"""``cloudprep demo``: the main job on an invented quarry whose truth is known."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cloudprep.cli.options import AsJson, Debug, Quiet, Verbose  # noqa: TC001 - typer reads the annotations

if TYPE_CHECKING:
    from cloudprep.engine.demo import DemoOutcome

NAME = "demo"
HELP = """Run the main job on an invented quarry and compare the result with the truth.

\b
Examples:
  cloudprep demo
  cloudprep demo --out /tmp/quarry

Two overlapping laser flights of a place that does not exist: a cliff, benches and stockpiles, a wooded slope,
buildings, a power line, birds, dust and false echoes below ground. What every point really hit is known.
"""

Out = Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder of the demo.")]


def command(
    out: Out = Path("cloudprep_demo"),
    as_json: AsJson = False,
    verbose: Verbose = 0,
    quiet: Quiet = 0,
    debug: Debug = False,  # noqa: ARG001 - the guard reads it
) -> None:
    """Run the main job on an invented quarry and compare the result with the truth."""
    from cloudprep.cli.console import put, put_json, put_rendered
    from cloudprep.cli.progress import set_up_logging, shown_progress
    from cloudprep.cli.run import show_outcome
    from cloudprep.cli.tables import score_table
    from cloudprep.engine.demo import run_demo

    set_up_logging(verbose)
    with shown_progress(verbose, quiet) as progress:
        outcome = run_demo(out, progress)
    if as_json:
        put_json(outcome.as_dict())
    elif quiet < 2:
        show_outcome(outcome.run, as_json=False, quiet=quiet)
        put("")
        put_rendered(score_table(outcome.scores))
        put("\n".join(_where_to_look(outcome)))
    raise typer.Exit(outcome.run.exit_code)


def _where_to_look(outcome: DemoOutcome) -> list[str]:
    lines = []
    terrain = outcome.terrain
    if terrain is not None:
        lines += [
            f"The terrain model against the true ground: {100 * terrain.share_within:.1f} % of its cells lie",
            f"within {terrain.within:g} m, RMSE {terrain.rmse:.3f} m, median {terrain.median:+.3f} m.",
            "",
        ]
    result = outcome.result
    places = {
        result / "report.html": "the run as a page: open it first",
        result / "terrain" / "dtm_hillshade.png": "the bare ground as a picture",
        result / "terrain" / "dtm.tif": "the terrain model",
        result / "clouds": "the classified flights",
        result / "run.json": "what was done, assumed and measured",
        outcome.folder / "truth": "what every point really hit",
    }
    width = max(len(str(place)) for place in places)
    return [*lines, "Where to look:", *(f"  {place!s:<{width}}  {what}" for place, what in places.items())]

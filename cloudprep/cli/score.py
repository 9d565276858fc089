"""``cloudprep score``: ground against a reference."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cloudprep.cli.options import AsJson, Debug  # noqa: TC001 - typer reads the annotations

if TYPE_CHECKING:
    from cloudprep.engine.calibration import Calibration
    from cloudprep.engine.score import Score

NAME = "score"
# A label told from its opposite by chance is right half the time: less isn't usually stated.
_HALF = 50
HELP = """Compare a classified cloud with a reference: Type I, Type II and total error, kappa.

\b
Examples:
  cloudprep score site/clouds/north.laz checked/north.laz
  cloudprep score north.laz north.laz --reference-column reference_class

Ground is class 2; every other class, noise, and points flagged withheld count as not ground. Both clouds must
hold the same points; where their order differs, they are matched by coordinates. Type I is the share of the
reference's ground that was lost, Type II the share of its other points that were taken for ground.

Where CLASSIFIED carries ground_confidence, a second table holds it to its word: of points given 90, about
90 % should be right.
"""

Classified = Annotated[
    Path, typer.Argument(metavar="CLASSIFIED", help="The cloud to judge.", show_default=False)
]
Reference = Annotated[
    Path,
    typer.Argument(
        metavar="REFERENCE",
        help="The cloud that is right; it may be the same file with --reference-column.",
        show_default=False,
    ),
]
ReferenceColumn = Annotated[
    str | None,
    typer.Option(
        "--reference-column",
        metavar="NAME",
        help="Extra column of the reference that holds the true class codes, instead of its classification.",
        show_default=False,
    ),
]


def command(
    classified: Classified,
    reference: Reference,
    reference_column: ReferenceColumn = None,
    as_json: AsJson = False,
    debug: Debug = False,  # noqa: ARG001 - the guard reads it
) -> None:
    """Compare a classified cloud with a reference."""
    from cloudprep.cli.console import put, put_json, tell
    from cloudprep.engine.score import score_clouds

    score = score_clouds(classified, reference, reference_column)
    for note in score.notes:
        tell(note)
    put_json(score.as_dict()) if as_json else put(score_text(score))


def score_text(score: Score) -> str:
    """Return a score for people."""

    def percent(value: float | None) -> str:
        return "not defined" if value is None else f"{100 * value:.2f} %"

    def row(word: str, ground: int | str, other: int | str) -> str:
        a, b = (f"{v:,}" if isinstance(v, int) else v for v in (ground, other))
        return f"{word:<22}{a:>15}{b:>15}"

    matched = "row by row" if score.matched == "same order" else score.matched
    calibration = calibration_lines(score.calibration) if score.calibration else []
    return "\n".join(
        (
            f"{score.points:,} points, matched {matched}",
            "",
            row("", "found ground", "found other"),
            row("reference: ground", score.ground_kept, score.ground_lost),
            row("reference: other", score.object_taken, score.object_kept),
            "",
            f"Type I error   {percent(score.type_1):>12}   ground that was lost",
            f"Type II error  {percent(score.type_2):>12}   other points taken for ground",
            f"total error    {percent(score.total):>12}",
            f"kappa          {percent(score.kappa):>12}",
            "",
            "Ground is class 2; all else, noise and withheld points too, counts as not ground.",
            *calibration,
        )
    )


def calibration_lines(calibration: Calibration) -> list[str]:
    """Return what came of the stated confidences, for people."""

    def percent(value: float | None) -> str:
        return "-" if value is None else f"{100 * value:.1f} %"

    def row(stated: str, points: str, right: str, mean: str) -> str:
        return f"{stated:<16}{points:>14}{right:>12}{mean:>14}"

    lines = ["", row("ground_confidence", "points", "right", "mean stated")]
    lines += [
        row(f"{b.first} to {b.last}", f"{b.points:,}", percent(b.right), percent(b.stated))
        for b in calibration.bins
        if b.points or b.first >= _HALF
    ]
    lines.append(row("not judged", f"{calibration.not_judged:,}", "", ""))
    if calibration.left_out:
        lines.append(row("left out", f"{calibration.left_out:,}", "", ""))
    return [*lines, "", f"mean gap between right and stated: {percent(calibration.gap)}"]

"""The gates of a run: what they judge, and the files that tell how they went."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cloudprep import __version__
from cloudprep.config.gate_figures import figures_of
from cloudprep.engine.closing import output_record
from cloudprep.io.atomic import sha256_of
from cloudprep.judging import FailedInput, Judged, Judgement, judge
from cloudprep.judging.files import write_judgement

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime
    from pathlib import Path

    from cloudprep.config import Pipeline
    from cloudprep.engine.record import OutputRecord
    from cloudprep.engine.tracking import TrackedInput

__all__ = ["judge_run", "written_judgement"]


def judge_run(
    pipeline: Pipeline,
    inputs: Sequence[TrackedInput],
    figures: Mapping[str, float],
    started: datetime,
    seconds: float,
) -> Judgement:
    """Return how the gates of a run went.

    Parameters
    ----------
    pipeline : Pipeline
        With its gates.
    inputs : sequence of TrackedInput
        With their figures; those that failed too.
    figures : mapping of str to float
        Of the run as a whole: of the inputs that didn't fail. Empty if all of them failed.
    started : datetime
        When the run began.
    seconds : float
        How long it took so far: it is a figure too, but one that no record keeps, since it never comes again.
    """
    stages = [type(stage) for stage in pipeline.build()]
    nothing = "" if figures else "no input could be used"
    run = Judged({**figures, "seconds": seconds} if figures else {}, nothing=nothing)
    known, _ = figures_of(stages)
    return Judgement(
        gates=judge(pipeline.gates, run, [one.judged() for one in inputs], known),
        failed=[FailedInput(flight=one.shown, reason=one.failure) for one in inputs if not one.alive],
        flights=[one.shown for one in inputs],
        pipeline=str(pipeline.source or ""),
        version=__version__,
        started=started.isoformat(timespec="seconds"),
        seconds=seconds,
    )


def written_judgement(judgement: Judgement, root: Path) -> list[OutputRecord]:
    """Write the files about gates where there are any, and return what the record says about them."""
    if not judgement.gates:
        return []
    made = write_judgement(judgement, root)
    return [output_record(root, path, "judgement", sha256_of(path)) for path in made]

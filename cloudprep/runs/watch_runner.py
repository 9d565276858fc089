"""Runs of a watched folder, carried out by a worker process."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cloudprep.engine.request import RunRequest
from cloudprep.runs.watch import Ended

if TYPE_CHECKING:
    from pathlib import Path

    from cloudprep.engine.progress import ProgressSink
    from cloudprep.runs.supervisor import Carrier
    from cloudprep.runs.watch import WatchRequest

__all__ = ["CarriedOut"]


class CarriedOut:
    """Has runs carried out: a callable for :func:`cloudprep.runs.watch.watch`.

    Parameters
    ----------
    carrier : Carrier
        Who carries them out.
    progress : ProgressSink
        Told what happens.
    """

    def __init__(self, carrier: Carrier, progress: ProgressSink) -> None:
        self._carrier = carrier
        self._progress = progress

    def __call__(self, request: WatchRequest, inputs: tuple[str, ...], out: Path) -> Ended:
        """Run the pipeline on inputs; replace what lies in ``out``."""
        run = RunRequest(
            pipeline=request.pipeline,
            inputs=inputs,
            out=out,
            workers=request.workers,
            overwrite=True,
            assume_crs=request.assume_crs,
            memory=request.memory,
            scratch=request.scratch,
            cell=request.cell,
            boundary=request.boundary,
        )
        answer, remark = self._carrier.carry_out(run, self._progress)
        if answer.outcome is None:
            return Ended(None, answer.failure, may_pass=answer.may_pass, remark=remark)
        return Ended(answer.outcome.record, remark=remark)

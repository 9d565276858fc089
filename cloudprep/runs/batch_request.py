"""What is wanted of a batch, and what came of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from cloudprep.engine.request import RunRequest

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from cloudprep.config import Pipeline
    from cloudprep.runs.batch_record import BatchRecord, GroupBy


# Extents run from the outermost points, so neighbouring parts of one survey lie a few point spacings apart
# (common practice, no source).
SMALL_GAP = 10.0


@dataclass(frozen=True)
class BatchRequest:
    """What is wanted.

    Parameters
    ----------
    pipeline : str
        A pipeline file, its URL, or the name of a ready one.
    inputs : tuple of str
        Files, folders and globs of this machine.
    out : Path
        Folder of the batch: a folder for each site below it.
    group_by : {"adjacency", "folder", "file"}
        Which flights are one site.
    gap : float
        Flights so far apart still touch, m.
    resume : bool
        Go on with what is in the folder: do what is missing or not up to date.
    overwrite : bool
        Do everything again, whatever is in the folder.
    fail_fast : bool
        Stop at the first failure.
    dry_run : bool
        Only tell the sites; nothing is written.
    tell_all : bool
        Whether what the runs of the sites note is passed on, and not only their failures.
    workers, memory, scratch, cell, boundary, assume_crs
        For each run: see :class:`cloudprep.engine.request.RunRequest`.
    """

    pipeline: str
    inputs: tuple[str, ...]
    out: Path
    group_by: GroupBy = "adjacency"
    gap: float = SMALL_GAP
    resume: bool = False
    overwrite: bool = False
    fail_fast: bool = False
    dry_run: bool = False
    tell_all: bool = False
    workers: int | None = None
    memory: int | None = None
    scratch: Path | None = None
    cell: float | None = None
    boundary: Path | None = None
    assume_crs: str | None = None

    def run_of(self, pipeline: Pipeline, inputs: Sequence[Path | str], folder: str) -> RunRequest:
        """Return the request for the run of one site.

        Parameters
        ----------
        pipeline : Pipeline
            As loaded.
        inputs : sequence of Path or str
            The site's flights.
        folder : str
            Below the folder of the batch.
        """
        return RunRequest(
            pipeline=pipeline,
            inputs=tuple(map(str, inputs)),
            out=self.out / folder,
            workers=self.workers,
            overwrite=self.overwrite or self.resume,
            assume_crs=self.assume_crs,
            memory=self.memory,
            scratch=self.scratch,
            cell=self.cell,
            boundary=self.boundary,
        )


@dataclass(frozen=True)
class BatchOutcome:
    """What came of a batch.

    Parameters
    ----------
    record : BatchRecord
        What ``batch.json`` holds; for a dry run, what is planned.
    exit_code : int
        0 done, 1 an input or a site failed, 3 a gate failed.
    lines : list of str
        The outcome for people.
    """

    record: BatchRecord
    exit_code: int
    lines: list[str]

"""What is wanted of a run, and what came of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path

    from cloudprep.config import Pipeline
    from cloudprep.engine.record import Engine


@dataclass(frozen=True)
class RunRequest:
    """What is wanted.

    Parameters
    ----------
    pipeline : Pipeline
        The checked pipeline.
    inputs : tuple of str
        Files, folders, globs, and URLs of these.
    out : Path or str
        Folder of the run, or its URL: then it is made on this machine, and uploaded when it is finished.
    workers : int, optional
        Threads; by default one a processor. The results don't depend on it.
    overwrite : bool
        Whether a finished run in the folder may be replaced.
    resume : bool
        Leave a finished run of just this in the folder alone; do any other one again.
    dry_run : bool
        Only plan; nothing is written.
    assume_crs : str, optional
        Reference system for clouds that carry none.
    block_edge : float, optional
        Edge of a block in memory, m; by default from the density. The results don't depend on it.
    memory : int, optional
        Bytes that the run may use; by default a share of the machine's. Points that don't fit are held in
        files. The results don't depend on it.
    scratch : Path, optional
        Folder for these files; by default the folder of the run.
    block_points : int, optional
        Points in a block in files; by default from the memory. The results don't depend on it.
    engine : {"threads", "dask"}
        Who works on the blocks. The results don't depend on it.
    scheduler : str, optional
        Address of a dask scheduler whose workers share the scratch folder; by default ``dask`` starts as many
        processes on this machine as there are workers.
    cell : float, optional
        Cell size of all rasters whose stage names none itself, m; by default what the pipeline says.
    boundary : Path, optional
        Polygons of the area to deliver; by default what the pipeline says.
    report : bool
        False: no report, whatever the pipeline says.
    """

    pipeline: Pipeline
    inputs: tuple[str, ...]
    out: Path | str
    workers: int | None = None
    overwrite: bool = False
    resume: bool = False
    dry_run: bool = False
    assume_crs: str | None = None
    block_edge: float | None = None
    memory: int | None = None
    scratch: Path | None = None
    block_points: int | None = None
    engine: Engine = "threads"
    scheduler: str | None = None
    cell: float | None = None
    boundary: Path | None = None
    report: bool = True


@dataclass(frozen=True)
class RunOutcome:
    """What came of a run.

    Parameters
    ----------
    record : dict
        What ``run.json`` holds; for a dry run, the plan.
    exit_code : int
        0 done, 1 some input failed, 3 a gate failed.
    lines : list of str
        The outcome for people.
    """

    record: dict[str, Any]
    exit_code: int
    lines: list[str]

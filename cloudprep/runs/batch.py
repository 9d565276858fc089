"""A batch: many flights, put into sites, each a run of its own; what fails stops nothing else."""

from __future__ import annotations

import contextlib
import os
import time
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cloudprep import __version__
from cloudprep.engine.folder import RunFolder
from cloudprep.engine.inputs import deliverable_names, expand_inputs
from cloudprep.engine.lock import FolderLock
from cloudprep.engine.record import RECORD_NAME, read_record
from cloudprep.engine.standing import Standing, standing
from cloudprep.engine.urls import is_remote, shown
from cloudprep.errors import (
    EXIT_DONE,
    EXIT_GATE_FAILED,
    EXIT_INPUT_FAILED,
    EXIT_INTERRUPTED,
    OutputError,
    UsageError,
)
from cloudprep.io.atomic import plain_reason, remove_leftovers
from cloudprep.runs.batch_map import BatchMap
from cloudprep.runs.batch_record import BATCH_NAME, BatchRecord, SiteEntry, read_batch, write_batch
from cloudprep.runs.batch_request import BatchOutcome, BatchRequest
from cloudprep.runs.known_pipeline import KnownPipeline
from cloudprep.runs.sites import find_sites
from cloudprep.runs.supervisor import Supervisor
from cloudprep.runs.told import SiteProgress

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from cloudprep.engine.progress import ProgressSink
    from cloudprep.runs.batch_record import BatchStatus, SiteStatus
    from cloudprep.runs.sites import Site
    from cloudprep.runs.supervisor import Carrier

__all__ = ["BatchOutcome", "BatchRequest", "refuse_urls", "run_batch"]

_SITE_STATUS: dict[str, SiteStatus] = {
    "done": "done",
    "gate_failed": "gate_failed",
    "some_inputs_failed": "some_inputs_failed",
    "all_inputs_failed": "failed",
}
_FAILED = ("failed", "some_inputs_failed")


def run_batch(request: BatchRequest, progress: ProgressSink, carrier: Carrier | None = None) -> BatchOutcome:
    """Carry out a batch.

    Parameters
    ----------
    request : BatchRequest
        What is wanted.
    progress : ProgressSink
        Told what happens.
    carrier : Carrier, optional
        Carries out the runs; by default a worker process that is started for it.

    Returns
    -------
    BatchOutcome
        The record, the exit code and lines for people.

    Raises
    ------
    UsageError
        If the batch can't be begun: nothing to read, a folder that holds another batch, or one in use.
    ConfigError
        If the pipeline has problems.
    OutputError
        If the record of the batch can't be written.
    """
    return _Batch(request, progress, carrier).carry_out()


class _Batch:
    """One batch, step by step."""

    def __init__(self, request: BatchRequest, progress: ProgressSink, carrier: Carrier | None) -> None:
        self.request = request
        self.progress = progress
        self.worker = Supervisor(request.workers) if carrier is None else None
        self.carrier = carrier or self.worker
        self.root = request.out
        self.started = datetime.now(UTC)
        self.clock = time.perf_counter()
        self.assumed: list[str] = []
        self.entries: dict[str, SiteEntry] = {}
        self.alone: set[str] = set()
        self.stopped = False

    # -- the steps -------------------------------------------------------------------------------------------

    def carry_out(self) -> BatchOutcome:
        refuse_urls(self.request.inputs)
        self._refuse_folder()
        with ExitStack() as stack:
            if not self.request.dry_run:
                stack.enter_context(FolderLock(self.root, self.progress.note))
                self._refuse_folder()  # another batch may have been done here meanwhile
                if self.worker is not None:
                    stack.enter_context(self.worker)  # at an end it is gone before others may come in
                    if not self.request.resume:
                        self.worker.start()
            self.earlier = read_batch(self.root)
            inputs = expand_inputs(self.request.inputs, leave_out=self.root, note=self._assume)
            # So that a record says where flights lie to whoever reads it elsewhere, and resumes from there.
            paths = [Path(os.path.abspath(p)) for p in inputs]  # noqa: PTH100 - links stay
            self.pipeline = KnownPipeline(self.request, self.earlier if self.request.resume else None)
            if not self.pipeline.is_as_before:
                for warning in self.pipeline.loaded.warnings:
                    self.progress.note(f"warning: {warning}")
            self.progress.start("headers", len(paths))
            self.there = self._earlier_sites()
            self.sites = find_sites(
                paths, self.request, self.pipeline, self.earlier, self.there, self.progress.advance
            )
            self.progress.finish()
            for note in self.sites.notes:
                self._assume(note)
            for one in self.sites.inputs:
                if one.reason:
                    self.progress.note(f"FAILED {one.path}: {one.reason}: set aside")
            self.orphaned = self._orphans()
            for name in self.orphaned:
                self.progress.note(
                    f"{self.root / name}: was a site of this folder and is none any more: left as it is"
                )
            waiting = self._look_through()
            if self.request.dry_run:
                return self._planned(waiting)
            if self.request.resume and not waiting and self._is_recorded():
                assert self.earlier is not None  # noqa: S101
                return self._outcome(self.earlier)
            self._prepare()
            return self._work(waiting)

    def _refuse_folder(self) -> None:
        """Refuse a folder that holds something else, or a batch that nobody said may be gone on with."""
        if self.root.exists() and not self.root.is_dir():
            raise UsageError(f"{self.root}: is a file; --out wants a folder")
        if (self.root / RECORD_NAME).exists():
            raise UsageError(f"{self.root}: holds a single run; choose another folder for a batch")
        there = (self.root / BATCH_NAME).exists()
        if there and not (self.request.resume or self.request.overwrite or self.request.dry_run):
            raise UsageError(
                f"{self.root}: holds a batch; --resume goes on with it and does what is missing or changed, "
                "--overwrite does all of it again"
            )

    def _look_through(self) -> dict[str, Standing]:
        """Return which sites are to be done, and why; note what came of the others."""
        waiting: dict[str, Standing] = {}
        earlier = {} if self.earlier is None else {entry.name: entry for entry in self.earlier.sites}
        for site in self.sites.sites:
            self.entries[site.name] = _entry(site)
            found = self._standing(site)
            if found.stands and found.record is not None:
                # How it went on the way isn't in the run's own record.
                if not self.request.dry_run:
                    RunFolder(self.root / site.name).tidy()
                remark = earlier[site.name].remark if site.name in earlier else ""
                self._enter(site, found.record, remark)
                self.alone.add(site.name)
            else:
                waiting[site.name] = found
        return waiting

    def _standing(self, site: Site) -> Standing:
        if not self.request.resume or self.request.overwrite:
            return Standing(None, "it is new")
        try:
            names = deliverable_names(site.paths)
        except UsageError as error:  # the run says so as well
            return Standing(None, str(error))
        return standing(self.root / site.name, self.pipeline.asked, list(zip(names, site.paths, strict=True)))

    def _prepare(self) -> None:
        try:
            remove_leftovers(self.root)
        except OSError as error:
            raise UsageError(f"{self.root}: can't be made ready: {plain_reason(error)}") from error
        self._write("unfinished")
        if self.worker is not None:
            self.worker.start()  # its libraries are loaded meanwhile

    def _work(self, waiting: Mapping[str, Standing]) -> BatchOutcome:
        """Carry out the sites that are to be done, one after the other."""
        total = len(self.sites.sites)
        drawn = BatchMap(self.root, self.progress)
        try:
            for number, site in enumerate(self.sites.sites, 1):
                self._stop_if_failed()
                if self.stopped:
                    break
                if site.name not in waiting:
                    self._tell(site, "left alone, nothing has changed")
                    continue
                found = waiting[site.name]
                if found.record is not None:
                    self._tell(site, f"done again: {found.reason}")
                self._do(site, f"{site.name} ({number} of {total})")
                self._write("unfinished")
                drawn.add(self.root / site.name)
            self._stop_if_failed()
            drawn.finish()
        except KeyboardInterrupt:
            with contextlib.suppress(OutputError):
                self._write("interrupted")
            raise
        return self._outcome(self._write(self._status()))

    def _do(self, site: Site, label: str) -> None:
        began = time.perf_counter()
        request = self.request.run_of(self.pipeline.loaded, site.paths, site.name)
        told = SiteProgress(self.progress, site.name, label, tell_all=self.request.tell_all)
        assert self.carrier is not None  # noqa: S101 - it is the worker unless one was given
        answer, remark = self.carrier.carry_out(request, told)
        if remark and not self.request.tell_all:
            self._tell(site, f"warning: {remark}")
        if answer.outcome is None:
            self.entries[site.name] = _entry(site).model_copy(
                update={
                    "status": "failed",
                    "seconds": time.perf_counter() - began,
                    "reason": answer.failure,
                    "remark": remark,
                }
            )
        else:
            self._enter(site, answer.outcome.record, remark)
        self._tell_outcome(site)

    def _enter(self, site: Site, record: Mapping[str, Any], remark: str) -> None:
        """Note what came of a site, from the record of its run."""
        failed = {i["path"]: i["reason"] for i in record["inputs"] if i["status"] == "failed"}
        status = _SITE_STATUS[record["status"]]
        self.entries[site.name] = _entry(site).model_copy(
            update={
                "status": status,
                "seconds": record["seconds"],
                "gates_failed": [_gate(g) for g in record["gates"] if g["outcome"] == "failed"],
                "inputs_failed": failed,
                "warnings": len(record["warnings"]),
                "reason": "no input could be used" if status == "failed" else "",
                "remark": remark,
            }
        )

    def _stop_if_failed(self) -> None:
        if self.request.fail_fast and self._exit_code() == EXIT_INPUT_FAILED:
            self.stopped = any(entry.status == "unfinished" for entry in self.entries.values())

    # -- what is told ----------------------------------------------------------------------------------------

    def _assume(self, text: str) -> None:
        if text not in self.assumed:
            self.assumed.append(text)
            self.progress.note(text)

    def _tell(self, site: Site, text: str) -> None:
        self.progress.note(f"{site.name}: {text}")

    def _tell_outcome(self, site: Site) -> None:
        entry = self.entries[site.name]
        if entry.status == "failed":
            self.progress.note(f"FAILED {site.name}: {entry.reason}")
            return
        flights = "1 flight" if len(site.paths) == 1 else f"{len(site.paths)} flights"
        parts = [f"{flights} done in {entry.seconds:.1f} s"]
        if entry.inputs_failed:
            parts[0] = f"{len(site.paths) - len(entry.inputs_failed)} of {parts[0]}"
        parts += [f"gate failed: {reason}" for reason in entry.gates_failed]
        parts += [f"{entry.warnings} warnings in its record"] if entry.warnings else []
        self._tell(site, "; ".join(parts))

    def _planned(self, waiting: Mapping[str, Standing]) -> BatchOutcome:
        lines = []
        for site in self.sites.sites:
            why = waiting[site.name].reason if site.name in waiting else "left alone, nothing has changed"
            names = ", ".join(p.name for p in site.paths)
            lines.append(f"{self.root / site.name}: {site.points:,} points of {names}: {why}")
        count = len(self.sites.sites)
        lines.append(f"{count} site{'s' if count != 1 else ''}, {len(waiting)} to do; nothing was written")
        failed = any(one.reason for one in self.sites.inputs)
        return BatchOutcome(self._record("planned"), EXIT_INPUT_FAILED if failed else EXIT_DONE, lines)

    def _outcome(self, record: BatchRecord) -> BatchOutcome:
        aside = [one for one in record.inputs if one.reason]
        done = sum(entry.status in ("done", "gate_failed") for entry in record.sites)
        lines = [f"{done} of {len(record.sites)} sites done, in {self.root} ({record.seconds:.1f} s)"]
        if self.alone:
            few = len(self.alone) < len(record.sites)
            many = f"{len(self.alone)} of them left alone" if few else "all left alone: nothing to do"
            lines[0] = f"{lines[0]}; {many}"
        lines += [f"set aside: {one.path}: {one.reason}" for one in aside]
        for entry in record.sites:
            lines += [f"failed: {entry.name}: {entry.reason}"] if entry.reason else []
            if not entry.reason:
                lines += [f"failed: {path}: {reason}" for path, reason in entry.inputs_failed.items()]
            lines += [f"gate: {entry.name}: {reason}" for reason in entry.gates_failed]
        if record.status == "stopped":
            left = sum(entry.status == "unfinished" for entry in record.sites)
            lines.append(f"stopped at the first failure: {left} sites are not done; --resume goes on")
        assert record.exit_code is not None  # noqa: S101
        return BatchOutcome(record, record.exit_code, lines)

    # -- the record ------------------------------------------------------------------------------------------

    def _exit_code(self) -> int:
        statuses = [entry.status for entry in self.entries.values()]
        if any(one.reason for one in self.sites.inputs) or any(s in _FAILED for s in statuses):
            return EXIT_INPUT_FAILED
        return EXIT_GATE_FAILED if "gate_failed" in statuses else EXIT_DONE

    def _status(self) -> BatchStatus:
        if self.stopped:
            return "stopped"
        return {EXIT_INPUT_FAILED: "some_failed", EXIT_GATE_FAILED: "gate_failed"}.get(  # type: ignore[return-value]
            self._exit_code(), "done"
        )

    def _record(self, status: BatchStatus) -> BatchRecord:
        ended = status not in ("planned", "unfinished")
        code = EXIT_INTERRUPTED if status == "interrupted" else self._exit_code()
        return BatchRecord(
            status=status,
            exit_code=code if ended else None,
            started=self.started.isoformat(timespec="seconds"),
            finished=datetime.now(UTC).isoformat(timespec="seconds") if ended else "",
            seconds=time.perf_counter() - self.clock,
            version=__version__,
            pipeline_source=self.pipeline.source,
            pipeline_sha256=self.pipeline.sha256,
            asked=self.pipeline.asked,
            group_by=self.request.group_by,
            gap_m=self.request.gap,
            sites=list(self.entries.values()),
            inputs=list(self.sites.inputs),
            assumed=self.assumed,
            orphaned=self.orphaned,
        )

    def _write(self, status: BatchStatus) -> BatchRecord:
        record = self._record(status)
        write_batch(record, self.root)
        return record

    def _is_recorded(self) -> bool:
        """Tell whether the record that is there says all there is to say, but for the times of the batch."""
        times = {"started", "finished", "seconds"}
        if self.earlier is None:
            return False
        return self._record(self._status()).model_dump(exclude=times) == self.earlier.model_dump(
            exclude=times
        )

    def _orphans(self) -> list[str]:
        """Return folders of earlier sites that are none any more."""
        names = {site.name for site in self.sites.sites}
        return sorted(name for name in self.there if name not in names and (self.root / name).is_dir())

    def _earlier_sites(self) -> dict[str, dict[str, int]]:
        """Return paths and sizes of the flights of all sites that have a folder, by its name."""
        known: dict[str, dict[str, int]] = {}
        if self.earlier is not None:
            sizes = {one.path: one.size_bytes for one in self.earlier.inputs}
            known = {e.folder: {p: sizes.get(p, 0) for p in e.inputs} for e in self.earlier.sites}
        try:
            folders = [p for p in self.root.iterdir() if p.is_dir()]
        except OSError:
            folders = []
        for folder in folders:
            if folder.name not in known and (folder / RECORD_NAME).is_file():
                record = read_record(folder) or {}
                known[folder.name] = {str(i["path"]): i["size_bytes"] for i in record.get("inputs", [])}
        return known


def _entry(site: Site) -> SiteEntry:
    return SiteEntry(
        name=site.name, folder=site.name, inputs=[str(p) for p in site.paths], points=site.points
    )


def _gate(gate: Mapping[str, Any]) -> str:
    """Return why a gate failed, with the flight where it is one of a flight."""
    flight = Path(gate["flight"]).name if gate.get("flight") else ""
    return f"{flight}: {gate['reason']}" if flight else str(gate["reason"])


def refuse_urls(texts: Iterable[str]) -> None:
    """Refuse inputs and results elsewhere: what has changed there can't be told without fetching it.

    Raises
    ------
    UsageError
        With what to do.
    """
    for text in texts:
        if is_remote(text):
            raise UsageError(
                f"{shown(text)}: a batch takes files and folders of this machine: fetch the flights first, "
                "or give each site to `cloudprep run`, which takes URLs"
            )

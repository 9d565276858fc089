"""Batches that are killed at random moments, gone on with, and held against one that nobody disturbed."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from ast import literal_eval
from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import psutil
from folders import JOURNAL, LEDGER, checksums, contents, halves
from tiny_site import WITH_REPORT, write_flight
from warm_start import PATIENCE, forked_command, load

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from warm_start import Process

_PROGRAM = "from cloudprep.cli.main import entry; entry()"
# Sites lie so far apart that they don't touch.
_APART = 5_000.0
# A kill later than this share of an undisturbed batch's time comes too late now and then, as it should.
_LATEST = 1.05
# Most of a short batch is its start: so many kills come at any moment, the others once it is at work.
_AT_ANY_MOMENT = 0.25
_TWICE = 0.3


@dataclass
class Batch:
    """A folder with flights, a pipeline, and the batch that is killed again and again.

    Parameters
    ----------
    folder : Path
        Where all of it is.
    sites : int
        How many; every second one has two flights.
    warm : bool
        Whether processes come from one that has its libraries loaded: much quicker.
    """

    folder: Path
    sites: int = 5
    warm: bool = False
    seconds: float = 0.0
    working: float = 0.0
    wanted: dict[str, bytes] = field(default_factory=dict)
    found: Counter[str] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        for site in range(self.sites):
            for flight in range(1 + site % 2):
                first = 300 * (site + flight)
                write_flight(
                    self.folder / "flights" / f"site{site}{'ab'[flight]}.laz",
                    slice(first, first + 600),
                    east=412_000.0 + site * _APART,
                )
        (self.folder / "pipeline.yaml").write_text(WITH_REPORT, encoding="utf-8")
        self.before = checksums(self.folder / "flights")
        if self.warm:
            load()

    @property
    def out(self) -> Path:
        return self.folder / "out"

    def start(self, *more: str) -> Process:
        """Start the batch in a session of its own, so that it can be killed with all its processes."""
        words = ["batch", "pipeline.yaml", "flights", "--out", "out", "--workers", "1", *more]
        if self.warm:
            return forked_command(self.folder, words)
        with (self.folder / "stderr.txt").open("wb") as errors:
            return subprocess.Popen(
                [sys.executable, "-c", _PROGRAM, *words],
                cwd=self.folder,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=errors,
                start_new_session=True,
            )

    def finish(self, *more: str) -> None:
        """Carry the batch to its end."""
        code = self.start(*more).wait(PATIENCE)
        assert code == 0, (self.folder / "stderr.txt").read_text()
        assert "Traceback" not in (self.folder / "stderr.txt").read_text()

    def undisturbed(self) -> None:
        """Carry out a batch that nobody disturbs, twice: once to compile and to load, once to time."""
        self.finish()
        shutil.rmtree(self.out)
        began = time.monotonic()
        process = self.start()
        self.wait_for_work(process)
        at_work = time.monotonic()
        assert process.wait(PATIENCE) == 0
        self.seconds, self.working = time.monotonic() - began, time.monotonic() - at_work
        self.wanted = contents(self.out)

    def wait_for_work(self, process: Process) -> None:
        """Wait until the first site is begun, or the process has ended."""
        while process.poll() is None and not any(self.out.glob("*/")):
            time.sleep(0.005)

    def killed(self, rng: random.Random) -> int:
        """Kill a batch at random moments, go on with it and compare; return how often it was killed.

        Raises
        ------
        AssertionError
            If anything is lost, half-written, left over or another byte.
        """
        shutil.rmtree(self.out, ignore_errors=True)
        kills = 0
        while kills == 0 or (kills == 1 and rng.random() < _TWICE):
            process, span = self.start("--resume"), self.seconds
            if rng.random() >= _AT_ANY_MOMENT:
                self.wait_for_work(process)
                span = self.working
            try:
                process.wait(rng.uniform(0.0, _LATEST * span))
            except subprocess.TimeoutExpired:
                (kill_all if rng.random() < 0.5 else kill_main)(process)
                kills += 1
                self.found[self.moment()] += 1
                self.check_whole()
            else:  # too late
                self.found["too late"] += 1
                self.check_same()
                shutil.rmtree(self.out)
        self.finish("--resume")
        self.check_same()
        return kills

    def moment(self) -> str:
        """Return in words where a kill hit, from what lies there."""
        if not self.out.exists():
            return "before the folder was made"
        if any(not name.startswith(".part-scratch") for name in halves(self.out)):
            return "while a file was being written"
        records = len(list(self.out.glob("*/run.json")))
        if any(self.out.glob(f"*/{JOURNAL}")):
            return "between the files of a site"
        if records == self.sites:
            return "after the last site"
        return "while a site was worked on" if any(self.out.glob("*/")) else "before the first site"

    def check_whole(self) -> None:
        """Hold what lies under final names to be whole."""
        left_out = {*halves(self.out)} if self.out.exists() else set()
        for name, data in (contents(self.out) if self.out.exists() else {}).items():
            last = name.rpartition("/")[2]
            if name in left_out or last in (JOURNAL, ".in-use", "batch.json"):
                continue
            if last == LEDGER:  # it grows by whole rows, site by site
                found, wanted = literal_eval(data.decode()), literal_eval(self.wanted[name].decode())
                assert all(set(found[table]) <= set(wanted[table]) for table in wanted), name
                continue
            assert data == self.wanted[name], f"{name} is not whole"
        assert checksums(self.folder / "flights") == self.before

    def check_same(self) -> None:
        """Compare with the undisturbed batch, byte by byte, all names included."""
        found = contents(self.out)
        assert sorted(found) == sorted(self.wanted)
        assert [name for name, data in self.wanted.items() if found[name] != data] == []
        assert checksums(self.folder / "flights") == self.before


def kill_all(process: Process) -> None:
    """Kill a process and all that it started at once, as the end of a container does."""
    try:
        whole = [psutil.Process(process.pid), *psutil.Process(process.pid).children(recursive=True)]
    except psutil.NoSuchProcess:
        whole = []
    for one in whole:
        try:
            os.kill(one.pid, signal.SIGKILL)
        except ProcessLookupError:
            continue
    process.wait()


def kill_main(process: Process) -> None:
    """Kill the process alone: what it started must not go on without it."""
    os.kill(process.pid, signal.SIGKILL)
    process.wait()


def many(batch: Batch, trials: int, seed: int, tell: Callable[[str], None] = print) -> int:
    """Do so many kill tests, each a batch that is killed once or twice; return how many kills there were."""
    rng = random.Random(seed)  # noqa: S311 - moments, not secrets
    kills = 0
    for trial in range(1, trials + 1):
        kills += batch.killed(rng)
        tell(f"{trial} of {trials}: equal ({kills} kills)")
    return kills

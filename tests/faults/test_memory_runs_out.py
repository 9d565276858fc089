"""Memory runs out: one line that says what to do, nothing half-written, and the next run finishes."""

from __future__ import annotations

import itertools
import os
import resource
import signal
import subprocess
import sys

import numpy as np
import pytest
from folders import deliverables, halves
from tiny_site import one_line

from cloudprep.engine.peak import peak_of
from cloudprep.errors import WorkersDiedError
from cloudprep.runs import less_memory

MAKERS = ("empty", "zeros", "ones", "full", "arange", "concatenate", "empty_like", "where", "column_stack")
# Smaller arrays are not what memory runs out at.
LARGE = 2_000


class Shortage:
    """Counts arrays that are made with numpy's functions; from one of them on, memory is at its end."""

    def __init__(self, monkeypatch):
        self.count, self.last = 0, None
        for name in MAKERS:
            monkeypatch.setattr(np, name, self.counted(getattr(np, name)))

    def counted(self, make):
        def made(*arguments, **more):
            array = make(*arguments, **more)
            if getattr(array, "nbytes", 0) >= LARGE:
                self.count += 1
                if self.last is not None and self.count >= self.last:
                    raise MemoryError(f"Unable to allocate {array.nbytes} bytes")
            return array

        return made


@pytest.mark.slow
def test_wherever_memory_runs_out_it_is_one_line_that_says_what_to_do(site, monkeypatch):
    site.fresh()
    shortage = Shortage(monkeypatch)
    assert site.run().exit_code == 0
    arrays = shortage.count
    assert arrays > 40
    for place in itertools.chain(range(1, arrays, max(1, arrays // 25)), [arrays]):
        site.fresh()
        shortage.count, shortage.last = 0, place
        result = site.run("--memory", "3GB")
        shortage.last = None
        assert result.exit_code == 1, (place, result.stderr)
        assert one_line(result) == (
            "cloudprep: the memory of this machine is not enough for that: give it less with --memory, 1.5GB "
            "say, so that points are held in files"
        )
        site.check_whole()
        site.check_inputs()
        assert halves(site.out) == []
        assert "run.json" not in deliverables(site.out) if site.out.exists() else True
    site.check_finishes()


LIMITED = """
import resource, sys
import cloudprep.engine.run, cloudprep.stages.ground.progressive_ground, rasterio, numba
from cloudprep.cli.main import entry
used = int(open("/proc/self/statm").read().split()[0]) * resource.getpagesize()
limit = used + int(sys.argv[1]) * 1_000_000
resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
sys.argv = ["cloudprep", *sys.argv[2:]]
entry()
"""


@pytest.mark.slow
@pytest.mark.parametrize("megabytes", [5, 30, 90, 200])
def test_a_limit_of_the_system_leaves_nothing_half_written(site, megabytes):
    """Compiled libraries may end the process where they get no memory; what lies there is whole."""
    site.fresh()
    words = ["run", site.folder / "pipeline.yaml", site.flights, "--out", site.out, "--workers", "1"]
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, str(megabytes), *map(str, words)],
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    site.check_whole(packed_alike=False)
    site.check_inputs()
    if done.returncode == 1:
        # Libraries blame other things (a damaged file, say), and the interpreter may tell on the way of what
        # it couldn't tidy up; but the last word is ours, and one line.
        assert "cloudprep: " in done.stderr.splitlines()[-1], done.stderr
    site.check_finishes("--overwrite")


def test_less_memory_is_half_and_where_that_changes_nothing_small_blocks(site):
    from cloudprep.config import load_pipeline
    from cloudprep.engine.request import RunRequest

    request = RunRequest(load_pipeline(site.folder / "pipeline.yaml"), (), site.out, memory=8_000_000_000)
    used_it = less_memory.with_less_memory(request, 7_000_000_000)
    assert (used_it.memory, used_it.block_points) == (4_000_000_000, None)
    others_did = less_memory.with_less_memory(request, 1_000_000_000)
    assert (others_did.memory, others_did.block_points) == (4_000_000_000, less_memory.SMALL_BLOCK)
    assert less_memory.with_less_memory(request, None).block_points is None


def test_the_memory_of_a_process_is_told_while_it_lives_and_when_it_is_dead():
    here = peak_of(os.getpid())
    assert here is not None
    assert here >= resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 * 0.5
    child = subprocess.Popen(
        [sys.executable, "-c", "x = b'1' * 400_000_000; print(flush=True); input()"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    child.stdout.readline()  # it has all of it now
    # The system counts pages in batches, each process its own: the last few may not be counted yet.
    assert peak_of(child.pid) >= 395_000_000
    os.kill(child.pid, signal.SIGKILL)
    child.communicate()
    assert less_memory.peak_of_the_dead() >= 395_000_000
    assert peak_of(child.pid) is None


class Dying:
    """Blocks of more points than this kill every worker that takes them."""

    def __init__(self, monkeypatch, most):
        from cloudprep.engine.executor import Threads

        self.tried = []
        real = Threads.each

        def each(executor, work, blocks, done):
            largest = max(block.count for block in blocks)
            self.tried.append(largest)
            if largest > most:
                raise WorkersDiedError("stage ground: block 0 was given up", largest)
            return real(executor, work, blocks, done)

        monkeypatch.setattr(Threads, "each", each)


def test_workers_that_die_of_a_block_get_smaller_ones_and_the_bytes_are_the_same(site, monkeypatch):
    from cloudprep.engine import smaller_blocks

    site.fresh()
    monkeypatch.setattr(smaller_blocks, "FEWEST_POINTS", 50)
    dying = Dying(monkeypatch, 300)
    result = site.run()
    assert result.exit_code == 0, result.stderr
    assert dying.tried[0] == 600
    assert max(dying.tried[1:]) <= 150
    said = "the run is done once more, with at most 150 points in a block"
    assert said in result.stderr
    found, wanted = deliverables(site.out), site.wanted()
    assert {n: d for n, d in found.items() if n != "run.json"} == {
        n: d for n, d in wanted.items() if n != "run.json"
    }
    assert said.encode() in found["run.json"]


def test_small_blocks_are_not_made_smaller_for_ever(site, monkeypatch):
    site.fresh()
    Dying(monkeypatch, 0)
    result = site.run()
    assert result.exit_code == 1
    assert one_line(result) == "cloudprep: stage ground: block 0 was given up"
    assert halves(site.out) == []

"""Memory runs out: one line that says what to do, nothing half-written, and the next run finishes."""

from __future__ import annotations

import itertools
import os
import re
import resource
import shutil
import signal
import subprocess
import sys

import laspy
import numpy as np
import pytest
from folders import checksums, contents, deliverables, halves
from pyproj import CRS
from tiny_site import one_line

from cloudprep.engine import addresses, memory
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


def write_large(path, count):
    """Write a flight of so many points, 8 a square metre."""
    rng = np.random.default_rng(5)
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = np.full(3, 0.001), np.array([412_000.0, 5_654_000.0, 0.0])
    header.add_crs(CRS.from_epsg(32632))
    cloud = laspy.LasData(header)
    side = (count / 8) ** 0.5
    cloud.x, cloud.y = 412_000 + rng.uniform(0, side, count), 5_654_000 + rng.uniform(0, side, count)
    cloud.z = 5 * np.sin(np.asarray(cloud.x) / 40) + rng.normal(0, 0.03, count)
    cloud.return_number = cloud.number_of_returns = np.ones(count, np.uint8)
    path.parent.mkdir(parents=True)
    cloud.write(path)


LIMITED = """
import resource, sys
import cloudprep.engine.run, cloudprep.stages.ground.progressive_ground, rasterio, numba
from cloudprep.cli.main import entry
used = int(open("/proc/self/statm").read().split()[0]) * resource.getpagesize()
limit = int(sys.argv[2]) * 1_000_000 or min(used + int(sys.argv[1]) * 1_000_000, 1_490_000_000)
resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
sys.argv = ["cloudprep", *sys.argv[3:]]
entry()
"""


def limited(left, whole, *words):
    """Run the command line where the system leaves so many megabytes, or gives so many in the whole."""
    return subprocess.run(
        [sys.executable, "-c", LIMITED, str(left), str(whole), *map(str, words)],
        capture_output=True,
        text=True,
        check=False,
        timeout=600,
    )


@pytest.mark.parametrize("megabytes", [5, 30, 90, 200])
def test_a_limit_of_the_system_that_is_too_small_is_told_before_anything_is_read(site, megabytes):
    """Where addresses end, libraries end the process or turn in circles: so it doesn't come to that."""
    site.fresh()
    words = ["run", site.folder / "pipeline.yaml", site.flights, "--out", site.out, "--workers", "1"]
    done = limited(megabytes, 0, *words)
    assert done.returncode == 1
    assert re.fullmatch(
        r"cloudprep: a limit of this system \(ulimit -v\) leaves this program \d\.\d+ GB of addresses, "
        r"and it needs \d+\.\d+ GB before the first point is read: raise the limit\n",
        done.stderr,
    ), done.stderr
    assert not site.out.exists()
    site.check_inputs()


def test_the_least_that_is_asked_for_is_enough_for_a_small_site(site):
    site.fresh()
    words = ["run", site.folder / "pipeline.yaml", site.flights, "--out", site.out, "--workers", "2"]
    done = limited(0, addresses.least_addresses() // 1_000_000 + 1, *words)
    assert done.returncode == 0, done.stderr
    found, wanted = contents(site.out), site.wanted()
    assert sorted(found) == sorted(wanted)
    # The record tells of the memory that the run might take.
    assert {name for name, data in found.items() if data != wanted[name]} <= {"run.json"}


@pytest.mark.slow
def test_a_limit_of_the_system_leaves_nothing_half_written(site, tmp_path):
    """Compiled libraries may end the process where they get no memory; what lies there is whole."""
    site.fresh()
    flights = tmp_path / "many"
    write_large(flights / "0.laz", 1_000_000)
    for copy in range(1, 20):
        shutil.copy(flights / "0.laz", flights / f"{copy}.laz")
    before = checksums(flights)
    words = ["run", site.folder / "pipeline.yaml", flights, "--out", site.out, "--workers", "1"]
    done = limited(0, addresses.least_addresses() // 1_000_000 + 1, *words, "--memory", "20GB")
    assert done.returncode == 1
    # Libraries may tell of it on the way; but the last word is ours, and one line.
    assert "cloudprep: " in done.stderr.splitlines()[-1], done.stderr
    assert "Traceback" not in done.stderr
    assert (deliverables(site.out) if site.out.exists() else {}) == {}
    assert checksums(flights) == before
    site.check_finishes("--overwrite")


def test_a_limit_of_the_system_bounds_the_memory_that_a_run_takes(monkeypatch):
    whole = memory.default_memory()
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    monkeypatch.setattr(resource, "getrlimit", lambda _: (1_600_000_000, resource.RLIM_INFINITY))
    assert addresses.too_few_addresses() is None
    assert memory.default_memory() == min(whole, 600_000_000)
    assert addresses.bytes_within(10) == 10
    monkeypatch.setattr(resource, "getrlimit", lambda _: (900_000_000, 900_000_000))
    assert addresses.bytes_within(10) == 0
    assert "0.90 GB" in addresses.too_few_addresses()
    monkeypatch.setattr(resource, "getrlimit", lambda _: (1_600_000_000, 1_600_000_000))
    monkeypatch.setattr(os, "cpu_count", lambda: 64)
    assert "needs 2.49 GB" in addresses.too_few_addresses()
    monkeypatch.setattr(resource, "getrlimit", lambda _: (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    assert (addresses.address_limit(), addresses.too_few_addresses()) == (None, None)
    assert memory.default_memory() == whole


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

"""A worker that is killed takes nothing with it."""

import os
import signal

import pytest

from cloudprep.engine.closing import peak_memory
from cloudprep.engine.executor_dask import Dask
from cloudprep.engine.progress import Silent
from cloudprep.errors import ClusterError

dask = pytest.importorskip("dask")
pytest.importorskip("distributed")

PIPELINE = """
cloudprep: 1
stages:
  - stage: progressive_ground
  - stage: terrain_grid
    cell: 1.0
"""


class Killer(Silent):
    """Kills a worker that has blocks to do, once, when a stage's first block is done."""

    def __init__(self, monkeypatch):
        self.stage, self.killed, self.threads = "", "", set()
        use = Dask.use

        def spy(executor, folder):
            self.client = executor._client
            use(executor, folder)

        monkeypatch.setattr(Dask, "use", spy)

    def start(self, stage, points):
        self.stage = stage

    def advance(self, points):
        if self.killed or self.stage == "reading":
            return
        busy = [worker for worker, keys in self.client.processing().items() if keys]
        if not busy:
            return
        self.threads = set(self.client.run(lambda: os.environ.get("NUMBA_NUM_THREADS")).values())
        process = self.client.run(os.getpid, workers=busy[:1])[busy[0]]
        assert process != os.getpid()
        os.kill(process, signal.SIGKILL)
        self.killed = self.stage


@pytest.mark.slow
def test_a_killed_worker_loses_no_work_and_changes_no_bit(
    clouds, run, pipeline_file, record_of, told, monkeypatch
):
    flight, pipeline = clouds.write(), pipeline_file(PIPELINE)
    _, plain = run(flight, pipeline=pipeline, out="plain", workers=2)
    killer = Killer(monkeypatch)
    done, out = run(flight, pipeline=pipeline, engine="dask", workers=2, block_points=200, sink=killer)
    assert killer.killed
    assert killer.threads == {"1"}
    assert done.exit_code == 0
    assert told(out) == told(plain)
    # The others' memory is counted: no interpreter with numba in it takes less.
    assert record_of(out)["peak_memory_bytes"] > peak_memory() + 50_000_000
    assert not [p for p in out.iterdir() if p.name.startswith(".part-")]


@pytest.mark.slow
def test_a_block_that_its_workers_die_of_is_given_up_in_one_line(
    clouds, run, pipeline_file, monkeypatch, tmp_path
):
    killer = Killer(monkeypatch)
    with (
        dask.config.set({"distributed.scheduler.allowed-failures": 0}),
        pytest.raises(ClusterError, match=r"stage \w+: block \d+ was given up") as raised,
    ):
        pipeline = pipeline_file(PIPELINE)
        run(clouds.write(), pipeline=pipeline, engine="dask", workers=1, block_points=200, sink=killer)
    assert killer.killed
    assert "\n" not in str(raised.value)
    assert not [p for p in (tmp_path / "out").iterdir() if p.name.startswith(".part-")]

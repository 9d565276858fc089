"""What goes wrong on a cluster is told in one line, as itself, and stops the rest."""

import fcntl
import gc
import os
import pickle
import socket
import sys
import threading
from importlib import metadata

import pytest
from typer.testing import CliRunner

from cloudprep.cli.main import app
from cloudprep.engine import memory
from cloudprep.engine.executor_dask import Dask
from cloudprep.engine.passes import ContractError
from cloudprep.engine.progress import Silent
from cloudprep.engine.scratch import ColumnFiles
from cloudprep.errors import BadInputError, ConfigError, UsageError
from cloudprep.stages.ground.progressive_ground import ProgressiveGround

distributed = pytest.importorskip("distributed")

# Few stages and small blocks: what goes wrong is the same in all of them.
ONE_STAGE = """
cloudprep: 1
stages:
  - stage: progressive_ground
"""


@pytest.fixture
def ground(clouds, run, pipeline_file):
    """Run one stage on some thirty blocks."""

    def go(**options):
        return run(
            clouds.write(), pipeline=pipeline_file(ONE_STAGE), engine="dask", block_points=150, **options
        )

    return go


@pytest.fixture
def collected():
    """Let go of clients that never connected: one that is collected while another starts holds it up."""
    yield
    gc.collect()


def raiser(monkeypatch, error):
    calls = []

    def fails(self, points, context, solution=None):
        calls.append(1)
        raise error

    monkeypatch.setattr(ProgressiveGround, "run", fails)
    return calls


@pytest.mark.parametrize(
    "error",
    [
        ContractError("stage x changed ['z']"),
        MemoryError(),
        BadInputError("a.laz", "no"),
        UsageError("no"),
        ConfigError(["a", "b"]),
    ],
)
def test_the_exception_of_a_stage_comes_back_as_itself_and_stops_the_rest(
    ground, cluster, monkeypatch, tmp_path, error
):
    calls = raiser(monkeypatch, error)
    scratch = tmp_path / "shared"
    with pytest.raises(type(error)) as raised:
        ground(scheduler=cluster(1), scratch=scratch)
    assert type(raised.value) is type(error)
    assert str(raised.value) == str(error)
    assert 1 <= len(calls) < 10  # of some thirty blocks
    assert list(scratch.iterdir()) == []


def test_ctrl_c_cancels(ground, cluster, tmp_path):
    class Interrupted(Silent):
        def advance(self, points):
            if self.stage == "progressive_ground":
                raise KeyboardInterrupt

        def start(self, stage, points):
            self.stage = stage

    address, scratch = cluster(1), tmp_path / "shared"
    with pytest.raises(KeyboardInterrupt):
        ground(scheduler=address, scratch=scratch, sink=Interrupted())
    assert list(scratch.iterdir()) == []
    with distributed.Client(address, set_as_default=False) as client:
        assert client.run_on_scheduler(lambda dask_scheduler: len(dask_scheduler.tasks)) == 0


# -- clusters that are of no use --------------------------------------------------------------------------


def test_a_scheduler_that_is_not_there_is_named_and_nothing_is_touched(
    ground, tmp_path, monkeypatch, collected
):
    monkeypatch.setattr("cloudprep.engine.executor_dask._PATIENCE", 1)
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        address = f"127.0.0.1:{listener.getsockname()[1]}"
    with pytest.raises(UsageError, match=f"--scheduler {address}: no dask scheduler") as raised:
        ground(scheduler=address)
    assert "\n" not in str(raised.value)
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("address", ["", "nowhere", "udp://a:1", "127.0.0.1:999999"])
def test_what_is_no_address_is_named(address, monkeypatch, collected):
    monkeypatch.setattr("cloudprep.engine.executor_dask._PATIENCE", 1)
    with pytest.raises(UsageError, match=f"--scheduler {address}: no dask scheduler"):
        Dask(address, 1)


def test_a_scheduler_without_workers_is_told(cluster, monkeypatch):
    monkeypatch.setattr("cloudprep.engine.executor_dask._PATIENCE", 0.5)
    with pytest.raises(UsageError, match="has no workers"):
        Dask(cluster(0), 1)


def test_a_worker_that_cannot_see_the_folder_is_told_to_share_it(cluster, tmp_path):
    with (
        Dask(cluster(), 1) as dask,
        pytest.raises(UsageError, match="can't see it: give --scratch") as raised,
    ):
        dask.use(tmp_path / "of this machine only")
    assert str(tmp_path / "of this machine only") in str(raised.value)


@pytest.mark.parametrize("there", ["0.0.9", "missing"])
def test_workers_of_another_version_are_refused(cluster, monkeypatch, there):
    real = metadata.version

    def version(name):
        # Workers of this process answer in the thread of their event loop.
        if name != "cloudprep" or threading.current_thread() is threading.main_thread():
            return real(name)
        if there == "missing":
            raise metadata.PackageNotFoundError(name)
        return there

    monkeypatch.setattr(metadata, "version", version)
    said = "has no cloudprep" if there == "missing" else f"has cloudprep {there}, but here it is"
    with pytest.raises(UsageError, match=said) as raised:
        Dask(cluster(), 1)
    assert "\n" not in str(raised.value)


def test_without_dask_the_extra_is_named(clouds, pipeline_file, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    words = ["run", pipeline_file(), clouds.write(), "--out", tmp_path / "out", "--engine", "dask"]
    result = CliRunner().invoke(app, [str(w) for w in words])
    assert result.exit_code == 2
    assert "pip install 'cloudprep[cluster]'" in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1


def test_a_scheduler_goes_with_dask_only(clouds, pipeline_file, tmp_path):
    words = ["run", pipeline_file(), clouds.write(), "--out", tmp_path / "out", "--scheduler", "127.0.0.1:1"]
    result = CliRunner().invoke(app, [str(w) for w in words])
    assert result.exit_code == 2
    assert "it goes with --engine dask" in result.stderr


# -- parts ------------------------------------------------------------------------------------------------


def test_files_that_machines_share_are_written_through(tmp_path):
    for shared in (False, True):
        files = pickle.loads(pickle.dumps(ColumnFiles(tmp_path, write_through=shared)))  # noqa: S301 - made here
        through = fcntl.fcntl(files._handle("z"), fcntl.F_GETFL) & os.O_DSYNC
        assert bool(through) == shared
        files.close()


def test_processes_share_the_memory():
    from cloudprep.model.bounds import Bounds
    from cloudprep.model.site import SiteFacts

    site = SiteFacts(
        count=50_000_000, bounds=Bounds(0, 0, 1000, 1000), lowest=0.0, highest=9.0, spacing=0.15,
        multiple_returns=True, columns=frozenset(),
    )  # fmt: skip
    stages, names = [ProgressiveGround().resolved(site)], ("x", "y", "z", "classification")

    def plan(limit, processes):
        return memory.plan_memory(
            stages, site, names, limit=limit, workers=1, processes=processes, shared=True
        )

    alone, three = plan(2_000_000_000, 1), plan(6_000_000_000, 3)
    assert three.block_points == alone.block_points
    assert three.expected == 3 * alone.expected
    with pytest.raises(UsageError, match="with 2 workers"):
        plan(840_000_000, 3)

"""Batches that are killed, or whose worker is, come to the same bytes as one that nobody disturbed."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import time

import psutil
import pytest
from folders import timeless
from killing import Batch, many
from warm_start import PATIENCE

# A hundred take some ten minutes: benchmarks/kills.py, or this variable.
TESTS = int(os.environ.get("CLOUDPREP_KILL_TESTS", "5"))


@pytest.fixture(scope="module")
def batch(tmp_path_factory):
    made = Batch(tmp_path_factory.mktemp("killed"), sites=3, warm=True)
    made.undisturbed()
    return made


@pytest.mark.slow
def test_killed_batches_go_on_to_the_same_bytes(batch):
    assert many(batch, TESTS, seed=20261130) >= TESTS


@pytest.mark.slow
def test_a_worker_that_the_system_kills_is_tried_again_with_less_memory(batch):
    shutil.rmtree(batch.out, ignore_errors=True)
    process = batch.start("--memory", "2GB")
    batch.wait_for_work(process)
    # The command's own process waits for one that has the worker: the last of the line.
    worker = psutil.Process(process.pid).children(recursive=True)[-1]
    time.sleep(random.Random(4).uniform(0.0, 0.3))  # noqa: S311 - a moment, not a secret
    os.kill(worker.pid, signal.SIGKILL)
    assert process.wait(PATIENCE) == 0
    errors = (batch.folder / "stderr.txt").read_text()
    assert "Traceback" not in errors
    record = json.loads((batch.out / "batch.json").read_text())
    told = [site["remark"] for site in record["sites"] if site["remark"]]
    assert len(told) == 1
    assert "killed by the system" in told[0]
    assert "(1,000,000,000 bytes)" in told[0]
    assert [line for line in errors.splitlines() if told[0] in line]
    for site in record["sites"]:
        site["remark"] = ""
    again = json.dumps(record).encode()
    assert timeless("batch.json", again, batch.out) == batch.wanted["batch.json"]
    (batch.out / "batch.json").write_bytes(again)
    batch.check_same()

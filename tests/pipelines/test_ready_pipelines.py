"""Every ready pipeline is good, and runs on the demo clouds."""

from pathlib import Path

import pytest

from cloudprep.config import load_pipeline
from cloudprep.engine.demo import demo_folder
from cloudprep.engine.progress import Silent
from cloudprep.engine.run import RunRequest, run_site

READY = sorted((Path(__file__).parents[2] / "pipelines").glob("*.yaml"))


def test_there_are_ready_pipelines():
    assert "bare_earth" in {p.stem for p in READY}


@pytest.mark.parametrize("path", READY, ids=lambda p: p.stem)
def test_a_ready_pipeline_is_found_by_its_bare_name(path):
    assert load_pipeline(path.stem).as_dict() == load_pipeline(path).as_dict()


@pytest.mark.slow
@pytest.mark.parametrize("path", READY, ids=lambda p: p.stem)
@pytest.mark.parametrize("capture", ["flights", "twin"])
def test_a_ready_pipeline_runs_on_the_demo(path, capture, tmp_path):
    inputs = (str(demo_folder() / capture),)
    outcome = run_site(RunRequest(load_pipeline(path), inputs, tmp_path / "out"), Silent())
    assert outcome.exit_code == 0
    assert (tmp_path / "out" / "run.json").exists()

"""Every ready pipeline is good, and runs on the demo clouds."""

from pathlib import Path

import pytest

from cloudprep.config import load_pipeline
from cloudprep.engine.demo import demo_folder
from cloudprep.engine.progress import Silent
from cloudprep.engine.run import RunRequest, run_site

# They take what an earlier run, or somebody else, has classified.
OF_CLASSIFIED_CLOUDS = {"terrain_products"}
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
    if path.stem in OF_CLASSIFIED_CLOUDS:
        first = run_site(RunRequest(load_pipeline("bare_earth"), inputs, tmp_path / "first"), Silent())
        assert first.exit_code == 0
        inputs = (str(tmp_path / "first" / "clouds"),)
    outcome = run_site(RunRequest(load_pipeline(path), inputs, tmp_path / "out"), Silent())
    assert outcome.exit_code == 0
    assert (tmp_path / "out" / "run.json").exists()
    if path.stem in OF_CLASSIFIED_CLOUDS:
        assert outcome.record["figures"]["terrain.measured_share"] > 0.1
        assert {"catalogue", "index", "cloud", "raster"} <= {o["kind"] for o in outcome.record["outputs"]}

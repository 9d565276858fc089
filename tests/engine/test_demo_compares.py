"""The demo lays out its site, runs the main job and compares with the truth; the run is a stand-in here."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Any

import laspy
import numpy as np
import pytest
import rasterio

from cloudprep.engine import demo
from cloudprep.engine.progress import Silent
from cloudprep.engine.run import RunOutcome
from cloudprep.errors import UsageError

if TYPE_CHECKING:
    from cloudprep.engine.run import RunRequest

CELL = 2.0
# Planted faults of the stand-in: the model lies this much too high, and this many ground points are lost.
TOO_HIGH = 0.25
LOST = 1000


class FakeRun:
    """Delivers the truth itself, with planted faults."""

    def __init__(self) -> None:
        self.requests: list[RunRequest] = []

    def __call__(self, request: RunRequest, progress: Any) -> RunOutcome:
        self.requests.append(request)
        clouds, terrain = request.out / "clouds", request.out / "terrain"
        clouds.mkdir(parents=True, exist_ok=True)
        terrain.mkdir(exist_ok=True)
        for text in request.inputs:
            flight = Path(text)
            cloud = laspy.read(demo._part(demo._demo_package(), "truth").truth_of(flight))
            codes = np.array(cloud.classification)
            codes[np.flatnonzero(codes == 2)[:LOST]] = 1
            cloud.classification = codes
            cloud.write(clouds / flight.name)
        self._write_model(terrain / "dtm.tif")
        return RunOutcome({"stages": []}, 0, ["delivered"])

    def _write_model(self, path: Path) -> None:
        place, truth = (demo._part(demo._demo_package(), name) for name in ("place", "truth"))
        west, south = place.ORIGIN
        columns, rows = (int(side / CELL) for side in place.EXTENT)
        x, y = np.meshgrid(
            west + CELL * (np.arange(columns) + 0.5), south + CELL * (rows - np.arange(rows) - 0.5)
        )
        heights = (truth.true_ground(x, y) + TOO_HIGH).astype(np.float32)
        heights[truth.is_water(x, y)] += 50  # water is not compared
        heights[:5] = -9999.0
        with rasterio.open(
            path,
            "w",
            driver="GTiff",
            width=columns,
            height=rows,
            count=1,
            dtype="float32",
            nodata=-9999.0,
            transform=rasterio.Affine(CELL, 0, west, 0, -CELL, south + rows * CELL),
        ) as raster:
            raster.write(heights, 1)


@pytest.fixture
def fake(monkeypatch: pytest.MonkeyPatch) -> FakeRun:
    fake = FakeRun()
    monkeypatch.setattr(demo, "run_site", fake)
    monkeypatch.setattr(demo, "load_pipeline", lambda name: name)
    return fake


def test_planted_faults_come_out(fake: FakeRun, tmp_path: Path) -> None:
    outcome = demo.run_demo(tmp_path / "demo", Silent())
    assert set(outcome.scores) == {"flight1.laz", "flight2.laz"}
    for score in outcome.scores.values():
        assert (score.ground_lost, score.object_taken) == (LOST, 0)
        assert score.matched == "same order"
    terrain = outcome.terrain
    assert terrain is not None
    assert terrain.median == pytest.approx(TOO_HIGH, abs=1e-3)
    assert terrain.rmse == pytest.approx(TOO_HIGH, abs=1e-3)
    assert terrain.share_within == 0.0
    cells = 150 * 115
    assert 0.9 * cells < terrain.cells < cells  # five rows are empty, the pond is left out
    (request,) = fake.requests
    assert request.pipeline == "bare_earth"  # type: ignore[comparison-overlap]
    assert request.out == tmp_path / "demo" / "result"
    assert outcome.as_dict()["terrain"]["rmse"] == terrain.rmse


def test_the_demo_can_run_again_in_the_same_folder(fake: FakeRun, tmp_path: Path) -> None:
    demo.run_demo(tmp_path, Silent())
    demo.run_demo(tmp_path, Silent())
    assert all(request.overwrite for request in fake.requests)
    assert (tmp_path / "flights" / "flight1.laz").read_bytes() == (
        demo.demo_folder() / "flights" / "flight1.laz"
    ).read_bytes()


def test_files_that_stand_in_the_way_are_never_touched(fake: FakeRun, tmp_path: Path) -> None:
    mine = tmp_path / "flights" / "flight1.laz"
    mine.parent.mkdir()
    mine.write_bytes(b"my own")
    with pytest.raises(UsageError, match=r"flight1\.laz: is there and isn't the demo's"):
        demo.run_demo(tmp_path, Silent())
    assert mine.read_bytes() == b"my own"
    assert fake.requests == []


def test_a_site_that_is_not_shipped_is_made(
    fake: FakeRun, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shipped = demo.demo_folder()
    made: list[Path] = []

    def generate(folder: Path) -> None:
        made.append(folder)
        for part in ("flights", "truth"):
            shutil.copytree(shipped / part, folder / part)

    monkeypatch.setattr(demo._part(demo._demo_package(), "generate"), "generate_site", generate)
    monkeypatch.setattr(demo._part(demo._demo_package(), "place"), "FOLDER", tmp_path / "nowhere")
    outcome = demo.run_demo(tmp_path / "demo", Silent())
    assert made == [tmp_path / "demo"]
    assert len(outcome.scores) == 2

"""``cloudprep demo``: what it shows; the engine is a stand-in here."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from cloudprep.engine import demo as engine
from cloudprep.engine.run import RunOutcome
from cloudprep.engine.score import Score

if TYPE_CHECKING:
    from collections.abc import Callable

    from click.testing import Result

    Call = Callable[..., Result]

SCORE = Score(1000, 500, 20, 30, 450, 0.0385, 0.0625, 0.05, 0.8997, "same order", 0, ())


@pytest.fixture
def folders(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """Put a stand-in in place of the demo's run; give the folders it was called with."""
    folders: list[Path] = []

    def run_demo(folder: Path, progress: Any) -> engine.DemoOutcome:
        folders.append(folder)
        run = RunOutcome({"stages": []}, 0, ["2 of 2 inputs delivered"])
        terrain = engine.TerrainError(5000, 0.01, 0.055, 0.972, 0.1)
        return engine.DemoOutcome(run, {"flight1.laz": SCORE}, terrain, folder, folder / "result")

    monkeypatch.setattr(engine, "run_demo", run_demo)
    return folders


def test_the_demo_shows_its_scores_and_where_to_look(call: Call, folders: list[Path], tmp_path: Path) -> None:
    result = call("demo", "--out", tmp_path / "quarry")
    assert (result.exit_code, result.stderr) == (0, "")
    assert folders == [tmp_path / "quarry"]
    rows = [line.split() for line in result.stdout.splitlines()]
    assert ["flight1.laz", "1,000", "3.85", "%", "6.25", "%", "5.00", "%", "89.97", "%"] in rows
    assert "97.2 % of its cells lie\nwithin 0.1 m, RMSE 0.055 m, median +0.010 m" in result.stdout
    for name in ("dtm_hillshade.png", "dtm.tif", "clouds", "run.json", "truth"):
        assert name in result.stdout


def test_without_a_folder_it_is_cloudprep_demo(call: Call, folders: list[Path]) -> None:
    call("demo")
    assert folders == [Path("cloudprep_demo")]


def test_json_gives_run_scores_and_terrain(call: Call, folders: list[Path], tmp_path: Path) -> None:
    found = json.loads(call("demo", "--out", tmp_path, "--json").stdout)
    assert found["scores"]["flight1.laz"]["kappa"] == 0.8997
    assert found["terrain"]["share_within"] == 0.972
    assert set(found["run"]) == {"stages"}

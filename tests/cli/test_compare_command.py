"""``cloudprep compare``: tables for people, JSON for machines, exit code 3 beyond the tolerance."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import laspy
import numpy as np
import pytest

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from click.testing import Result

    Call = Callable[..., Result]

PIPELINE = """
cloudprep: 1
stages:
  - stage: progressive_ground
  - stage: terrain_grid
    cell: {cell}
output: {{format: las}}
gates:
  - {{figure: ground.share, at_least: 0.1}}
"""


@pytest.fixture
def runs(tmp_path: Path, call: Call) -> list[Path]:
    """Return the folders of two runs of the same flight: equal but for their times."""
    rng = np.random.default_rng(1)
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales = np.full(3, 0.01)
    cloud = laspy.LasData(header)
    cloud.x, cloud.y = rng.uniform(0, 30, (2, 3000))
    cloud.z = rng.normal(0, 0.02, 3000) + 5 * (rng.random(3000) < 0.2)
    cloud.return_number = cloud.number_of_returns = np.ones(3000, np.uint8)
    cloud.write(tmp_path / "flight.las")
    pipeline = tmp_path / "p.yaml"
    pipeline.write_text(PIPELINE.format(cell=1), encoding="utf-8")
    folders = [tmp_path / "one", tmp_path / "two"]
    for folder in folders:
        assert call("run", pipeline, tmp_path / "flight.las", "--out", folder).exit_code == 0
    return folders


def test_two_equal_runs_are_the_same_and_a_changed_one_is_not(
    call: Call, runs: list[Path], tmp_path: Path
) -> None:
    result = call("compare", *runs)
    assert result.exit_code == 0, result.stdout
    assert result.stdout.splitlines()[-1] == "the runs are the same"
    cloud = laspy.read(runs[1] / "clouds" / "flight.las")
    ground = np.flatnonzero(np.asarray(cloud.classification) == 2)[:30]
    cloud.classification[ground] = 7
    cloud.write(runs[1] / "clouds" / "flight.las")
    result = call("compare", *runs, "--out", tmp_path / "told")
    assert result.exit_code == 3
    rows = [" ".join(line.split()) for line in result.stdout.splitlines()]
    assert rows[-1] == "1 thing differs by more than the tolerance"
    assert "2 ground 7 low noise 30" in rows
    words = "30 of 3,000 points have other labels (1.00 %); ground +0 -30, noise +30 -0; most: ground to low"
    assert any(row.startswith("labels flight.las TOO MUCH " + words) for row in rows)
    assert (tmp_path / "told" / "comparison.xml").is_file()
    result = call("compare", *runs, "--labels-changed", "0.01")
    assert result.exit_code == 0
    assert "the runs differ within the tolerance" in result.stdout
    values = json.loads(call("compare", *runs, "--json").stdout)
    assert values["within_tolerance"] is False
    assert values["labels"]["all"]["ground_lost"] == 30
    assert values["labels"]["all"]["noise_gained"] == 30


@pytest.mark.parametrize("option", ["--labels-changed=1.5", "--height-difference=-1", "--cells-beyond=x"])
def test_a_tolerance_that_is_none_is_a_usage_error(call: Call, tmp_path: Path, option: str) -> None:
    assert call("compare", tmp_path, tmp_path, option).exit_code == 2


def test_a_folder_without_a_run_is_one_line(call: Call, tmp_path: Path) -> None:
    result = call("compare", tmp_path, tmp_path)
    assert result.exit_code == 2
    assert result.stderr.splitlines() == [f"cloudprep: {tmp_path}: holds no finished run (run.json)"]

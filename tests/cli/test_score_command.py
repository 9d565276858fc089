"""``cloudprep score``: the table on stdout, notes on stderr, JSON for machines."""

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


@pytest.fixture
def cloud(tmp_path: Path) -> Path:
    """Give a cloud of 10 points: 4 ground kept, 1 lost, 2 taken, 3 kept; the truth is an extra column."""
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales = np.full(3, 0.01)
    header.add_extra_dim(laspy.ExtraBytesParams("reference_class", np.uint8))
    las = laspy.LasData(header)
    las.x = las.y = las.z = np.arange(10.0)
    las.return_number = las.number_of_returns = np.ones(10, np.uint8)
    las.classification = np.repeat([2, 1, 2, 1], [4, 1, 2, 3])
    las["reference_class"] = np.repeat([2, 2, 1, 1], [4, 1, 2, 3])
    las.withheld = np.arange(10) == 0
    path = tmp_path / "cloud.laz"
    las.write(path)
    return path


def test_the_table_shows_counts_and_rates(call: Call, cloud: Path) -> None:
    result = call("score", cloud, cloud, "--reference-column", "reference_class")
    assert result.exit_code == 0
    lines = [line.split() for line in result.stdout.splitlines()]
    assert lines[0] == ["10", "points,", "matched", "row", "by", "row"]
    assert ["reference:", "ground", "3", "2"] in lines
    assert ["reference:", "other", "2", "3"] in lines
    assert ["Type", "I", "error", "40.00", "%", "ground", "that", "was", "lost"] in lines
    assert ["Type", "II", "error", "40.00", "%", "other", "points", "taken", "for", "ground"] in lines
    assert ["total", "error", "40.00", "%"] in lines
    assert ["kappa", "20.00", "%"] in lines
    assert result.stderr == "cloudprep: cloud.laz: 1 ground points are withheld; they count as not ground\n"


def test_json_has_shares_and_nothing_else_on_stdout(call: Call, cloud: Path) -> None:
    result = call("score", cloud, cloud, "--reference-column", "reference_class", "--json")
    found = json.loads(result.stdout)
    assert (found["schema_version"], found["points"], found["total"]) == (1, 10, 0.4)
    assert found["kappa"] == pytest.approx(0.2)
    assert found["matched"] == "same order"


def test_a_reference_that_can_not_serve_is_refused(call: Call, cloud: Path) -> None:
    result = call("score", cloud, cloud, "--reference-column", "reference_clas")
    assert (result.exit_code, result.stdout) == (2, "")
    assert "did you mean 'reference_class'?" in result.stderr
    result = call("score", cloud, cloud.with_name("gone.laz"))
    assert (result.exit_code, result.stdout) == (1, "")

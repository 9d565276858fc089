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


@pytest.fixture
def confident(tmp_path: Path, cloud: Path) -> Path:
    """Give the same cloud with confidences: 90 for four right and one wrong point, 96 for two right ones."""
    las = laspy.read(cloud)
    las.add_extra_dim(laspy.ExtraBytesParams("ground_confidence", np.uint8))
    las["ground_confidence"] = np.array([0, 90, 90, 90, 90, 0, 0, 90, 96, 96])
    path = tmp_path / "confident.laz"
    las.write(path)
    return path


def test_confidences_are_held_to_their_word(call: Call, confident: Path) -> None:
    result = call("score", confident, confident, "--reference-column", "reference_class")
    lines = [line.split() for line in result.stdout.splitlines()]
    assert ["90", "to", "94", "5", "80.0", "%", "90.0", "%"] in lines
    assert ["95", "to", "100", "2", "100.0", "%", "96.0", "%"] in lines
    assert ["60", "to", "69", "0", "-", "-"] in lines
    assert ["not", "judged", "3"] in lines
    # (5 x 0.10 + 2 x 0.04) / 7
    assert result.stdout.endswith("mean gap between right and stated: 8.3 %\n")
    found = json.loads(
        call("score", confident, confident, "--reference-column", "reference_class", "--json").stdout
    )
    assert found["calibration"]["bins"][5] == {
        "first": 90,
        "last": 94,
        "points": 5,
        "right": 0.8,
        "stated": 0.9,
    }
    assert found["calibration"]["gap"] == pytest.approx(0.58 / 7)


def test_clouds_without_confidences_show_no_second_table(call: Call, cloud: Path) -> None:
    result = call("score", cloud, cloud, "--reference-column", "reference_class")
    assert "ground_confidence" not in result.stdout

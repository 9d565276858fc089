"""``cloudprep inspect``: every flight is shown, a bad one is named and does not hide the others."""

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
def folder(tmp_path: Path) -> Path:
    """Give a folder with two good flights and a bad one."""
    folder = tmp_path / "Flüge 2024"
    folder.mkdir()
    for number, name in enumerate(("a.laz", "c [old].LAS")):
        header = laspy.LasHeader(point_format=6, version="1.4")
        header.scales = np.full(3, 0.01)
        header.system_identifier, header.generating_software = "invented scanner", "invented program"
        header.add_extra_dim(laspy.ExtraBytesParams("quality", np.uint8))
        cloud = laspy.LasData(header)
        cloud.x, cloud.y, cloud.z = np.arange(100.0), np.arange(100.0) + 50 * number, np.arange(100.0) / 10
        cloud.return_number = cloud.number_of_returns = np.ones(100, np.uint8)
        cloud.classification = np.repeat([1, 2], [75, 25])
        cloud.point_source_id = np.arange(100) + 1
        cloud.write(folder / name)
    (folder / "b.laz").write_bytes(b"")
    return folder


def test_good_flights_are_shown_and_the_bad_one_is_named(call: Call, folder: Path) -> None:
    result = call("inspect", folder)
    assert result.exit_code == 1
    assert result.stderr.splitlines() == [f"cloudprep: {folder / 'b.laz'}: the file is empty (0 bytes)"]
    text = result.stdout
    assert str(folder / "a.laz") in text
    assert str(folder / "c [old].LAS") in text
    for words in (
        "LAZ 1.4, point format 6, 31 bytes a point",
        "invented scanner, invented program",
        "x             0.000 to 99.000, in steps of 0.01",
        "75.00 %  1 unclassified",
        "25.00 %  2 ground",
        "return 1 of 1",
        "quality",
        "and 70 more (--json lists all)",
        "metres assumed",
        "no reference system",
    ):
        assert words in text, words


def test_all_good_is_exit_0(call: Call, folder: Path) -> None:
    result = call("inspect", folder / "a.laz")
    assert (result.exit_code, result.stderr) == (0, "")


def test_json_lists_good_and_bad_alike(call: Call, folder: Path) -> None:
    result = call("inspect", folder, "--json")
    assert result.exit_code == 1
    found = json.loads(result.stdout)
    assert found["schema_version"] == 1
    assert [f["status"] for f in found["flights"]] == ["read", "failed", "read"]
    assert found["flights"][1]["reason"] == "the file is empty (0 bytes)"
    assert len(found["flights"][0]["flight_lines"]) == 100
    assert found["flights"][0]["path"].endswith("Flüge 2024/a.laz")


def test_nothing_to_inspect_is_a_usage_error(call: Call, tmp_path: Path) -> None:
    result = call("inspect", tmp_path / "gone.laz")
    assert (result.exit_code, result.stdout) == (2, "")
    assert "no such file" in result.stderr

"""``cloudprep watch`` with real runs: what people and machines are told, and exit codes.

Being killed: ``tests/faults/test_killed_watches.py``.
"""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
import sys
import time
from typing import TYPE_CHECKING

import laspy
import numpy as np
import pyogrio
import pytest
from pyproj import CRS

from cloudprep.testing import example_cloud

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    Shell = Callable[..., subprocess.CompletedProcess[str]]

PIPELINE = """
cloudprep: 1
stages:
  - stage: low_points
  - stage: simple_morphological
  - stage: terrain_grid
    cell: 2.0
gates:
  - figure: points.count
    at_most: 3800
"""
PROGRAM = "from cloudprep.cli.main import entry; entry()"


def write(path: Path, east: float = 412_000.0, times: int = 1) -> Path:
    cloud = example_cloud()
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales = np.full(3, 0.001)
    header.offsets = np.array([412_000.0, 5_654_000.0, 0.0])
    header.add_crs(CRS.from_epsg(25832))
    made = laspy.LasData(header)
    made.x = np.concatenate([cloud["x"] + east + 0.01 * n for n in range(times)])
    made.y = np.concatenate([cloud["y"] + 5_654_000.0] * times)
    made.z = np.concatenate([cloud["z"]] * times)
    made.return_number = np.ones(len(made.x), np.uint8)
    made.number_of_returns = np.ones(len(made.x), np.uint8)
    path.parent.mkdir(parents=True, exist_ok=True)
    made.write(path)
    return path


@pytest.fixture
def place(tmp_path: Path) -> Path:
    write(tmp_path / "inbox" / "north.laz")
    (tmp_path / "p.yaml").write_text(PIPELINE, encoding="utf-8")
    return tmp_path


def words(place: Path, *more: str, out: str = "out") -> list[str]:
    return ["watch", str(place / "inbox"), str(place / "p.yaml"), "--out", str(place / out), *more]


def test_a_folder_of_captures_is_delivered_and_mapped(place: Path, shell: Shell) -> None:
    write(place / "inbox" / "day1" / "south.laz", 412_500.0)
    shutil.copy(place / "inbox" / "north.laz", place / "inbox" / "copy of north.laz")
    write(place / "inbox" / "twice.laz", 413_000.0, times=2)
    cut = (place / "inbox" / "north.laz").read_bytes()[:-2000]
    (place / "inbox" / "cut.laz").write_bytes(cut)
    found = shell(*words(place, "--once", "--settle", "0"))
    assert found.returncode == 1, found.stderr
    assert found.stderr == ""
    lines = [line.partition("  ")[2] for line in found.stdout.splitlines()]
    assert any(line.startswith("cut.laz: SET ASIDE: the file is cut short") for line in lines)
    assert any(line.startswith("twice.laz: delivered, but a gate FAILED to twice") for line in lines)
    assert any(line.startswith("north.laz: not taken: holds the same as copy of north.laz") for line in lines)
    assert lines[-1] == "ended: 3 delivered, 1 set aside"
    fields, _, _, data = pyogrio.raw.read(
        place / "out" / "ledger.gpkg", layer="runs", columns=["run", "status"]
    )
    statuses = dict(zip(*data, strict=True)) if list(fields["fields"]) == ["run", "status"] else {}
    assert statuses == {"copy_of_north": "done", "day1_south": "done", "twice": "gate_failed"}
    for name in statuses:
        assert (place / "out" / name / "terrain" / "dtm.tif").is_file()
    # Nothing new: at once, and done.
    assert shell(*words(place, "--once", "--settle", "0")).returncode == 0


def test_machines_are_told_json_lines(place: Path, shell: Shell) -> None:
    found = shell(*words(place, "--once", "--settle", "0", "--json"))
    assert found.returncode == 0, found.stderr
    events = [json.loads(line) for line in found.stdout.splitlines()]
    assert [e["event"] for e in events] == ["watching", "begun", "delivered", "ended"]
    assert events[2]["capture"] == "north.laz"
    assert events[2]["folder"] == "north"
    assert events[2]["points"] == len(example_cloud()["x"])


def test_a_gate_that_fails_is_exit_code_3(place: Path, shell: Shell) -> None:
    write(place / "inbox" / "north.laz", times=2)
    assert shell(*words(place, "--once", "--settle", "0", "-q")).returncode == 3


def test_mistakes_are_one_line(place: Path, shell: Shell) -> None:
    for bad in (
        words(place / "nowhere", "--once"),
        ["watch", str(place), str(place / "p.yaml"), "--out", str(place / "out"), "--once"],
        words(place, "--settle", "-1"),
    ):
        found = shell(*bad)
        assert found.returncode == 2
        assert "Traceback" not in found.stderr
    assert not (place / "out").exists()


def begin(place: Path, *more: str, out: str = "out") -> subprocess.Popen[str]:
    program = [sys.executable, "-c", PROGRAM, *words(place, *more, out=out)]
    return subprocess.Popen(program, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def test_it_goes_on_until_it_is_told_to_stop(place: Path) -> None:
    watching = begin(place, "--settle", "0.2", "--poll", "0.1", "--json")
    try:
        assert watching.stdout is not None
        for line in watching.stdout:
            if json.loads(line)["event"] == "delivered":
                break
        second = begin(place)
        assert second.wait(60) == 2
        assert "has been at work in this folder" in second.communicate()[1]
        copied = place / "inbox" / ".south.laz.part"
        write(place / "south.laz", 412_500.0).rename(copied)
        time.sleep(1)
        copied.rename(place / "inbox" / "south.laz")
        for line in watching.stdout:
            event = json.loads(line)
            if event["event"] == "delivered":
                break
        assert event["folder"] == "south"
        watching.send_signal(signal.SIGTERM)
        _, told = watching.communicate(timeout=60)
        assert (watching.returncode, told) == (130, "cloudprep: interrupted; nothing half-written is left\n")
    finally:
        watching.kill()
        watching.wait()
    assert {p.name for p in (place / "out").iterdir()} == {"north", "south", "ledger.gpkg", "watch.sqlite"}

"""``cloudprep ledger`` makes the map, says how many runs are in it, and names what it had to leave out."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from click.testing import Result

RECORD = {
    "status": "done",
    "started": "2026-03-01T12:00:00+00:00",
    "finished": "2026-03-01T12:00:01+00:00",
    "seconds": 1.0,
    "versions": {"cloudprep": "0.1.0"},
    "pipeline_source": "p.yaml",
    "inputs": [{"path": "a.laz", "status": "done", "points": 1, "size_bytes": 1, "sha256": ""}],
}


def put(folder: Path, text: str) -> None:
    folder.mkdir(parents=True)
    (folder / "run.json").write_text(text, encoding="utf-8")


def test_runs_are_counted(call: Callable[..., Result], tmp_path: Path) -> None:
    put(tmp_path / "a", json.dumps(RECORD))
    found = call("ledger", tmp_path)
    assert (found.exit_code, found.stdout) == (0, f"1 run in {tmp_path / 'ledger.gpkg'}\n")
    put(tmp_path / "b", json.dumps(RECORD))
    answer = json.loads(call("ledger", tmp_path, "--json").stdout)
    assert answer == {
        "ledger": str(tmp_path / "ledger.gpkg"),
        "runs": 2,
        "taken": 2,
        "gone": 0,
        "broken": [],
    }


def test_what_is_broken_is_named(call: Callable[..., Result], tmp_path: Path) -> None:
    put(tmp_path / "a", json.dumps(RECORD))
    put(tmp_path / "bad", "{")
    found = call("ledger", tmp_path)
    assert found.exit_code == 1
    assert found.stdout.startswith("1 run in ")
    assert (
        found.stderr
        == f"cloudprep: left out: {tmp_path / 'bad' / 'run.json'}: is no JSON, or only a part of it\n"
    )


def test_mistakes_are_one_line(call: Callable[..., Result], tmp_path: Path) -> None:
    found = call("ledger", tmp_path / "nowhere")
    assert (found.exit_code, found.stderr) == (2, f"cloudprep: {tmp_path / 'nowhere'}: no such folder\n")
    (tmp_path / "ledger.gpkg").write_bytes(b"mine")
    found = call("ledger", tmp_path)
    assert found.exit_code == 1
    assert found.stderr.count("\n") == 1


def test_the_command_line_starts_without_it() -> None:
    heavy = ("sqlite3", "shapely", "pyogrio", "pyproj", "cloudprep.runs.ledger", "cloudprep.runs.watch")
    program = f"import sys, cloudprep.cli.main; print([m for m in {heavy} if m in sys.modules])"
    found = subprocess.run([sys.executable, "-c", program], check=True, capture_output=True, text=True)
    assert found.stdout == "[]\n"

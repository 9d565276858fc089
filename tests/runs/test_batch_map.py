"""A batch keeps the map of its runs: seldom on the way, whole at the end; trouble with it stops nothing."""

import sqlite3
from contextlib import closing

from cloudprep.runs import batch_map
from cloudprep.runs.batch_map import BatchMap


def runs_in(folder):
    with closing(sqlite3.connect(folder / "ledger.gpkg")) as base:
        return {run for (run,) in base.execute("SELECT run FROM runs")}


def test_all_sites_of_a_batch_are_on_its_map(flight, batch, tmp_path):
    for number, name in enumerate(("dam", "pit", "ridge")):
        flight(f"{name}.laz", 3000.0 * number)
    outcome, _, _ = batch()
    assert outcome.exit_code == 0
    assert runs_in(tmp_path / "out") == {"dam", "pit", "ridge"}
    with closing(sqlite3.connect(tmp_path / "out" / "ledger.gpkg")) as base:
        rows = base.execute(
            "SELECT flight, status, points, geom IS NULL FROM flights ORDER BY flight"
        ).fetchall()
    assert rows == [(name, "done", 400, 0) for name in ("dam", "pit", "ridge")]


def test_it_is_drawn_seldom_and_at_the_end(flight, batch, tmp_path, monkeypatch):
    calls = []
    monkeypatch.setattr(BatchMap, "_refresh", lambda self, folders: calls.append(folders))
    monkeypatch.setattr(batch_map, "_SECONDS_BETWEEN", -1.0)
    for number in range(3):
        flight(f"f{number}.laz", 3000.0 * number)
    batch()
    assert [folders is None for folders in calls] == [False, False, False, True]
    calls.clear()
    monkeypatch.setattr(batch_map, "_SECONDS_BETWEEN", 1e9)
    _, _, again = batch(resume=True)
    assert (again.sites, calls) == ([], [])  # nothing to do, nothing to draw


def test_a_map_that_can_not_be_drawn_stops_nothing(flight, batch, tmp_path):
    flight("pit.laz")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "ledger.gpkg").write_bytes(b"mine")
    outcome, heard, _ = batch()
    assert outcome.exit_code == 0
    assert any("ledger.gpkg: is no GeoPackage" in note for note in heard.notes)
    assert (tmp_path / "out" / "ledger.gpkg").read_bytes() == b"mine"

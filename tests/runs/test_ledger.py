"""The ledger tells what the records say, as a GeoPackage that others read; it is brought up to date whole."""

import json
import os
import sqlite3
import struct
import threading
from contextlib import closing

import numpy as np
import pyogrio
import pytest
import shapely
from pyproj import CRS, Geod, Transformer

from cloudprep.engine.record import GateRecord, InputRecord, OutputRecord, RunRecord, SiteRecord
from cloudprep.errors import OutputError, UsageError
from cloudprep.runs import ledger as module
from cloudprep.runs.ledger import DEPTH, LEDGER_NAME, refresh_ledger, run_folders

UTM32, UTM33 = "EPSG:32632 (metre, heights metre)", "EPSG:25833 (metre, heights metre)"
SYSTEMS = {UTM32: CRS.from_epsg(32632).to_wkt(), UTM33: CRS.from_epsg(25833).to_wkt()}
BOX = (412_000.0, 5_654_000.0, 412_500.0, 5_654_300.0)


def flight(path="/flights/a.laz", box=BOX, system=UTM32, **more):
    given = {
        "path": path,
        "size_bytes": 1000,
        "sha256": "ab" * 32,
        "points": 5000,
        "status": "done",
        "reference_system": system,
        "outline": shapely.MultiPolygon([shapely.box(*box)]).wkt if box else "",
    }
    return InputRecord(**{**given, **more})


def record(*inputs, system=UTM32, site=True, **more):
    inputs = inputs or (flight(),)
    given = {
        "status": "done",
        "started": "2026-03-01T12:00:05+00:00",
        "finished": "2026-03-01T12:01:05+00:00",
        "seconds": 60.5,
        "peak_memory_bytes": 1,
        "versions": {"cloudprep": "0.1.0", "numpy": "2.4"},
        "workers": 1,
        "pipeline_source": "/pipelines/quarry.yaml",
        "pipeline": {},
        "inputs": list(inputs),
        "reference_systems": {k: v for k, v in SYSTEMS.items() if k == system},
        "figures": {"ground.share": 0.5, "noise.share": 0.01, "voids.area": 12.5, "points.density": 8.0},
    }
    if site:
        given["site"] = SiteRecord(
            points=5000,
            bounds=BOX,
            lowest=0,
            highest=9,
            spacing_m=0.35,
            multiple_returns=True,
            reference_system=system,
            horizontal_unit_m=1,
            vertical_unit_m=1,
        )
    return RunRecord(**{**given, **more})


def put(folder, made=None, text=None):
    folder.mkdir(parents=True, exist_ok=True)
    content = text if text is not None else (made or record()).model_dump_json()
    (folder / "run.json").write_text(content, encoding="utf-8")
    return folder


def read(root, layer):
    """Read a layer with GDAL: rows as dictionaries, geometries as shapely's."""
    meta, _, geometries, data = pyogrio.raw.read(root / LEDGER_NAME, layer=layer)
    rows = [dict(zip(meta["fields"], row, strict=True)) for row in zip(*data, strict=True)]
    for row, blob in zip(rows, geometries if geometries is not None else [None] * len(rows), strict=True):
        row["geom"] = None if blob is None else shapely.from_wkb(blob)
    return rows


def query(root, text):
    with closing(sqlite3.connect(root / LEDGER_NAME)) as base:
        return base.execute(text).fetchall()


# -- what it says -------------------------------------------------------------------------------------------


def test_a_flight_lies_where_it_was_flown_and_has_its_figures(tmp_path):
    own = {"points.density": 7.5, "points.spacing": 0.37, "ground.share": 0.6, "noise.share": 0.002}
    beside = (412_500.0, BOX[1], 413_000.0, BOX[3])
    put(tmp_path / "site", record(flight(figures=own), flight("/flights/b.laz", beside)))
    refresh_ledger(tmp_path)
    first, second = read(tmp_path, "flights")
    assert (first["run"], first["flight"], first["points"]) == ("site", "a", 5000)
    assert (first["density"], first["spacing"]) == (7.5, 0.37)
    assert (first["ground_share"], first["noise_share"]) == (0.6, 0.002)
    # The figures of the run are those of both flights together: neither of them is given them.
    assert np.isnan(second["density"])
    assert np.isnan(second["ground_share"])
    # PROJ as the check: the corner in degrees, the area on the ellipsoid. West of the middle of zone 32 by
    # 88 km the scale is 0.9997, so that an area there is larger on the ground by 0.06 %.
    corner = Transformer.from_crs(32632, 4326, always_xy=True).transform(*BOX[:2])
    assert np.abs(shapely.get_coordinates(first["geom"]) - corner).sum(axis=1).min() < 1e-9
    area = abs(Geod(ellps="WGS84").geometry_area_perimeter(first["geom"].geoms[0])[0])
    assert 500 * 300 * 1.0001 < area < 500 * 300 * 1.001
    assert pyogrio.read_info(tmp_path / LEDGER_NAME, layer="flights")["crs"] == "EPSG:4326"
    (run,) = read(tmp_path, "runs")
    assert run["geom"].bounds == pytest.approx(shapely.union_all([first["geom"], second["geom"]]).bounds)
    assert (run["flights"], run["ground_share"], run["void_area"], run["density"]) == (2, 0.5, 12.5, 8.0)
    assert (run["pipeline"], run["version"], run["seconds"]) == ("quarry", "0.1.0", 60.5)
    assert str(run["started"]) == "2026-03-01T12:00:05.000"


def test_the_only_flight_of_a_run_has_its_figures(tmp_path):
    put(tmp_path / "site")
    refresh_ledger(tmp_path)
    (one,) = read(tmp_path, "flights")
    assert (one["density"], one["spacing"], one["ground_share"], one["seconds"]) == (8.0, 0.35, 0.5, 60.5)


def test_runs_in_several_systems_share_one_map(tmp_path):
    put(tmp_path / "west")
    here = record(flight("/flights/e.laz", (300_000, 5_654_000, 300_500, 5_654_300), UTM33), system=UTM33)
    put(tmp_path / "east", here)
    refresh_ledger(tmp_path)
    places = {row["run"]: row["geom"].centroid for row in read(tmp_path, "runs")}
    assert places["west"].x == pytest.approx(7.75, abs=0.02)
    assert places["east"].x == pytest.approx(12.15, abs=0.02)


def test_without_a_reference_system_nothing_is_guessed(tmp_path):
    bare = "no reference system (unknown, heights unknown)"
    put(tmp_path / "site", record(flight(system=bare), system=bare))
    refresh_ledger(tmp_path)
    for layer in ("flights", "runs"):
        (row,) = read(tmp_path, layer)
        assert row["geom"] is None
        assert row["outline"] == "none: the clouds carry no reference system"


def test_a_system_that_has_no_place_on_the_globe_is_said_to_have_none(tmp_path):
    local = "local (metre, heights metre)"
    text = 'LOCAL_CS["pit",UNIT["metre",1],AXIS["x",EAST],AXIS["y",NORTH]]'
    put(tmp_path / "site", record(flight(system=local), system=local, reference_systems={local: text}))
    refresh_ledger(tmp_path)
    (row,) = read(tmp_path, "flights")
    assert (row["geom"], row["outline"]) == (None, "none: the reference system can't be placed on the globe")


def test_feet_are_placed_like_metres(tmp_path):
    feet = "EPSG:2263 (US survey foot, heights US survey foot)"
    box = (985_000.0, 195_000.0, 986_000.0, 196_000.0)
    made = record(flight(box=box, system=feet), system=feet)
    put(tmp_path / "s", made.model_copy(update={"reference_systems": {feet: CRS.from_epsg(2263).to_wkt()}}))
    refresh_ledger(tmp_path)
    (row,) = read(tmp_path, "flights")
    corner = Transformer.from_crs(2263, 4326, always_xy=True).transform(*box[:2])
    assert np.abs(shapely.get_coordinates(row["geom"]) - corner).sum(axis=1).min() < 1e-9


def test_a_failed_flight_is_a_row_with_its_reason_and_no_place(tmp_path):
    bad = flight("/flights/bad.laz", box=None, status="failed", reason="the file is cut short", points=0)
    put(tmp_path / "site", record(flight(), bad, status="some_inputs_failed"))
    put(tmp_path / "none", record(bad, status="all_inputs_failed", site=False, reference_systems={}))
    refresh_ledger(tmp_path)
    failed = [row for row in read(tmp_path, "flights") if row["status"] == "failed"]
    assert len(failed) == 2
    assert all(row["geom"] is None and row["reason"] == "the file is cut short" for row in failed)
    statuses = {row["run"]: (row["status"], row["flights_failed"]) for row in read(tmp_path, "runs")}
    assert statuses == {"site": ("some_inputs_failed", 1), "none": ("all_inputs_failed", 1)}


def test_a_record_of_an_earlier_version_is_drawn_by_its_bounds(tmp_path):
    text = json.loads(record(flight(box=None)).model_dump_json())
    del text["inputs"][0]["outline"]
    put(tmp_path / "site", text=json.dumps(text))
    refresh_ledger(tmp_path)
    (row,) = read(tmp_path, "flights")
    assert row["outline"] == "bounds"
    assert row["geom"].area > 0


def test_paths_below_the_ledger_start_there(tmp_path):
    inside = flight(str(tmp_path / "in" / "a.laz"))
    put(
        tmp_path / "deep" / "site",
        record(inside, flight("/elsewhere/b.laz"), flight("https://x.example/c.laz")),
    )
    refresh_ledger(tmp_path)
    rows = read(tmp_path, "flights")
    assert [r["input"] for r in rows] == ["in/a.laz", "/elsewhere/b.laz", "https://x.example/c.laz"]
    assert {r["run"] for r in rows} == {"deep/site"}


def test_gates_and_figures_are_rows(tmp_path):
    told = record(flight(figures={"points.density": 7.5})).model_dump(mode="json")
    told["gates"] = [
        GateRecord(
            figure="ground.share", at_least=0.6, value=0.5, passed=False, outcome="failed", reason="below"
        ).model_dump(),
        {
            "figure": "points.density",
            "flight": "/flights/a.laz",
            "at_least": 8.0,
            "value": 7.5,
            "unit": "1/m2",
            "severity": "warn",
            "passed": False,
            "outcome": "warned",
            "reason": "thin",
        },
    ]
    put(tmp_path / "site", text=json.dumps(told))
    refresh_ledger(tmp_path)
    of_run, of_flight = read(tmp_path, "gates")
    assert (of_run["flight"], of_run["outcome"], of_run["value"], of_run["at_least"]) == (
        "",
        "failed",
        0.5,
        0.6,
    )
    assert (of_flight["flight"], of_flight["outcome"], of_flight["unit"]) == ("a", "warned", "1/m2")
    (run,) = read(tmp_path, "runs")
    assert (run["gates_passed"], run["gates_failed"], run["gates_warned"]) == (0, 1, 1)
    (one,) = read(tmp_path, "flights")
    assert (one["gates_failed"], one["gates_warned"]) == (0, 1)
    figures = {(r["flight"], r["figure"]): r["value"] for r in read(tmp_path, "figures")}
    assert figures["a", "points.density"] == 7.5
    assert figures["", "voids.area"] == 12.5


# -- accuracy ------------------------------------------------------------------------------------------------


def with_product(folder, path, kind, source=""):
    """Make a run that delivered a file, and return an answer about it."""
    output = OutputRecord(path=path, kind=kind, size_bytes=1, sha256="", source=source)
    put(folder, record(outputs=[output]))
    product = folder / path
    product.parent.mkdir(exist_ok=True)
    product.write_bytes(b"x")
    figures = {"rmse": 0.042, "count": 20}
    return {"product": str(product), "open_ground": figures, "vegetated": {"rmse": 0.11, "count": 7}}


def keep(folder, answer, name="checkpoints.json"):
    (folder / name).write_text(json.dumps(answer), encoding="utf-8")


def test_checkpoints_kept_in_the_folder_give_the_rmse(tmp_path):
    keep(tmp_path / "site", with_product(tmp_path / "site", "terrain/dtm.tif", "raster"))
    refresh_ledger(tmp_path)
    (run,) = read(tmp_path, "runs")
    assert (run["rmse"], run["rmse_vegetated"], run["checkpoints"], run["notes"]) == (0.042, 0.11, 27, "")
    assert np.isnan(read(tmp_path, "flights")[0]["rmse"])


def test_checkpoints_of_a_cloud_give_its_flight_the_rmse(tmp_path):
    folder = tmp_path / "site"
    answer = with_product(folder, "clouds/a.laz", "cloud", source="/flights/a.laz")
    keep(folder, answer | {"product": "site/clouds/a.laz"})  # as typed above the folder of the run
    refresh_ledger(tmp_path)
    assert read(tmp_path, "flights")[0]["rmse"] == 0.042
    assert np.isnan(read(tmp_path, "runs")[0]["rmse"])


@pytest.mark.parametrize(
    ("change", "note"),
    [
        ({"product": "/elsewhere/dtm.tif"}, "which this run did not deliver"),
        ({"open_ground": 5}, "is no answer"),
        ({"open_ground": {"rmse": "NaN-ish", "count": 1}}, "is no answer"),
    ],
)
def test_answers_about_something_else_are_left_out_and_said(tmp_path, change, note):
    keep(tmp_path / "site", with_product(tmp_path / "site", "terrain/dtm.tif", "raster") | change)
    refresh_ledger(tmp_path)
    (run,) = read(tmp_path, "runs")
    assert np.isnan(run["rmse"])
    assert note in run["notes"]


def test_an_answer_about_an_earlier_result_is_left_out(tmp_path):
    folder = tmp_path / "site"
    keep(folder, with_product(folder, "terrain/dtm.tif", "raster"))
    os.utime(folder / "checkpoints.json", (1e9, 1e9))
    refresh_ledger(tmp_path)
    assert "is older than what it judges" in read(tmp_path, "runs")[0]["notes"]


def test_a_surface_model_is_no_terrain_model(tmp_path):
    keep(tmp_path / "site", with_product(tmp_path / "site", "terrain/dsm.tif", "raster"))
    refresh_ledger(tmp_path)
    assert np.isnan(read(tmp_path, "runs")[0]["rmse"])


# -- as the standard wants it ------------------------------------------------------------------------------


def test_it_is_a_geopackage_by_the_letter(tmp_path):
    """OGC 12-128r19, by the numbers of its requirements, with nothing but SQLite."""
    put(tmp_path / "site")
    refresh_ledger(tmp_path)
    data = (tmp_path / LEDGER_NAME).read_bytes()
    assert data[:16] == b"SQLite format 3\0"  # 1
    assert data[68:72] == b"GPKG"  # 2: application id
    assert struct.unpack(">I", data[60:64]) == (10400,)  # 2: version
    assert query(tmp_path, "PRAGMA integrity_check") == [("ok",)]  # 6
    assert query(tmp_path, "PRAGMA foreign_key_check") == []  # 7
    systems = dict(query(tmp_path, "SELECT srs_id, organization FROM gpkg_spatial_ref_sys"))
    assert systems == {4326: "EPSG", -1: "NONE", 0: "NONE"}  # 11
    definition = query(tmp_path, "SELECT definition FROM gpkg_spatial_ref_sys WHERE srs_id = 4326")[0][0]
    assert CRS.from_wkt(definition) == CRS.from_epsg(4326)
    contents = query(tmp_path, "SELECT table_name, data_type, srs_id FROM gpkg_contents ORDER BY 1")
    assert contents == [  # 13, 14
        ("figures", "attributes", None),
        ("flights", "features", 4326),
        ("gates", "attributes", None),
        ("runs", "features", 4326),
    ]
    for (change,) in query(tmp_path, "SELECT last_change FROM gpkg_contents"):  # 15
        assert len(change) == 24
        assert change.endswith("Z")
    columns = query(
        tmp_path,
        "SELECT table_name, column_name, geometry_type_name, srs_id, z, m FROM gpkg_geometry_columns",
    )
    assert sorted(columns) == [
        (n, "geom", "MULTIPOLYGON", 4326, 0, 0) for n in ("flights", "runs")
    ]  # 22 - 28
    for table in ("flights", "runs", "gates", "figures"):  # 29, 119: an integer primary key
        keys = [row for row in query(tmp_path, f"PRAGMA table_info({table})") if row[5]]
        assert [(row[1], row[2]) for row in keys] == [("fid", "INTEGER")]
    box = query(
        tmp_path, "SELECT min_x, min_y, max_x, max_y FROM gpkg_contents WHERE table_name = 'flights'"
    )[0]
    blob = query(tmp_path, "SELECT geom FROM flights")[0][0]
    magic, version, flags, system, west, east, south, north = struct.unpack_from("<2sBBi4d", blob)
    assert (magic, version, system) == (b"GP", 0, 4326)  # 19
    assert flags == 0b0000_0011
    assert box == (west, south, east, north)
    shape = shapely.from_wkb(blob[40:])
    assert shape.bounds == (west, south, east, north)
    assert shape.geom_type == "MultiPolygon"
    assert query(tmp_path, "SELECT DISTINCT extension_name FROM gpkg_extensions") == [("gpkg_schema",)]
    described = set(query(tmp_path, "SELECT table_name, column_name FROM gpkg_data_columns"))
    for table in ("flights", "runs", "gates", "figures"):
        there = {row[1] for row in query(tmp_path, f"PRAGMA table_info({table})")} - {"fid", "geom"}
        assert {(table, column) for column in there} <= described


def test_layers_say_what_they_hold_and_in_which_units(tmp_path):
    put(tmp_path / "site")
    refresh_ledger(tmp_path)
    told = pyogrio.read_info(tmp_path / LEDGER_NAME, layer="flights")["layer_metadata"]["DESCRIPTION"]
    assert "Lengths m, areas m2" in told
    titles = dict(
        query(tmp_path, "SELECT column_name, title FROM gpkg_data_columns WHERE table_name = 'flights'")
    )
    assert titles["density"] == "density (points per m2)"
    assert titles["rmse"] == "RMSE (m)"


# -- kept up to date --------------------------------------------------------------------------------------


def test_only_what_changed_is_read_again(tmp_path, monkeypatch):
    for name in "abc":
        put(tmp_path / name)
    assert (refresh_ledger(tmp_path).taken, refresh_ledger(tmp_path).taken) == (3, 0)
    put(tmp_path / "b", record(status="gate_failed"))
    read_folders = []
    monkeypatch.setattr(
        module, "_read", lambda f, r, old=module._read: read_folders.append(f.name) or old(f, r)
    )
    made = refresh_ledger(tmp_path)
    assert (made.taken, made.runs, read_folders) == (1, 3, ["b"])
    assert {r["run"]: r["status"] for r in read(tmp_path, "runs")} == {
        "a": "done",
        "b": "gate_failed",
        "c": "done",
    }
    assert len(read(tmp_path, "flights")) == 3
    assert refresh_ledger(tmp_path, rebuild=True).taken == 3


def test_a_run_that_went_is_gone_and_one_done_again_is_there_once(tmp_path):
    put(tmp_path / "a")
    put(tmp_path / "b")
    refresh_ledger(tmp_path)
    (tmp_path / "a" / "run.json").unlink()  # being done again: unfinished
    made = refresh_ledger(tmp_path)
    assert (made.gone, made.runs) == (1, 1)
    put(tmp_path / "a")
    assert refresh_ledger(tmp_path, only=[tmp_path / "a"]).runs == 2
    assert sorted(r["run"] for r in read(tmp_path, "flights")) == ["a", "b"]
    assert {name for (name,) in query(tmp_path, "SELECT DISTINCT run FROM figures")} == {"a", "b"}


def test_told_of_one_folder_it_looks_at_no_other(tmp_path):
    put(tmp_path / "a")
    refresh_ledger(tmp_path)
    put(tmp_path / "b")
    put(tmp_path / "c")
    assert refresh_ledger(tmp_path, only=[tmp_path / "c"]).runs == 2
    (tmp_path / "c" / "run.json").unlink()
    assert refresh_ledger(tmp_path, only=[tmp_path / "c"]).gone == 1
    assert refresh_ledger(tmp_path).runs == 2


def test_broken_records_are_named_and_the_others_taken(tmp_path):
    put(tmp_path / "good")
    put(tmp_path / "half", text='{"status": "done", "inp')
    put(tmp_path / "other", text='{"status": "done"}')
    put(tmp_path / "list", text="[1, 2]")
    for made in (refresh_ledger(tmp_path), refresh_ledger(tmp_path)):  # not only the first time
        assert made.runs == 1
        names = [line.split(": ")[0] for line in made.broken]
        assert names == [str(tmp_path / n / "run.json") for n in ("half", "list", "other")]
    assert "is no JSON" in made.broken[0]


def test_where_runs_are_looked_for(tmp_path):
    put(tmp_path)
    put(tmp_path.joinpath(*"abcdef"[:DEPTH]))
    put(tmp_path.joinpath(*"abcdefg"[: DEPTH + 1]))
    put(tmp_path / "clouds")  # a run may be called that; what runs delivered isn't looked into
    put(tmp_path / "clouds" / "x")
    put(tmp_path / "site" / "terrain" / "x")
    put(tmp_path / ".hidden")
    (tmp_path / "unfinished" / "clouds").mkdir(parents=True)
    elsewhere = put(tmp_path.parent / f"{tmp_path.name}-elsewhere" / "run")
    (tmp_path / "link").symlink_to(elsewhere)
    assert run_folders(tmp_path) == [tmp_path, tmp_path.joinpath(*"abcdef"[:DEPTH]), tmp_path / "clouds"]
    refresh_ledger(tmp_path)
    assert [r["run"] for r in read(tmp_path, "runs")] == [".", "a/b/c/d/e/f", "clouds"]


def test_nothing_to_tell_is_an_empty_map(tmp_path):
    assert refresh_ledger(tmp_path).runs == 0
    assert read(tmp_path, "flights") == []
    with pytest.raises(UsageError, match="no such folder"):
        refresh_ledger(tmp_path / "nowhere")


def test_layers_and_styles_of_others_stay(tmp_path):
    put(tmp_path / "a")
    refresh_ledger(tmp_path)
    with closing(sqlite3.connect(tmp_path / LEDGER_NAME)) as base:
        base.execute("CREATE TABLE layer_styles (id INTEGER PRIMARY KEY, styleQML TEXT)")
        base.execute("INSERT INTO layer_styles VALUES (1, 'red')")
        base.commit()
    put(tmp_path / "b")
    refresh_ledger(tmp_path)
    refresh_ledger(tmp_path, rebuild=True)
    assert query(tmp_path, "SELECT styleQML FROM layer_styles") == [("red",)]
    assert len(read(tmp_path, "runs")) == 2


@pytest.mark.parametrize("content", [b"no database at all", b""])
def test_a_file_that_is_no_ledger_is_not_replaced_unless_it_is_empty(tmp_path, content):
    (tmp_path / LEDGER_NAME).write_bytes(content)
    if content:
        with pytest.raises(OutputError, match="is no GeoPackage"):
            refresh_ledger(tmp_path)
        assert (tmp_path / LEDGER_NAME).read_bytes() == content
    else:
        assert refresh_ledger(tmp_path).runs == 0


def test_a_geopackage_of_somebody_else_is_not_replaced(tmp_path):
    with closing(sqlite3.connect(tmp_path / LEDGER_NAME)) as base:
        base.execute("CREATE TABLE mine (x)")
        base.commit()
    before = (tmp_path / LEDGER_NAME).read_bytes()
    with pytest.raises(OutputError, match="is no ledger that cloudprep made"):
        refresh_ledger(tmp_path, rebuild=True)
    assert (tmp_path / LEDGER_NAME).read_bytes() == before


def test_a_damaged_ledger_is_made_anew(tmp_path):
    for number in range(30):
        put(tmp_path / f"run{number}")
    refresh_ledger(tmp_path)
    whole = (tmp_path / LEDGER_NAME).read_bytes()
    (tmp_path / LEDGER_NAME).write_bytes(whole[: len(whole) // 2])
    assert refresh_ledger(tmp_path).runs == 30
    assert len(read(tmp_path, "flights")) == 30


def test_changes_that_another_program_has_under_way_are_not_lost(tmp_path):
    put(tmp_path / "a")
    refresh_ledger(tmp_path)
    with closing(sqlite3.connect(tmp_path / LEDGER_NAME)) as base:  # as a GIS has it open
        base.execute("PRAGMA journal_mode = WAL")
        base.execute("UPDATE runs SET notes = 'mine'")
        base.commit()
        put(tmp_path / "b")
        with pytest.raises(OutputError, match="another program has changes to it under way"):
            refresh_ledger(tmp_path)
    assert refresh_ledger(tmp_path).runs == 2
    notes = dict(query(tmp_path, "SELECT run, notes FROM runs"))
    assert notes == {"a": "mine", "b": ""}
    assert {p.name for p in tmp_path.iterdir()} == {"a", "b", LEDGER_NAME}


def test_a_write_that_fails_leaves_the_old_one_and_nothing_else(tmp_path, monkeypatch):
    put(tmp_path / "a")
    refresh_ledger(tmp_path)
    before = (tmp_path / LEDGER_NAME).read_bytes()
    put(tmp_path / "b")

    def full(*_):
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(module, "_put", full)
    with pytest.raises(OutputError, match="disk is full"):
        refresh_ledger(tmp_path)
    assert (tmp_path / LEDGER_NAME).read_bytes() == before
    assert {p.name for p in tmp_path.iterdir()} == {"a", "b", LEDGER_NAME}


def test_what_another_process_put_in_meanwhile_stays(tmp_path, monkeypatch):
    put(tmp_path / "a")
    refresh_ledger(tmp_path)
    put(tmp_path / "b")
    put(tmp_path / "c")
    others = iter([tmp_path / "c"])
    put_in = module._put

    def overtaken(*given):
        put_in(*given)
        for other in others:
            refresh_ledger(tmp_path, only=[other])

    monkeypatch.setattr(module, "_put", overtaken)
    assert refresh_ledger(tmp_path, only=[tmp_path / "b"]).runs == 3
    assert sorted(r["run"] for r in read(tmp_path, "runs")) == ["a", "b", "c"]


def test_readers_never_see_half_of_it(tmp_path):
    for number in range(20):
        put(tmp_path / f"run{number:02}")
    refresh_ledger(tmp_path)
    seen, faults, stop = set(), [], threading.Event()

    def look():
        while not stop.is_set():
            try:
                flights = query(tmp_path, "SELECT count(*) FROM flights")[0][0]
                seen.add(flights)
                assert query(tmp_path, "PRAGMA quick_check") == [("ok",)]
            except Exception as error:  # noqa: BLE001 - told by the test
                faults.append(error)

    reader = threading.Thread(target=look)
    reader.start()
    for number in range(20, 40):
        put(tmp_path / f"run{number:02}")
        refresh_ledger(tmp_path, only=[tmp_path / f"run{number:02}"])
    stop.set()
    reader.join()
    assert not faults
    assert seen <= set(range(20, 41))
    assert len(seen) > 1


def test_what_a_killed_process_left_is_cleared_when_it_is_old(tmp_path):
    old, new = tmp_path / f".part-0a-{LEDGER_NAME}", tmp_path / f".part-0b-{LEDGER_NAME}"
    for path in (old, new):
        path.write_bytes(b"x")
    os.utime(old, (1e9, 1e9))
    refresh_ledger(tmp_path)
    assert (old.exists(), new.exists()) == (False, True)

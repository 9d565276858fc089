"""A run, whole: what it delivers, and that nothing but labels changes."""

import hashlib
import json
from pathlib import Path

import jsonschema
import laspy
import numpy as np
import pytest
import rasterio

from cloudprep.engine.record import record_schema


def points_without_labels(path):
    cloud = laspy.read(path)
    records = cloud.points.array.copy()
    records["raw_classification" if "raw_classification" in records.dtype.names else "classification"] = 0
    return records


def test_a_run_delivers_clouds_terrain_and_record(clouds, run, record_of):
    flights = [clouds.write("a b.laz", rows=slice(0, 2000)), clouds.write("ü.LAS", rows=slice(2000, None))]
    before = {p: p.read_bytes() for p in flights}
    outcome, out = run(clouds.folder)
    assert outcome.exit_code == 0
    made = sorted(p.relative_to(out).as_posix() for p in out.rglob("*") if p.is_file())
    assert made == [
        "clouds/a b.laz",
        "clouds/ü.laz",
        "report.html",
        "run.json",
        "terrain/dtm.tif",
        "terrain/dtm_hillshade.png",
        "terrain/dtm_source.tif",
    ]
    assert {p: p.read_bytes() for p in flights} == before
    record = record_of(out)
    assert record["status"] == "done"
    for output in record["outputs"]:
        data = (out / output["path"]).read_bytes()
        assert hashlib.sha256(data).hexdigest() == output["sha256"]
        assert len(data) == output["size_bytes"]
    for given in record["inputs"]:
        assert hashlib.sha256(Path(given["path"]).read_bytes()).hexdigest() == given["sha256"]


def test_only_labels_change_and_points_keep_their_order(clouds, run):
    flight = clouds.write()
    _, out = run(flight)
    assert np.array_equal(points_without_labels(flight), points_without_labels(out / "clouds/flight.laz"))
    assert set(np.unique(laspy.read(out / "clouds/flight.laz").classification)) >= {1, 2}


def test_the_record_keeps_its_schema(clouds, run, record_of):
    _, out = run(clouds.write())
    jsonschema.Draft202012Validator(record_schema()).validate(record_of(out))


def test_the_committed_schema_is_current():
    # Regenerate: python -m cloudprep.engine.record > docs/run_record.schema.json
    path = Path(__file__).parents[2] / "docs" / "run_record.schema.json"
    assert json.loads(path.read_text(encoding="utf-8")) == record_schema()


def test_the_record_holds_every_default_and_the_reason_for_derived_values(clouds, run, record_of):
    _, out = run(clouds.write())
    stages = record_of(out)["stages"]
    assert [s["stage"] for s in stages] == [s["stage"] for s in record_of(out)["pipeline"]["stages"]]
    for stage in stages:
        assert None not in stage["parameters"].values()
        assert all(reason for reason in stage["derived"].values())


def test_classified_together_delivered_apart(clouds, run, labels_of):
    whole = clouds.write("whole/flight.laz")
    columns = clouds.columns()
    parts = [
        clouds.write("parts/p0.laz", rows=slice(0, 1500)),
        clouds.write("parts/p1.laz", rows=slice(1500, None)),
    ]
    _, one = run(whole, out="one")
    _, two = run(*parts, out="two")
    together = np.r_[labels_of(two / "clouds/p0.laz"), labels_of(two / "clouds/p1.laz")]
    assert len(together) == len(columns["x"])
    assert np.array_equal(labels_of(one / "clouds/flight.laz"), together)


@pytest.mark.parametrize("options", [{"block_edge": 20.0, "workers": 2}, {"block_edge": 7.0, "workers": 1}])
def test_blocks_and_workers_change_no_bit(clouds, run, labels_of, options):
    flight = clouds.write()
    _, whole = run(flight, out="whole", workers=1)
    _, blocks = run(flight, out="blocks", **options)
    assert np.array_equal(labels_of(whole / "clouds/flight.laz"), labels_of(blocks / "clouds/flight.laz"))
    assert (whole / "terrain/dtm.tif").read_bytes() == (blocks / "terrain/dtm.tif").read_bytes()


def test_the_order_of_inputs_changes_no_bit(clouds, run, labels_of):
    a, b = clouds.write("a.laz", rows=slice(0, 1200)), clouds.write("b.laz", rows=slice(1200, None))
    _, first = run(a, b, out="first")
    _, second = run(b, a, out="second")
    for name in ("a", "b"):
        assert np.array_equal(
            labels_of(first / f"clouds/{name}.laz"), labels_of(second / f"clouds/{name}.laz")
        )
    assert (first / "terrain/dtm.tif").read_bytes() == (second / "terrain/dtm.tif").read_bytes()


def test_mixed_scales_and_offsets_in_one_run_do_not_wrap_around(clouds, run, labels_of):
    _, plain = run(
        clouds.write("p/a.laz", rows=slice(0, 1500)),
        clouds.write("p/b.laz", rows=slice(1500, None)),
        out="plain",
    )
    fine = clouds.write("m/a.laz", rows=slice(0, 1500), scale=1e-7)
    coarse = clouds.write("m/b.laz", rows=slice(1500, None), scale=(0.001, 0.001, 0.0005))
    outcome, mixed = run(fine, coarse, out="mixed")
    assert outcome.exit_code == 0
    for name in ("a", "b"):
        ours, theirs = (labels_of(f / f"clouds/{name}.laz") for f in (plain, mixed))
        assert np.mean(ours != theirs) < 0.002  # heights and places are the same to half a millimetre


def test_feet_and_metres_give_the_same_labels(clouds, run, labels_of):
    _, metres = run(clouds.write("m.laz"), out="metres")
    # EPSG:2225 (US survey foot) with heights in EPSG:6360 (US survey foot).
    us_foot = 1200 / 3937
    feet_file = clouds.write("f.laz", epsg="EPSG:2225+6360", unit=us_foot, scale=0.001)
    outcome, feet = run(feet_file, out="feet")
    assert outcome.exit_code == 0
    assert np.mean(labels_of(metres / "clouds/m.laz") != labels_of(feet / "clouds/f.laz")) < 0.002
    with rasterio.open(metres / "terrain/dtm.tif") as m, rasterio.open(feet / "terrain/dtm.tif") as f:
        assert f.transform.a * us_foot == pytest.approx(m.transform.a, rel=1e-12)
        ours, theirs = m.read(1, masked=True), f.read(1, masked=True) * us_foot
        assert ours.shape == theirs.shape
        assert abs(ours - theirs).max() < 0.01
        assert f.crs.is_projected
        assert f.crs.linear_units_factor[1] == pytest.approx(us_foot, rel=1e-12)


def test_las_out_where_the_pipeline_says_so(clouds, run, pipeline_file):
    pipeline = pipeline_file("cloudprep: 1\nstages:\n  - stage: progressive_ground\noutput:\n  format: las\n")
    _, out = run(clouds.write(), pipeline=pipeline)
    with laspy.open(out / "clouds/flight.las") as cloud:
        assert not cloud.header.are_points_compressed


def test_drop_noise_is_the_only_way_to_lose_points(clouds, run, pipeline_file, labels_of):
    text = "cloudprep: 1\nstages:\n  - stage: isolated_clusters\noutput:\n  drop_noise: {}\n"
    flight = clouds.write()
    kept_outcome, keep = run(flight, out="keep", pipeline=pipeline_file(text.format("false")))
    outcome, drop = run(flight, out="drop", pipeline=pipeline_file(text.format("true")))
    kept = labels_of(keep / "clouds/flight.laz")
    noise = int(np.isin(kept, (7, 18)).sum())
    assert noise > 0
    assert len(labels_of(drop / "clouds/flight.laz")) == len(kept) - noise
    assert any(f"{noise} noise points are left out" in line for line in outcome.lines)
    assert not any("left out" in line for line in kept_outcome.lines)

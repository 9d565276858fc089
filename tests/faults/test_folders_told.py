"""The comparison of folders sees what it must see, and only overlooks times, memory and places."""

from __future__ import annotations

import json
from copy import deepcopy

import pytest
from folders import contents, deliverables, halves, timeless
from tiny_site import assert_same

RECORD = {
    "status": "done",
    "started": "2026-01-01T00:00:00+00:00",
    "finished": "2026-01-01T00:00:09+00:00",
    "seconds": 9.0,
    "peak_memory_bytes": 1,
    "scratch_bytes": 2,
    "blocks": 1,
    "pipeline_source": "/a/pipeline.yaml",
    "stages": [{"stage": "terrain_grid", "seconds": 1.0, "changed": 3}],
    "figures": {"ground.share": 0.5},
    "outputs": [
        {"path": "clouds/a.laz", "kind": "cloud", "sha256": "aa"},
        {"path": "report.html", "kind": "report", "sha256": "bb"},
    ],
}


def told(record):
    return timeless("run.json", json.dumps(record).encode(), "/out")


def changed(*place, value):
    record = deepcopy(RECORD)
    inner = record
    for step in place[:-1]:
        inner = inner[step]
    inner[place[-1]] = value
    return record


@pytest.mark.parametrize(
    "place",
    [
        ("started",), ("finished",), ("seconds",), ("peak_memory_bytes",), ("scratch_bytes",), ("blocks",),
        ("pipeline_source",), ("stages", 0, "seconds"), ("outputs", 1, "sha256"),
    ],
)  # fmt: skip
def test_times_and_memory_are_overlooked(place):
    assert told(changed(*place, value=7)) == told(RECORD)


@pytest.mark.parametrize(
    "place",
    [
        ("status",), ("stages", 0, "changed"), ("stages", 0, "stage"), ("figures", "ground.share"),
        ("outputs", 0, "sha256"), ("outputs", 0, "path"), ("outputs", 1, "path"),
    ],
)  # fmt: skip
def test_nothing_else_is(place):
    assert told(changed(*place, value="other")) != told(RECORD)


def test_the_time_of_a_report_is_overlooked_and_nothing_else():
    def page(time, rest=b"</p>"):
        return timeless(
            "report.html", b'<p>Run of <time datetime="%s">%s</time>' % (time, time) + rest, "/out"
        )

    assert page(b"2026-01-01") == page(b"2027-05-05")
    assert page(b"2026-01-01") != page(b"2026-01-01", b"</b>")
    assert timeless("dtm.tif", b"<time>1</time>", "/out") == b"<time>1</time>"


def test_a_byte_a_name_and_a_temporary_file_are_seen(tmp_path):
    one, two = tmp_path / "one", tmp_path / "two"
    for folder in (one, two):
        (folder / "clouds").mkdir(parents=True)
        (folder / "clouds" / "a.laz").write_bytes(b"points")
    assert_same(contents(one), contents(two))
    (two / "clouds" / "a.laz").write_bytes(b"pointz")
    with pytest.raises(AssertionError):
        assert_same(contents(one), contents(two))
    (two / "clouds" / "a.laz").write_bytes(b"points")
    (two / "clouds" / ".part-1-a.laz").write_bytes(b"poi")
    with pytest.raises(AssertionError):
        assert_same(contents(one), contents(two))
    assert halves(two) == ["clouds/.part-1-a.laz"]
    assert_same(contents(one), deliverables(two))
